"""Sheet two of the weekly review: pump-downs in a row, checks, upkeep, stores, people, numbers."""

from dataclasses import dataclass, field
from datetime import UTC, date, timedelta

import numpy as np
from django.template.loader import render_to_string
from django.utils import timezone

from bookings import health, learning, planning, pump, stores
from bookings.models import PumpDown, Reading
from facility import chart, qualify
from facility.models import Chamber
from facility.vacuum.chances import candidates
from facility.vacuum.learning import past_of
from facility.vacuum.pumpdown import FIRST_S, basis
from facility.vacuum.runs import Run

IN_A_ROW = 9
SHOWN_S = 3600.0  # of each pump-down: its first hour
BAND_POINTS = 24
MOST_READINGS = 20_000
FEWEST_RUNS = 5
PEOPLE_AHEAD = timedelta(days=27)
ROWS = 7  # of one table, so that everything stays on its sheet


@dataclass
class Table:
    """A small table of the sheet: heading, what stands beside it, column words, rows of text."""

    heading: str
    beside: str = ""
    columns: list = field(default_factory=list)
    rows: list = field(default_factory=list)
    url: str = ""
    more: int = 0
    empty: str = "Nothing yet."

    def __post_init__(self):
        self.rows = [[shorter(cell) for cell in row] for row in self.rows]
        self.more = max(len(self.rows) - ROWS, 0)
        self.rows = self.rows[:ROWS]


def shorter(text, most=34):
    """A cell that fits its column; the page that it comes from has the whole.

    >>> shorter("a" * 40)[-1], shorter("9 days")
    ('…', '9 days')
    """
    return text if len(text) <= most else f"{text[: most - 1].rstrip()}…"


def of_week(instrument, week, traces, lines, *, booked, whole=True):
    """Sheet two of a week, rendered: (html, the numbers as one sentence).

    Takes:   booked, the stretches that people had booked; whole, False where the week is only looked into: numbers, and how to get the rest.
    """
    runs = _runs(instrument, week)
    numbers = hours(week, traces, booked)
    context = {"week": week, "count": len(runs), "whole": whole, "tables": [numbers]}
    if whole:
        context["drawing"] = side_by_side(instrument, runs, lines)
        watched = _watched(instrument, week.end)
        context["tables"] = [*watched, people(instrument, week), numbers]
    html = render_to_string("bookings/review_figures.html", context)
    return html, sentence(traces, len(runs))


# Pump-downs


def _runs(instrument, week):
    """The week's pump-downs with a load, in order."""
    return list(
        PumpDown.objects.filter(
            chamber__instrument=instrument,
            chamber__kind=Chamber.Kind.INTRODUCTION,
            load__isnull=False,
            started_at__gte=week.start,
            started_at__lt=week.end,
        )
        .select_related("chamber", "load__holder")
        .order_by("started_at")[:200]
    )


def side_by_side(instrument, runs, lines):
    """The last nine of the week's pump-downs drawn side by side; None where there are none."""
    shown = runs[-IN_A_ROW:]
    if not shown:
        return None
    gauges = pump.gauges_of(instrument, Chamber.Kind.INTRODUCTION)
    curves = _curves(shown, gauges)
    bands = _bands(shown, instrument)
    odd = {line.key for line in lines}
    small = [
        chart.SmallRun(
            curve=curves[run.pk],
            word=f"{timezone.localtime(run.started_at):%a %H:%M}",
            band=bands.get(run.pk),
            odd=f"pump-down|{run.pk}" in odd or bool(run.cooked.get("unusual")),
            url=run.load.get_absolute_url(),
        )
        for run in shown
    ]
    return chart.pump_downs_in_a_row(
        small,
        unit=gauges[0].unit if gauges else "Pa",
        until_s=SHOWN_S,
        says=f"{len(shown)} pump-downs of the week side by side, one minute to one hour",
    )


def _curves(runs, gauges):
    """The first hour of each run as (seconds, pascal), from one query."""
    if not gauges:
        return {run.pk: [] for run in runs}
    spans = {run.pk: _until(run) for run in runs}
    rows = Reading.objects.in_stretches(gauges, [(r.started_at, spans[r.pk]) for r in runs])
    found = {run.pk: [] for run in runs}
    for at, pascal in rows.values_list("at", "pressure_pa")[:MOST_READINGS]:
        for run in runs:
            if run.started_at <= at <= spans[run.pk] and pascal:
                found[run.pk].append(((at - run.started_at).total_seconds(), pascal))
    return found


def _until(run):
    hour = run.started_at + timedelta(seconds=SHOWN_S)
    return min(hour, run.ended_at) if run.ended_at else hour


def _bands(runs, instrument):
    """Where 8 of 10 such loads run, for each run; nothing before a few runs were learned."""
    learned = learning.known(runs[0].chamber, instrument.threshold_pa)
    if learned.runs < FEWEST_RUNS:
        return {}
    times = np.geomspace(max(FIRST_S, 60.0), SHOWN_S, BAND_POINTS)
    weights = basis(np.log(times))
    nothing, no_words = np.array([], dtype=float), np.array([], dtype=object)
    found = {}
    for run in runs:
        bare = Run(
            run_id=str(run.pk),
            instrument=str(run.chamber_id),
            started_at=run.started_at,
            form=run.form,
            samples=run.samples,
            vent_minutes=run.vent_minutes,
            t_s=nothing,
            pressure_pa=nothing,
            gauge=no_words,
            source=no_words,
            event=no_words,
        )
        means, spreads, _ = candidates(
            learned.curves, learned.reasons, learned.past, past_of([bare])
        )
        middle = weights @ means[0]
        sd = np.sqrt(np.einsum("nk,kl,nl->n", weights, spreads[0], weights))
        low, high = (
            np.exp(middle + side * learning.HALF_BAND * sd) * learned.threshold_pa
            for side in (-1, 1)
        )
        found[run.pk] = chart.Band(times, low, high)
    return found


# What other modules watch


def _watched(instrument, at):
    """Checks, upkeep and stores."""
    found = health.health_table(instrument, at)
    yield _checks(found["checks"])
    yield _upkeep(found["upkeep"], found["parts"])
    yield _stores(stores.stock_table(instrument, at))


def _checks(rows):
    return Table(
        "Checks",
        "",
        ["Check", "Found", "Off by", "State"],
        [
            [str(row.get(word) or "") for word in ("name", "found", "off", "state")]
            for row in rows
        ],
        empty="No check is set up yet.",
    )  # fmt: skip


def _upkeep(rows, parts):
    due = sum(bool(row.get("state")) for row in rows)
    kept = [[row["name"], str(row.get("due") or ""), str(row.get("left") or "")] for row in rows]
    used = [[row["name"], "in use", str(row.get("use") or "")] for row in parts]
    return Table(
        "Upkeep",
        f"{due} due or soon" if due else "",
        ["Upkeep", "Due", "Left or used"],
        (kept + used[: max(ROWS - len(kept), 2)])[:ROWS],
        empty="No upkeep is set up yet.",
    )


def _stores(rows):
    asks = sum(bool(row.get("says")) for row in rows)
    return Table(
        "Stores",
        f"{asks} ask for something" if asks else "",
        ["Stores", "Left", "Lasts until"],
        [[row["name"], str(row.get("left") or ""), _lasts(row.get("lasts"))] for row in rows],
        empty="Nothing is kept count of yet.",
    )


def _lasts(day):
    if day is None:
        return ""
    return f"{day.day} {day:%b %Y}" if isinstance(day, date) else str(day)


# People and numbers


def people(instrument, week):
    """Whose level ends within four weeks of the week's end."""
    first = timezone.localdate(week.end)
    rows = [
        row
        for row in qualify.lapsing(first, PEOPLE_AHEAD)
        if row.instrument_id == instrument.pk
    ]  # fmt: skip
    rows.sort(key=lambda row: row.last_day)
    return Table(
        "People",
        f"{len(rows)} end within four weeks" if rows else "",
        ["Person", "Level", "Ends"],
        [
            [str(row.person), row.get_level_display(), f"{row.last_day.day} {row.last_day:%b}"]
            for row in rows
        ],
        empty="No level ends within four weeks.",
    )


def _hours(week, traces, booked):
    """(booked, used) hours inside the week."""
    used = [(row.opened_at, row.closed_at or week.end) for row in traces.sessions]
    start, end = week.start.astimezone(UTC), week.end.astimezone(UTC)
    return planning.hours_of(booked, start, end), planning.hours_of(used, start, end)


def hours(week, traces, booked):
    """Sessions, loads, hours booked and used."""
    booked, used = traces.hours = _hours(week, traces, booked)
    return Table(
        "Numbers",
        "",
        ["What", "This week"],
        [
            ["Sessions", str(len(traces.sessions))],
            ["Loads", str(len(traces.loads))],
            ["Hours booked", f"{booked:.0f} h"],
            ["Hours used", f"{used:.0f} h"],
        ],
    )


def sentence(traces, pumped):
    """11 sessions, 46 h booked, 41 h used, 9 pump-downs."""
    booked, used = traces.hours
    count = len(traces.sessions)
    return (
        f"{count} session{'' if count == 1 else 's'}, {booked:.0f} h booked, {used:.0f} h used, "
        f"{pumped} pump-down{'' if pumped == 1 else 's'}"
    )
