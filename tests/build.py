"""One builder a noun: rows for tests, with what a test does not care about filled in."""

import itertools
from datetime import UTC, datetime, timedelta
from types import SimpleNamespace

from django.utils import timezone

from bookings import incident as incidents
from bookings import jobs
from facility import bottles, check, keep_up, log, stock
from facility.models import (
    Chamber,
    Gauge,
    Group,
    Instrument,
    Person,
    Place,
    Qualification,
    RunSheet,
)
from samples.codes import new_code
from samples.models import Holder, HolderType, Sample, Whereabouts

_count = itertools.count(1)
PASSWORD = "four plain words here"


def at(text):
    """A moment of the test day, 12 November 2026, in UTC."""
    return datetime.fromisoformat(f"2026-11-12T{text}").replace(tzinfo=UTC)


def group(name=None):
    return Group.objects.get_or_create(name=name or f"group {next(_count)}")[0]


def person(name=None, *, role="user", group=None, superuser=False):
    """Someone who can sign in by the first word of their name."""
    name = name or f"Person{next(_count)} Test"
    made = Person(
        username=name.split()[0].lower(),
        full_name=name,
        role=role,
        group=group,
        is_superuser=superuser,
        is_staff=superuser,
    )
    made.set_password(PASSWORD)
    made.save()
    return made


def instrument(name="Quayside", *, by=None):
    """With two chambers, three gauges, its places, its log, and the short run sheet."""
    import json
    from pathlib import Path

    by = by or person(role="staff")
    made = Instrument.objects.create(
        slug=name.lower(),
        name=name,
        what="photoelectron spectrometer",
        z_ref_mm=20.0,
        free_distance_mm=8.0,
    )
    log.open_instrument_log(instrument=made, by=by)
    introduction = Chamber.objects.create(instrument=made, kind="introduction", volume_l=8.0)
    main = Chamber.objects.create(instrument=made, kind="main", volume_l=50.0)
    slug = made.slug
    Gauge.objects.create(
        chamber=introduction, code=f"{slug}-intro", name=f"{name} introduction, combined",
        principle="combined", unit="torr", low_pa=1e-7, high_pa=1.2e5,
    )  # fmt: skip
    Gauge.objects.create(
        chamber=main, code=f"{slug}-main", name=f"{name} main, hot cathode",
        principle="hot_cathode", unit="torr", low_pa=1e-9, high_pa=1.0,
    )  # fmt: skip
    for kind, words in (
        ("introduction", "introduction chamber"),
        ("parking", "parking slot"),
        ("stage", "analysis stage"),
    ):
        Place.objects.create(kind=kind, name=f"{words} of {name}", instrument=made)
    document = json.loads(
        (Path(__file__).parent.parent / "facility" / "sheets" / "short.json").read_text()
    )
    made.sheet = RunSheet.objects.create(
        name="Short sheet", instrument=made, version=1, document=document,
        published_at=timezone.now(), published_by=by,
    )  # fmt: skip
    made.save()
    return made


def holder_type(name="25.4 mm disc"):
    return HolderType.objects.get_or_create(
        name=name, defaults={"shape": "disc", "diameter_mm": 25.4, "max_thickness_mm": 6.5}
    )[0]


def holder(short_name=None, *, by=None):
    """An empty holder on the rack."""
    made = Holder.objects.create(
        code=new_code("H"), short_name=short_name or f"T{next(_count)}", type=holder_type()
    )
    rack, _ = Place.objects.get_or_create(name="rack", defaults={"kind": "rack", "capacity": 200})
    Whereabouts.objects.create(
        holder=made, place=rack, since=timezone.now() - timedelta(days=9), by=by or person()
    )
    return made


def sample(title=None, *, owner, form="film", **more):
    return Sample.objects.create(
        code=new_code("S"),
        title=title or f"sample {next(_count)}",
        owner=owner,
        group=owner.group,
        form=form,
        declared_at=timezone.now(),
        **{"width_mm": 4.0, "height_mm": 4.0, "thickness_mm": 0.5, **more},
    )


def qualify(person, instrument, level=Qualification.Level.ALONE, *, by=None):
    return Qualification.objects.create(
        person=person,
        instrument=instrument,
        level=level,
        granted_on=timezone.localdate() - timedelta(days=30),
        granted_by=by or person,
    )


def incident(*, by, kind="near miss", says="The arm touched the stage.", **more):
    return incidents.report(by=by, kind=kind, says=says, **more)


def follow_up(incident, *, who, by, days=7, says="Look at the arm's stop."):
    until = timezone.localdate() + timedelta(days=days)
    return incidents.follow_up(incident=incident, by=by, says=says, who=who, until=until)


def lab():
    """Two instruments and the cast."""
    coatings, corrosion = group("coatings"), group("corrosion")
    cast = SimpleNamespace(
        ada=person("Ada Sandwort", role="manager"),
        ben=person("Ben Samphire", group=coatings),
        chao=person("Chao Thrift", group=corrosion),
        dee=person("Dee Sealavender", role="staff"),
        eve=person("Eve Kale", role="visitor", group=corrosion),
        fay=person("Fay Eelgrass", role="safety"),
        gil=person("Gil Marram", role="lead", group=coatings),
        root=person("Root Keeper", role="manager", superuser=True),
    )
    cast.instrument = instrument("Quayside", by=cast.dee)
    cast.other_instrument = instrument("Headland", by=cast.dee)
    cast.holder = holder("B7", by=cast.dee)
    qualify(cast.ben, cast.instrument, by=cast.dee)
    return cast


def source(instrument, *, by, name="Al Kα source"):
    """An X-ray source whose hours are counted from the device `sources`."""
    return keep_up.add_part(
        instrument=instrument, by=by, kind="source", name=name, counts="device", device="sources",
        on_states=["xrays"],
    )  # fmt: skip


def check_kind(instrument, *, by, sort="energy", name="Energy scale, 20 eV", **more):
    """A check; an energy scale gets the instrument's source and a tolerance of 0.1 eV."""
    if sort in ("energy", "intensity") and "source" not in more:
        part = instrument.parts.filter(kind="source", ended_at=None).first()
        more["source"] = part or source(instrument, by=by)
    return check.keep_kind(instrument=instrument, by=by, sort=sort, name=name, **more)


SCALE = {"Au 4f7/2": "83.97 83.96", "Ag 3d5/2": "368.22 368.21", "Cu 2p3/2": "932.63 932.62"}


def health(lab):
    """A source, a rise that is being read, an upkeep task."""
    gauge = lab.instrument.chambers.get(kind="introduction").gauges.first()
    rise = check_kind(
        lab.instrument, by=lab.dee, sort="rise", name="Rise", gauge=gauge, chamber=gauge.chamber
    )
    return {
        "part": source(lab.instrument, by=lab.dee),
        "check": check.begin_rise(kind=rise, by=lab.dee),
        "job": jobs.begin(
            instrument=lab.other_instrument,
            by=lab.dee,
            kind="bake",
            why="after the vent",
            max_c=120,
        ),
        "upkeep": keep_up.add_task(
            instrument=lab.instrument, by=lab.dee, name="Chiller: filter", every_days=60
        ),
    }


def tape(lab, **about):
    """A roll of copper tape of 100 mm², delivered, not opened; every mount by it takes its area."""
    row = stock.add(
        by=lab.dee, name="Copper tape", unit="mm²", mounting="copper tape", per_mount=1.0,
        by_area=True, **about,
    )  # fmt: skip
    return stock.deliver(consumable=row, quantity=100.0, by=lab.dee, new_code=new_code, batch="31")


def nitrogen(lab, dial="200", volume_l=50.0, **about):
    """A bottle of vent gas in a hall of 60 m³, connected a month ago."""
    return bottles.connect(
        by=lab.dee, gas="nitrogen", volume_l=volume_l, serves="vents",
        room=bottles.save_room(by=lab.dee, name="hall", volume_m3=60.0),
        instrument=lab.instrument, dial=dial, at=timezone.now() - timedelta(days=30), **about,
    )  # fmt: skip


def stores(lab):
    """A lot, an order on its way, a bottle."""
    lot = tape(lab)
    order = stock.order(consumable=lot.consumable, quantity=1, by=lab.dee)
    return {"lot": lot, "order": order, "bottle": nitrogen(lab)}
