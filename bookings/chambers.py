"""What an instrument's chambers remember: loads that may still come off their walls, until cleaned.

One memory an instrument: a load passes through every chamber, and the blank that clears it goes
the same way in.
"""

from dataclasses import dataclass

from django.utils import timezone

from bookings.models import Flag, Load
from samples.matter.declared import CLEANED_WITH_A_BLANK, Past
from samples.memory import ANOTHER_GROUPS, WHAT, kinds_of
from samples.models import Cleaning

LOOKED_BACK = 60  # loads; a few months of one instrument, own proposal
REFRESHED = 40  # holders whose flags a cleaning can clear at once


@dataclass(frozen=True)
class Remembered:
    """The newest load of one kind of risk, and whether the chambers were cleaned since."""

    what: str
    past: Past
    load: Load


def remembered(instrument, *, seen=None):
    """What creeps or evaporates and no blank has cleared since, the newest load of each kind.

    Takes: seen, a function that says whether the reader may know what a sample is (None: all).
    """
    if instrument is None:
        return []
    records = Cleaning.objects.of_chambers(instrument)
    last_blank = records.exclude(blank="").values_list("at", flat=True).first()
    last = records.values_list("at", flat=True).first()
    loads = Load.objects.filter(instrument=instrument).exclude(taken_out_at=None)
    if last_blank:
        loads = loads.filter(taken_out_at__gt=last_blank)
    newest = {}
    for load in loads.select_related("holder__type").order_by("-taken_out_at")[:LOOKED_BACK]:
        for id_, kinds in kinds_of(load.layout).items() if load.layout.get("mounts") else ():
            for kind in sorted(CLEANED_WITH_A_BLANK & set(kinds)):
                newest.setdefault(kind, (load, id_))
    return [_remembered(kind, *found, last, seen) for kind, found in newest.items()]


def _remembered(kind, load, id_, cleaned_at, seen):
    what = WHAT[kind]
    if seen is not None:
        there = {f"p{mount.position}": mount.sample for mount in load.mounts_inside()}
        what = what if id_ in there and seen(there[id_]) else ANOTHER_GROUPS
    when = f"{timezone.localtime(load.taken_out_at):%d %b %Y}"
    cleaned = cleaned_at is not None and cleaned_at >= load.taken_out_at
    return Remembered(what, Past(what, kind, when, cleaned=cleaned, where="chamber"), load)


def pasts_of(instrument, *, seen=None):
    """Every Past of an instrument's chambers: what creeps or evaporates, until cleaned and blank."""
    return tuple(one.past for one in remembered(instrument, seen=seen))


def holders_that_wait():
    """Holders on which a memory waits for an answer: a cleaning may clear it."""
    rows = Flag.objects.waiting().filter(rule="MEM-01", holder__isnull=False)
    found = {row.holder_id: row.holder for row in rows.select_related("holder__type")}
    return list(found.values())[:REFRESHED]
