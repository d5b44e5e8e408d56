"""Reads for the pages of the bench: a holder with its findings, what waits to be mounted, neighbours."""

from datetime import UTC, datetime
from types import SimpleNamespace

from django.utils import timezone

from bookings import chambers, flag
from bookings.models import Load, PumpDown
from facility.access import may
from facility.findings import NOTE, SEVERITIES, STOP, rank
from facility.models import Person
from facility.vacuum import gas
from samples import bench, geometry, memory
from samples.layout import Footprint
from samples.models import HolderPhoto, Mount, Sample, Whereabouts
from samples.risks.registry import RULES

TO_CHOOSE_FROM = 24
SPOT_MM = 2.6  # half of what a free place is drawn as, wide enough for a gloved finger


def seen_by(person):
    """A function that says whether this person may know a sample."""
    return lambda sample: may(person, "sample.see", sample)


def holder_context(holder, person, *, places=None, spots=(), chosen=None):
    """All that the page of a holder shows; `places` are tried and not kept."""
    mounts = bench.mounts_of(holder)
    tried = _try(mounts, places)
    may_see = seen_by(person)
    instrument = bench.instrument_for(holder)
    past = chambers.pasts_of(instrument, seen=may_see)
    steps = bench.steps_done(holder, mounts)
    findings, unread = bench.assessed(
        holder, mounts, may_see=may_see, past=past, instrument=instrument, steps=steps
    )
    heights, gauged, limit = bench.height_of(holder, mounts, instrument, steps)
    here = Whereabouts.objects.now().filter(holder=holder).select_related("place").first()
    in_vacuum = here is not None and here.place.is_in_vacuum
    seen = {mount.pk: may_see(mount.sample) for mount in mounts}
    drawn = bench.draw(holder, mounts, seen, spots=[(x, y) for _, x, y in spots])
    return {
        "holder": holder,
        "mounts": [_row(mount, seen[mount.pk], heights) for mount in mounts],
        "drawing": drawn,
        "handles": _handles(mounts),
        "spots": [
            {"shape": shape, "number": number, "x": x, "y": y, "chosen": number == chosen}
            for shape, (number, x, y) in zip(drawn.spots, spots, strict=True)
        ],
        "findings": findings,
        "remarks": _remarks(holder, mounts, findings),
        "notes": [one for one in findings if one.severity == NOTE],
        "told": _counts(findings),
        "unread": unread,
        "here": here,
        "in_vacuum": in_vacuum,
        "instrument": instrument,
        "heights": heights,
        "tallest": next(
            (m for m in mounts if heights and f"p{m.position}" == heights.tallest), None
        ),
        "tallest_seen": any(
            seen[m.pk] for m in mounts if heights and f"p{m.position}" == heights.tallest
        ),
        "gauged": gauged,
        "height_limit": limit,
        "next_gauge": bench.next_gauge(heights.height_mm) if heights else None,
        "gauges": bench.GAUGES_MM,
        "steps": steps,
        "powders": [m for m in mounts if m.sample.is_powder],
        "loose": [m for m in mounts if m.sample.is_powder and not m.loose_powder_removed],
        "cleaning": holder.cleanings.select_related("by").first(),
        "memory": memory.needs(memory.pasts_of(holder, [], bench.past_document, seen=may_see)),
        "may_mount": may(person, "holder.mount"),
        "may_keep": may(person, "holder.keep"),
        "at_hand": not in_vacuum and not holder.retired_at,
        "tried": tried,
    }


def _try(mounts, places):
    """Mounts as they would lie; which were moved."""
    moved = []
    for mount in mounts:
        if places and mount.pk in places:
            mount.x_mm, mount.y_mm, mount.rotation_deg = places[mount.pk]
            moved.append(mount)
    return moved


def _row(mount, seen, heights):
    id_ = f"p{mount.position}"
    return {
        "mount": mount,
        "seen": seen,
        "focus": heights.focus_mm.get(id_) if heights else None,
    }


def _handles(mounts):
    """What a finger may take hold of on the drawing: key, place and outline in mm."""
    return [
        {
            "mount": mount,
            "place": f"{mount.x_mm:g},{mount.y_mm:g},{mount.rotation_deg:g}",
            "width": mount.sample.diameter_mm or mount.sample.width_mm,
            "height": mount.sample.diameter_mm or mount.sample.height_mm,
            "round": mount.sample.shape == "disc",
        }
        for mount in mounts
    ]


def _counts(findings):
    """How many of each severity, in words, gravest first."""
    words = {"staff": "ask staff"}
    counted = [
        (sum(one.severity == severity for one in findings), words.get(severity, severity))
        for severity in reversed(SEVERITIES)
    ]
    return ", ".join(f"{count} {word}" for count, word in counted if count) or "none"


AT_LEAST = ("GEO-03", "XCN-01", "HGT-04", "MNT-02", "HGT-03")


def _remarks(holder, mounts, findings):
    """Findings with their flags: what was answered, and who may lift them."""
    keys = {id(finding): key for key, finding in flag.keys_of(holder, mounts, findings)}
    rows = flag.of_holder(holder, mounts, findings)
    remarks = []
    for finding in findings:
        key = keys.get(id(finding), "")
        row = rows.get(f"{key}|{STOP}") or rows.get(key)
        rule = RULES.get(finding.rule)
        remarks.append(
            {
                "finding": finding,
                "flag": row,
                "answered": row if row and row.answer else None,
                "waits": row if row and not row.answer and not row.cleared_at else None,
                "override": rule.override if rule else "staff",
                "grave": rank(finding.severity) > rank("warn"),
                "at_least": finding.rule in AT_LEAST,
                "note": finding.severity == NOTE,
            }
        )
    return remarks


def waiting_samples(person):
    """What may be mounted next: this person's and their group's samples that lie ready."""
    rows = Sample.objects.not_mounted_by(person)
    if person.is_house_staff and not rows.exists():
        rows = Sample.objects.kept().unmounted()
    return list(rows.select_related("owner")[:TO_CHOOSE_FROM])


_BY_FORM = {
    "powder": "copper tape",
    "porous powder": "copper tape",
    "electrode": "carbon tape",
    "fibre": "tantalum clip",
    "residue": "silicon wafer",
}


def usual_mountings(samples):
    """{sample's key: mounting} of many samples in one query."""
    last = dict(
        Mount.objects.filter(sample__in=samples).order_by("since").values_list("sample", "mounting")
    )
    return {row.pk: last.get(row.pk) or _BY_FORM.get(row.form, "tantalum clip") for row in samples}


def holder_under(sample):
    """The holder that a sample lies on, or None."""
    standing = sample.mounts.standing().select_related("holder__type").first()
    return standing.holder if standing else None


def staff_to_ask():
    """Named staff who may be asked by a link."""
    return Person.objects.staff_of_the_house()


# Neighbours


def neighbours(sample, person):
    """What lay beside a sample: on which holder, when, how near; class only across groups."""
    own = list(sample.mounts.select_related("holder__type").order_by("-since")[:12])
    if not own:
        return []
    beside = (
        Mount.objects.filter(holder__in={mount.holder_id for mount in own})
        .exclude(sample=sample)
        .filter(since__lt=max(m.until or _FAR for m in own))
        .select_related("sample__group")
        .order_by("-since")[:400]
    )
    may_see, found = seen_by(person), []
    for mount in own:
        for other in beside:
            if other.holder_id != mount.holder_id or not _together(mount, other):
                continue
            found.append(
                SimpleNamespace(
                    holder=mount.holder,
                    since=max(mount.since, other.since),
                    mount=other,
                    seen=may_see(other.sample),
                    gap_mm=geometry.gap(_spot(mount), _spot(other)),
                )
            )
    return found[:40]


def _together(one, other):
    return (other.until is None or other.until > one.since) and (
        one.until is None or other.since < one.until
    )


def _spot(mount):
    size = bench.footprint_of(
        mount.sample, x_mm=mount.x_mm, y_mm=mount.y_mm, rotation_deg=mount.rotation_deg
    )
    return Footprint(**size)


_FAR = datetime(9999, 1, 1, tzinfo=UTC)


# Facts of a sample in vacuum


def residence(sample):
    """Loads that a sample was in, newest first, each with its `stay`."""
    mounts = list(sample.mounts.order_by("-since")[:12])
    loads = list(
        Load.objects.carrying(mounts)
        .select_related("instrument", "holder")
        .order_by("-loaded_at")[:12]
    )
    for load in loads:
        load.stay = stayed(load)
    return loads


def in_vacuum():
    """Every load that is inside now, with its place, samples and the pump-down that runs."""
    loads = list(
        Load.objects.inside()
        .select_related("instrument", "holder__type", "loaded_by")
        .order_by("loaded_at")
    )
    places = dict(
        Whereabouts.objects.now()
        .filter(holder__in=[load.holder_id for load in loads])
        .values_list("holder", "place__name")
    )
    pumping = set(PumpDown.objects.running().filter(load__in=loads).values_list("load", flat=True))
    mounts = {}
    for mount in (
        Mount.objects.standing()
        .filter(holder__in=[load.holder_id for load in loads])
        .select_related("sample__owner", "sample__group")
        .order_by("position")
    ):
        mounts.setdefault(mount.holder_id, []).append(mount)
    return [
        SimpleNamespace(
            load=load,
            stay=stayed(load),
            place=places.get(load.holder_id, "not recorded"),
            mounts=mounts.get(load.holder_id, []),
            pumping=load.pk in pumping,
        )
        for load in loads
    ]


def _layer_times():
    """(pressure, gas, time until a clean surface carries one layer) in words, sticking 1."""
    for words, pascal in (("1 × 10⁻⁶ torr", 1.333e-4), ("1 × 10⁻⁹ torr", 1.333e-7)):
        for name, molar_mass in (("water", 0.018015), ("nitrogen", 0.028013)):
            seconds = float(gas.monolayer_time(gas.impingement(pascal, molar_mass)))
            told = f"{seconds:.1f} s" if seconds < 120 else f"{seconds / 60:.0f} min"
            yield words, name, told


MONOLAYERS = tuple(_layer_times())


def stayed(load):
    """How long a load was or has been in vacuum."""
    return (load.taken_out_at or timezone.now()) - load.loaded_at


def hazards(samples):
    """{hazard: samples} of what is in the building, each with its place; several hazards, several lines."""
    found = {}
    rows = samples.hazardous().with_place().select_related("owner", "group").order_by("declared_at")
    for row in rows:
        for hazard in bench.declared_of(row).hazards:
            found.setdefault(hazard.lower(), []).append(row)
    return dict(sorted(found.items()))


def photographs_of_sample(sample, person):
    """Photographs of holders, taken while this sample lay on them."""
    mounts = list(sample.mounts.order_by("-since")[:12])
    rows = HolderPhoto.objects.during(mounts).select_related("photo__by", "by", "holder")[:6]
    return [row for row in rows if may(person, "photo.see", row.photo)]


def photographs(holder, person):
    """The newest photographs of a holder that this person may see."""
    rows = holder.photos.select_related("photo__by", "by")[:6]
    return [row for row in rows if may(person, "photo.see", row.photo)]
