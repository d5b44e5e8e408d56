"""What an instrument's chambers remember: loads that may still come off their walls."""

from bookings.models import Load
from facility.models import Chamber
from samples.matter.declared import CLEANED_WITH_A_BLANK, Past
from samples.memory import WHAT, kinds_of
from samples.models import Cleaning

LOOKED_BACK = 60  # loads; a few months of one instrument, own proposal


def pasts_of(instrument):
    """Every Past of an instrument's chambers: what creeps or evaporates, until cleaned and blank."""
    if instrument is None:
        return ()
    last = (
        Cleaning.objects.filter(chamber__instrument=instrument)
        .exclude(blank="")
        .values_list("at", flat=True)
        .first()
    )
    loads = Load.objects.filter(instrument=instrument).exclude(taken_out_at=None)
    if last:
        loads = loads.filter(taken_out_at__gt=last)
    found = []
    for layout, out in loads.values_list("layout", "taken_out_at")[:LOOKED_BACK]:
        for kinds in kinds_of(layout).values() if layout.get("mounts") else ():
            found += [
                Past(WHAT[kind], kind, f"{out:%d %b %Y}", where="chamber")
                for kind in kinds
                if kind in CLEANED_WITH_A_BLANK
            ]
    return tuple({past.kind: past for past in reversed(found)}.values())


def introduction_of(instrument):
    """The chamber that is cleaned with a record."""
    return Chamber.objects.get(instrument=instrument, kind=Chamber.Kind.INTRODUCTION)
