"""Hours of parts and doses of gauges, counted from what was done at the instruments: running totals.

What is recorded later than its neighbours were counted changes the totals by what it changes.
tick counts what was recorded since the last time, so no page and no tick grows with the years. What
a step ended is sure; what only a look or a fault ended is counted too, and told apart.
"""

import json
from datetime import datetime, timedelta

from django.db import transaction
from django.utils import timezone

from bookings import recount
from bookings.models import Reading
from facility import keep_up
from facility.models import Instrument, Part, PartLife, UseCount, UseMark
from facility.vacuum.gauges import dose

AT_ONCE = 1000  # entries that one tick counts of an instrument
MOST_READINGS = 3000  # of one gauge between switching on and off
TELLING = ("step", "looked", "happened anyway", "event", "fault")
COLD_CATHODE_BELOW = 1.0  # Pa; a combined gauge's cold cathode is dark above (1e-2 mbar)


@transaction.atomic
def count_use(instrument, now=None, most=AT_ONCE):
    """Count the next entries into the lives of the parts; returns how many entries were read."""
    now = now or timezone.now()
    instrument = Instrument.objects.select_for_update().get(pk=instrument.pk)
    count, _ = UseCount.objects.get_or_create(instrument=instrument)
    rows = keep_up.entries_after(instrument, count.last_entry, TELLING, most)
    parts = list(
        Part.objects.filter(instrument=instrument)
        .exclude(counts=Part.Counts.CALENDAR)
        .select_related("gauge")
    )
    lives = {}
    for life in PartLife.objects.filter(part__in=parts).order_by("began_at"):
        lives.setdefault(life.part_id, []).append(life)
    lines = sorted((at, pk, kind, body) for pk, kind, at, body in rows)
    late = [line for line in lines if count.newest_at and line[0] < count.newest_at]
    if late:
        _count_late(instrument, parts, lives, late, count.last_entry)
    marked = _last_mark(instrument)
    for at, _, kind, body in lines[len(late) :]:
        marked = _mark_weeks(lives, marked, at)
        if body:
            sets, sure = _sets(kind, body)
            for part in parts:
                _take(part, lives.get(part.pk, []), sets, sure, at)
    if rows:
        count.last_entry = max(pk for pk, *_ in rows)
        count.newest_at = max(filter(None, (count.newest_at, lines[-1][0])))
        count.save(update_fields=["last_entry", "newest_at"])
    if len(rows) < most:  # nothing waits: the marks go up to now
        _mark_weeks(lives, marked, now)
    for life in (life for of in lives.values() for life in of):
        life.save(update_fields=["seconds", "unsure_seconds", "dose_pa_s", "on_since"])
    return len(rows)


def _count_late(instrument, parts, lives, late, last):
    """Add what late entries change; a stretch counts for the piece that was in when it began."""
    start = late[0][0] - recount.LOOKED_BACK
    counted = recount.counted_between(instrument, start, last, TELLING)
    for part in parts:
        of_part = lives.get(part.pk, [])
        running = next((life.on_since for life in of_part if life.on_since), None)
        add, away, on_since, changed = recount.differences(
            part, counted, late, _sets, running=running
        )
        for sign, rows in ((1, add), (-1, away)):
            for begun, ended, sure in rows:
                if life := _life_at(of_part, begun):
                    _add(part, life, begun, ended, sure, sign)
        if changed and (life := _life_at(of_part, on_since or late[-1][0])):
            life.on_since = on_since


def _life_at(lives, at):
    return next((row for row in lives if row.began_at <= at and (row.ended_at or at) >= at), None)


def _add(part, life, start, end, sure, sign=1):
    lasted = max((end - start).total_seconds(), 0.0)
    life.seconds = max(life.seconds + sign * lasted, 0.0)
    if not sure:
        life.unsure_seconds = max(life.unsure_seconds + sign * lasted, 0.0)
    if part.counts == Part.Counts.DOSE and part.gauge:
        seen = sign * dose_between(part.gauge, start, end)
        life.dose_pa_s = max(life.dose_pa_s + seen, 0.0)


def _sets(kind, body):
    """What an entry says of devices, and whether somebody did it rather than found it so."""
    data = json.loads(body)["data"]
    if kind == "fault":
        return (None if data.get("devices_unknown") else {}), False
    sets = data.get("sets") or {}
    return sets, kind == "step" or kind == "happened anyway"


def _take(part, lives, sets, sure, at):
    """One entry's word about one part."""
    life = _life_at(lives, at)
    if life is None or not part.device:
        return
    state = None if sets is None else sets.get(part.device, "")
    if state == "":
        return
    if state in part.on_states and sets is not None:
        if life.on_since is None and not (life.ended_at and life.ended_at <= at):
            life.on_since = at
    elif life.on_since is not None:
        _went_off(part, life, at, sure)


def _went_off(part, life, at, sure):
    start, life.on_since = life.on_since, None
    _add(part, life, start, at, sure)


def dose_between(gauge, start, end):
    """Dose [Pa s] of a gauge that was on from `start` to `end`, from its readings.

    The first reading stands for the time before it, the last for the time after it.
    """
    rows = list(
        Reading.objects.of([gauge], start, end)
        .exclude(pressure_pa=None)
        .values_list("at", "pressure_pa")[:MOST_READINGS]
    )
    rows = [(at, pressure) for at, pressure in rows if pressure <= COLD_CATHODE_BELOW]
    if not rows or end <= start:
        return 0.0
    rows = [(start, rows[0][1]), *rows, (end, rows[-1][1])]
    times = [(at - start).total_seconds() for at, _ in rows]
    return dose(times, [pressure for _, pressure in rows])


def _last_mark(instrument):
    last = UseMark.objects.filter(life__part__instrument=instrument).order_by("-at").first()
    return last.at if last else None


def _monday(at):
    local = timezone.localtime(at)
    day = local.date() - timedelta(days=local.weekday())
    return timezone.make_aware(datetime(day.year, day.month, day.day))


def _mark_weeks(lives, marked, at):
    """A mark for the newest Monday that has passed at `at`, before what happened at `at` counts."""
    monday = _monday(at)
    if marked is not None and monday <= marked:
        return marked
    rows = []
    for life in (life for of in lives.values() for life in of):
        if life.began_at <= monday and (
            life.ended_at is None or marked is None or life.ended_at > marked
        ):
            running = life.on_since and life.on_since < monday
            more = (monday - life.on_since).total_seconds() if running else 0.0
            rows.append(
                UseMark(life=life, at=monday, seconds=life.seconds + more, dose_pa_s=life.dose_pa_s)
            )
    UseMark.objects.bulk_create(rows, ignore_conflicts=True)
    return monday
