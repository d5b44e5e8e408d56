"""The demo's laboratory before its first session: people, instruments, holders, places."""

from datetime import timedelta
from functools import cache
from types import SimpleNamespace

from django.contrib.auth.hashers import make_password
from django.utils import timezone

from bookings.demo import cast
from bookings.demo.desk import Desk
from facility import interlocks, sheet_proof, shipped
from facility.models import (
    Chamber,
    Gauge,
    Group,
    Instrument,
    Log,
    Person,
    Place,
    Qualification,
    RunSheet,
)
from facility.vacuum.units import to_pascal
from samples.codes import new_code
from samples.models import Holder, HolderType, Whereabouts

SHEET = "photoelectron"
PLACES = (
    # the verb that takes a holder out brings it to the first bench or rack of the house
    ("bench", "bench", 60),
    ("rack", "rack", 60),
    ("desiccator", "desiccator by the window", 20),
    ("glove box", "glove box, batteries", 20),
    ("shelf", "shelf box A", 200),
    ("shelf", "shelf box B", 200),
    ("shelf", "shelf box C", 200),
    ("vessel", "transfer vessel", 1),
    ("elsewhere", "electron microscope, next door", 4),
    ("away", "away", 200),
)
INSTRUMENTS = (
    SimpleNamespace(
        name="Quayside", unit="mbar", threshold=2.0e-6, typical_s=52 * 60, main=7.4e-10,
        volumes=(8.0, 55.0), z=(20.0, 8.0),
        gauges=(
            ("rough", "rough", "introduction", "pirani", 1e-1, 1e5),
            ("fine", "intro", "introduction", "cold_cathode", 1e-7, 1.0),
            ("main", "main", "main", "hot_cathode", 1e-9, 1.0),
            ("gun", "gun", "main", "pirani", 1e-4, 1e3),
        ),
    ),
    SimpleNamespace(
        name="Headland", unit="torr", threshold=1.0e-6, typical_s=46 * 60, main=4.6e-10,
        volumes=(5.5, 42.0), z=(18.0, 6.5),
        gauges=(
            ("logger", "intro", "introduction", "combined", 1e-7, 1.2e5),
            ("fine", "cold", "introduction", "cold_cathode", 1e-7, 1.0),
            ("main", "main", "main", "hot_cathode", 1e-9, 1.0),
            ("gun", "gun", "main", "pirani", 1e-4, 1e3),
        ),
    ),
)  # fmt: skip
GAUGE_WORDS = {
    "rough": "{} introduction, rough",
    "fine": "{} introduction, cold cathode",
    "logger": "{} introduction, wide range, logged",
    "main": "{} main, ion gauge",
    "gun": "{} ion gun",
}
DISC, BAR = "25.4 mm disc", "105 × 15 mm bar"
DEDICATED = {"B1": "reference metals", "B11": "copper and its alloys", "L2": "electrodes"}


def set_up(chronicle, *, now, first_day):
    """People, places, instruments with their desks, holders; all stored but the holders' stays."""
    people = _people(now, first_day)
    staff = people["dee"]
    places = {
        name: Place.objects.create(kind=kind, name=name, capacity=capacity)
        for kind, name, capacity in PLACES
    }
    opened = first_day - timedelta(days=30)
    desks = {}
    for made in INSTRUMENTS:
        desk = _instrument(chronicle, made, staff, places, opened)
        desk.keeper = people["ada"]
        desks[desk.instrument.slug] = desk
    _qualify(chronicle, people, desks, now)
    holders = _holders(chronicle, places["rack"], staff, opened)
    return SimpleNamespace(
        people=people, staff=staff, places=places, desks=desks, holders=holders, opened=opened
    )


def _people(now, first_day):
    """Everyone by sign-in name; one password, hashed once. The old hands were there from the start."""
    groups = {name: Group.objects.create(name=name) for name in cast.GROUPS}
    password = make_password(cast.PASSWORD)
    found = {}
    for number, someone in enumerate(cast.PEOPLE, 1):
        person = Person.objects.create(
            username=someone.username,
            full_name=someone.name,
            role=someone.role,
            group=groups.get(someone.group),
            phone=f"internal {7100 + 7 * number}",
            is_superuser=someone.superuser,
            is_staff=someone.superuser,
            is_active=not someone.left_days_ago,
            password=password,
            date_joined=first_day - timedelta(days=60)
            if someone.since_days == cast.OLD_HAND and now - first_day > timedelta(days=365)
            else now - timedelta(days=someone.since_days),
        )
        person.someone = someone
        found[person.username] = person
    return found


def _qualify(chronicle, people, desks, now):
    today = timezone.localdate(now)
    for person in people.values():
        lapses = dict(person.someone.lapses)
        person.levels = dict(person.someone.levels)
        for slug, level in person.someone.levels:
            days = lapses.get(slug)
            granted = timezone.localdate(person.date_joined) + timedelta(days=10)
            if level == Qualification.Level.ASSISTED:
                chronicle.add(
                    Qualification(
                        person=person,
                        instrument=desks[slug].instrument,
                        level=Qualification.Level.OBSERVE,
                        granted_on=granted,
                        granted_by=people["kit"],
                        ended_at=now - timedelta(days=25),
                    )
                )
                granted = today - timedelta(days=25)
            chronicle.add(
                Qualification(
                    person=person,
                    instrument=desks[slug].instrument,
                    level=level,
                    granted_on=granted,
                    granted_by=people["dee"],
                    lapses_on=None if days is None else today + timedelta(days=days),
                )
            )


def _instrument(chronicle, made, staff, places, opened):
    """One instrument with everything that belongs to it, and the desk that the story sits at."""
    slug = made.name.lower()
    row = Instrument.objects.create(
        slug=slug,
        name=made.name,
        what="photoelectron spectrometer",
        threshold_pa=to_pascal(made.threshold, made.unit),
        z_ref_mm=made.z[0],
        free_distance_mm=made.z[1],
        log=None,
    )
    row.log = Log.objects.create(kind=Log.Kind.INSTRUMENT, instrument=row)
    document = shipped.document(SHEET)
    row.sheet = RunSheet.objects.create(
        name=f"{made.name}: load, measure, unload",
        instrument=row,
        version=1,
        document=document,
        proof=_proof(),
        published_at=opened + timedelta(hours=2),
        published_by=staff,
    )
    row.save()
    chambers = {
        kind: Chamber.objects.create(instrument=row, kind=kind, volume_l=volume)
        for kind, volume in zip(("introduction", "main"), made.volumes, strict=True)
    }
    gauges = {
        key: Gauge.objects.create(
            chamber=chambers[kind],
            code=f"{slug}-{code}",
            name=GAUGE_WORDS[key].format(made.name),
            principle=principle,
            unit=made.unit,
            low_pa=low,
            high_pa=high,
            on_ion_gun=key == "gun",
        )
        for key, code, kind, principle, low, high in made.gauges
    }
    gauges.setdefault("rough", gauges.get("logger"))
    its_places = {
        kind: Place.objects.create(kind=kind, name=f"{words} of {made.name}", instrument=row)
        for kind, words in (
            ("introduction", "introduction chamber"),
            ("parking", "parking slot"),
            ("stage", "analysis stage"),
        )
    }
    its_places["bench"] = places["bench"]
    chronicle.add_instrument(row, list({gauge.code: gauge for gauge in gauges.values()}.values()))
    chronicle.write(row.log, "instrument opened", staff, {"name": row.name}, recorded=opened)
    _publish(chronicle, row, staff, opened + timedelta(hours=2))
    desk = Desk(chronicle, row, interlocks.read(document), chambers, its_places, gauges, staff)
    desk.made = made
    return desk


@cache
def _proof():
    """The proof of the shipped sheet, worked out once a process."""
    return sheet_proof.proof_of(shipped.document(SHEET))


def _publish(chronicle, instrument, by, at):
    """What `publish.publish` writes when a version of a sheet comes into force."""
    sheet = instrument.sheet
    said = {
        "sheet": sheet.pk,
        "name": sheet.name,
        "version": sheet.version,
        "digest": sheet_proof.digest_of(sheet.document),
        "states": sheet.proof["states"],
        "states_with_anything_lost": sheet.proof["with_anything_lost"].get("states"),
        "hazards": [row["id"] for row in sheet.document["never"]],
        "struck_out": sheet.document.get("struck_out", {}),
        "says": "As shipped, read through at the instrument.",
    }
    chronicle.write(instrument.log, "sheet published", by, said, recorded=at)


def _holders(chronicle, rack, staff, opened):
    """Eighteen discs and six bars, each with its code, on the rack."""
    kinds = {
        "B": HolderType.objects.create(
            name=DISC, shape="disc", diameter_mm=25.4, max_thickness_mm=6.5
        ),
        "L": HolderType.objects.create(
            name=BAR, shape="rectangle", width_mm=105.0, height_mm=15.0, max_thickness_mm=4.0
        ),
    }
    rows = [
        Holder(
            code=new_code("H", choice=chronicle.rng.choice),
            short_name=name,
            type=kinds[name[0]],
            dedicated_to=DEDICATED.get(name, ""),
        )
        for name in [*(f"B{n}" for n in range(1, 19)), *(f"L{n}" for n in range(1, 7))]
    ]
    Holder.objects.bulk_create(rows)
    for row in rows:
        row.here = chronicle.add(Whereabouts(holder=row, place=rack, since=opened, by=staff))
        row.standing, row.wet, row.free_at = [], False, opened
    return {row.short_name: row for row in rows}
