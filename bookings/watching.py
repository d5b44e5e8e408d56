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
from facility.vacuum import drift

REFERENCE = drift.FEWEST  # runs of a phase that say what is usual
KEPT = 170  # runs of a phase that are looked at together
JUDGED_AFTER = REFERENCE + drift.SHORTEST


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
    return [
        (by_key[alarm.run_id], by_key[alarm.since_run_id], alarm)
        for alarm in drift.alarms(
            runs[:REFERENCE], runs[REFERENCE:], chamber.instrument.threshold_pa, unit
        )
    ]


@transaction.atomic
def _store(chamber, found, looked_to, newest, now):
    Chamber.objects.select_for_update().get(pk=chamber.pk)
    stored = []
    for run, first, alarm in found:
        if looked_to is not None and run.ended_at <= looked_to:
            continue
        row, new = Drift.objects.get_or_create(
            chamber=chamber, run=run.pk,
            defaults={
                "found_at": run.ended_at, "recorded_at": run.ended_at if looked_to is None else now,
                "since": first.started_at, "change": alarm.change,
                "leak": "constant pressure" in alarm.says, "per_week": alarm.per_week,
                "says": alarm.says[:400], "first_run": first.pk,
            },
        )  # fmt: skip
        if new:
            stored.append(row)
    VacuumWatch.objects.update_or_create(chamber=chamber, defaults={"looked_to": newest})
    return stored
