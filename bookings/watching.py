"""Whether the pump-downs of a chamber have changed slowly: looked at run by run, kept as rows.

A phase (bake, vent, pump, gauge or seal) begins the watch anew: its first runs say what is usual.
"""

from itertools import pairwise

from django.db import transaction
from django.utils import timezone

from bookings import learning, pump
from bookings.models import PumpDown
from facility.check_sorts import OF_PUMP_DOWNS
from facility.models import Chamber, Drift, Event, VacuumWatch
from facility.vacuum import drift, ramps

REFERENCE = drift.FEWEST  # runs of a phase that say what is usual
KEPT = 170  # runs of a phase that are looked at together
JUDGED_AFTER = REFERENCE + ramps.SHORTEST


def look(chamber, now=None):
    """Look at what ended since the last time; returns the new drifts.

    The computation holds no lock; what it found is stored under one, once a run.
    """
    now = now or timezone.now()
    watch = VacuumWatch.objects.filter(chamber=chamber).first()
    ended = PumpDown.objects.ended().filter(chamber=chamber, load__isnull=False, ended_at__lte=now)
    newest = ended.order_by("-ended_at").first()
    if newest is None or (watch and newest.ended_at <= watch.looked_to):
        return []
    new = ended.filter(ended_at__gt=watch.looked_to) if watch else ended
    oldest = new.order_by("started_at").first()
    found = []
    for start, end in phases_from(chamber, oldest.started_at, now):
        found += _of_phase(chamber, ended, start, end)
    looked_to = watch.looked_to if watch else None
    return _store(chamber, found, looked_to, newest.ended_at, now)


def phases_from(chamber, moment, now):
    """(start, end) of the phases of a chamber that reach beyond `moment`; None where open."""
    cuts = [
        event.at
        for event in Event.objects.of(chamber.instrument).filter(
            kind__in=OF_PUMP_DOWNS, at__lte=now
        )
        if event.chamber_id in (None, chamber.pk)
    ]
    edges = [None, *cuts, None]
    return [(a, b) for a, b in pairwise(edges) if b is None or b > moment]


def _of_phase(chamber, ended, start, end):
    rows = ended.select_related("chamber__instrument").order_by("started_at")
    rows = rows.filter(started_at__gte=start) if start else rows
    rows = rows.filter(started_at__lt=end) if end else rows
    first = list(rows[:REFERENCE])
    last = list(rows.order_by("-started_at")[: KEPT - REFERENCE])[::-1]
    kept = first + [row for row in last if row.started_at > first[-1].started_at] if first else []
    if len(kept) < JUDGED_AFTER:
        return []
    gauges = pump.gauges_of(chamber.instrument, chamber.kind)
    runs = [learning.run_of(row) for row in kept]
    unit = gauges[0].unit if gauges else "mbar"
    by_key = {str(row.pk): row for row in kept}
    threshold, watched = chamber.instrument.threshold_pa, kept[REFERENCE:]
    sizes = drift.heights(runs[:REFERENCE], runs[REFERENCE:], threshold)
    rows = []
    for alarm in drift.alarms(runs[:REFERENCE], runs[REFERENCE:], threshold, unit):
        seen = watched.index(by_key[alarm.run_id])
        leak, sign = "constant pressure" in alarm.says, 1 if alarm.change == "slower" else -1
        told, faded = _when(sizes, seen, int(leak), sign)
        if told is not None:
            rows.append(_row(watched, by_key[alarm.since_run_id], told, faded, leak, alarm))
    return rows + _step(watched, sizes, rows)


def _when(sizes, seen, way, sign):
    """From which run on a ramp is sure, and from which it is gone; None for never."""
    told = None
    for place in range(seen, len(sizes)):
        height = drift.stands(sizes[: place + 1], way, sign)
        if told is None and height >= drift.SURE:
            told = place
        elif told is None and place - seen > ramps.PAUSE:
            return None, None
        elif told is not None and height < drift.FADED:
            return told, place
    return told, None


def _row(watched, first, told, faded, leak, alarm):
    return {
        "run": watched[told].pk,
        "found_at": watched[told].ended_at,
        "faded_at": None if faded is None else watched[faded].ended_at,
        "since": first.started_at,
        "first_run": first.pk,
        "change": alarm.change,
        "leak": leak,
        "per_week": alarm.per_week,
        "says": alarm.says[:400],
    }


def _step(watched, sizes, before):
    """A sudden change, where no slow one was told earlier."""
    step = drift.first_step(sizes)
    if step is None or any(row["found_at"] <= watched[step[0]].ended_at for row in before):
        return []
    last, first, sign = step
    _, faded = _when(sizes, last, 0, sign)
    start = watched[first]
    alarm = drift.Alarm("", "", *_step_words(sign))
    return [_row(watched, start, last, faded, False, alarm)]


def _step_words(sign):
    if sign < 0:
        return "faster", 0.0, (
            "all at once: three runs in a row read far too low. After no bake or repair, a gauge "
            "that reads low is the likeliest reason; compare with a second one."
        )  # fmt: skip
    return "slower", 0.0, (
        "all at once: three runs in a row lie far above the usual. A leak, a pump or a valve: a "
        "rise with the pump isolated tells a leak from the others."
    )  # fmt: skip


@transaction.atomic
def _store(chamber, found, looked_to, newest, now):
    Chamber.objects.select_for_update().get(pk=chamber.pk)
    stored = []
    for row in found:
        standing = Drift.objects.filter(chamber=chamber, run=row["run"]).first()
        if standing:
            if standing.faded_at is None and row["faded_at"]:
                standing.faded_at = row["faded_at"]
                standing.save(update_fields=["faded_at"])
        elif looked_to is None or row["found_at"] > looked_to:
            recorded = row["found_at"] if looked_to is None else now
            stored.append(Drift.objects.create(chamber=chamber, recorded_at=recorded, **row))
    VacuumWatch.objects.update_or_create(chamber=chamber, defaults={"looked_to": newest})
    return stored
