"""How well an instrument is: checks, charts, pump-downs, parts and upkeep, and what needs a person.

Everything can be asked as it was known at an earlier moment: what was recorded later is left out.
"""

from dataclasses import dataclass
from datetime import timedelta
from itertools import pairwise

from django.db.models import OuterRef, Subquery
from django.urls import reverse
from django.utils import timezone

from bookings import check_charts
from bookings.lines import Line
from facility import calibration, keep_up
from facility.check_sorts import DUE_AFTER, OF_PUMP_DOWNS
from facility.findings import NOTE, STAFF, WARN
from facility.models import Check, CheckKind, Drift, Event, Part, PartLife
from facility.vacuum.gauges import DOSE_SERVICE, DOSE_WARN, MBAR_HOUR, dose_sentence

SPOKEN = ("CAL-01", "CAL-03", "MEM-02")  # rules of flags that review_lines speaks of itself
EVENTS = 60  # that are looked back at
DRIFTS = 12
FITTED = 4  # checks from which the drift of a line is taken
WHAT_TO_DO = {
    "energy": "Clean the metals and repeat. Both lines off the same way: the work function; "
    "one end only: the linearity. Then adjust.",
    "blank": "See it on a second spot; then ask what was inside before.",
    "base": "Compare with the other gauge; then bake, or look for a leak.",
    "rise": "Compare with the last good rise; search for the leak.",
    "leak": "Close it, then take a rise again.",
    "gas": "Take a rise with the pump isolated; search for the leak.",
}
OVERDUE_BY = timedelta(days=1)
DRIFT_SOURCE = "against this instrument's own pump-downs, adjusted for form, samples and vent"


@dataclass
class KindNow:
    """A kind of check as it stands: the last check, when the next is due, its charts."""

    kind: CheckKind
    last: Check | None
    due: calibration.Due
    series: list
    now: object

    @property
    def is_due(self):
        return self.due.at is not None and self.due.at <= self.now

    @property
    def is_overdue(self):
        return self.is_due and self.now - self.due.at > OVERDUE_BY

    @property
    def is_never(self):
        return self.last is None and self.due.at is None

    @property
    def signal(self):
        """The series whose newest values say that something changed, twice; or None."""
        return next((one for one in self.series if one.chart.confirmed), None)

    @property
    def to_repeat(self):
        """The series that waits for a repeat, or None."""
        return next((one for one in self.series if one.chart.waits), None)


def kinds_now(instrument, at=None, kinds=None, events=None):
    """Every kind of check of an instrument as known at `at`; three or four queries."""
    now = at or timezone.now()
    if kinds is None:
        kinds = CheckKind.objects.in_use(at).filter(instrument=instrument)
        kinds = list(kinds.select_related("source", "gauge", "chamber"))
    last = _last_checks(kinds, at)
    values = check_charts.values_of(kinds, at)
    events = events_of(instrument, at) if events is None else events
    found = []
    for kind in kinds:
        series = check_charts.charted(kind, values, events)
        done = last.get(kind.pk)
        due = calibration.next_due(
            done.at if done else None,
            timedelta(days=kind.every_days) if kind.every_days else None,
            [(event.at, event.get_kind_display()) for event in events
             if event.kind in DUE_AFTER[kind.sort] and (done or event.at > kind.made_at)],
            drift=_drift_of(series) if kind.sort == "energy" else None,
            tolerance=kind.tolerance_ev,
        )  # fmt: skip
        found.append(KindNow(kind, done, due, series, now))
    return found


def events_of(instrument, at=None):
    """The last events of an instrument, oldest first."""
    return list(
        Event.objects.of(instrument, at).select_related("by").order_by("-at", "-pk")[:EVENTS]
    )[::-1]


def _last_checks(kinds, at):
    known = Check.objects.known(at).filter(kind=OuterRef("pk")).order_by("-at", "-pk")
    keys = CheckKind.objects.filter(pk__in=[kind.pk for kind in kinds]).values(
        last=Subquery(known.values("pk")[:1])
    )
    return {row.kind_id: row for row in Check.objects.filter(pk__in=keys).select_related("by")}


def _drift_of(series):
    """(error, eV a day) of the line that moves most surely, from the last checks of its phase."""
    found = []
    for one in series:
        rows = one.rows[one.chart.places[-1] :][-FITTED:] if one.rows else []
        if one.name not in calibration.REFERENCES or len(rows) < FITTED:
            continue
        steps = [b.value - a.value for a, b in pairwise(rows)]
        days = (rows[-1].at - rows[0].at) / timedelta(days=1)
        rises = all(step > 0 for step in steps) or all(step < 0 for step in steps)
        if rises and days > 0 and abs(sum(steps)) > 0.03:
            found.append((rows[-1].value, sum(steps) / days))
    return max(found, key=lambda pair: abs(pair[1]), default=None)


# What needs a person, in a week


def review_lines(instrument, week):
    """What needs a person in a week, as it was known when the week ended."""
    at = min(week.end, timezone.now())
    events, lives = events_of(instrument, at), keep_up.lives_then(instrument, at)
    kinds = kinds_now(instrument, at, events=events)
    lines = [line for now in kinds for line in _check_lines(now)]
    lines += _due_line(instrument, kinds)
    lines += _drift_lines(instrument, week, at, events)
    lines += _dose_lines(lives, at)
    lines += _upkeep_line(instrument, keep_up.standings(instrument, at, events=events, lives=lives))
    return lines


def _check_lines(now):
    """One line a kind: its last check where that is not within, else a chart that says so twice."""
    check, kind = now.last, now.kind
    if check is None:
        return
    if check.verdict in (Check.Verdict.WARN, Check.Verdict.STAFF):
        worst = _worst(now)
        count = _same_way(worst) if worst else 0
        says = check.says
        if count >= 3:
            says = f"{says} It has moved the same way in the last {count} checks."
        yield Line(
            key=f"checked|{kind.pk}",
            flag=f"check|{check.pk}",
            heading="vacuum" if kind.sort in ("base", "rise", "gas", "leak") else "scale",
            says=f"{says}",
            severity=STAFF if check.verdict == Check.Verdict.STAFF else WARN,
            do=WHAT_TO_DO.get(kind.sort, "Look at it, and repeat it."),
            rule=_rule_of(kind),
            source=f"{kind.name}; {kind.setting}; by {check.by}",
            since=check.at,
            url=kind.get_absolute_url(),
            drawing=check_charts.drawings(worst, small=True) if worst else None,
        )
    elif now.signal:
        yield Line(
            key=f"checked|{kind.pk}",
            flag=f"check|{check.pk}",
            heading="vacuum" if kind.sort in ("base", "rise", "gas") else "scale",
            says=f"{kind.name}: {now.signal.chart.says}",
            severity=WARN,
            do="Look what changed since; if nothing is found, adjust before it leaves its limits.",
            rule="CAL-03",
            source="individuals chart and weighted mean, confirmed by a repeat",
            since=check.at,
            url=kind.get_absolute_url(),
            drawing=check_charts.drawings(now.signal, small=True),
        )


def _worst(now):
    """The series to draw: the line that is farthest off, else the first."""
    lines = [one for one in now.series if one.name in calibration.REFERENCES]
    if now.kind.sort == "energy" and lines:
        return max(lines, key=lambda one: abs(one.rows[-1].value))
    high = (now.last.found or {}).get("high") or []
    return next((one for one in now.series if one.name in high), next(iter(now.series), None))


def _same_way(series):
    """In how many of the last checks the value moved the same way."""
    values = [row.value for row in series.rows[series.chart.places[-1] :]]
    count = 0
    for before, after in zip(values[-2::-1], values[:0:-1], strict=True):
        way = after - before
        if count == 0:
            first = way
        if way * first <= 0:
            break
        count += 1
    return count


def _rule_of(kind):
    return {"energy": "CAL-01", "blank": "MEM-02", "rise": "PMP-02"}.get(kind.sort, "")


def _due_line(instrument, kinds):
    spoken = (Check.Verdict.WARN, Check.Verdict.STAFF)  # these have a line of their own
    late = [
        now for now in kinds if now.is_overdue and not (now.last and now.last.verdict in spoken)
    ]
    if not late:
        return []
    names = ", ".join(f"{now.kind.name} ({now.due.why})" for now in late)
    return [
        Line(
            key=f"checks due|{instrument.pk}",
            heading="scale",
            says=f"Due, and not done: {names}.",
            severity=WARN,
            do="Do it before the next measurement that needs it.",
            rule="CAL-02",
            source="interval by the laboratory; after substantive change as ASTM E2108",
            since=min(now.due.at for now in late),
            url=reverse("bookings:health", args=[instrument.slug]),
        )
    ]


def drifts_of(instrument, at, events=None):
    """[(newest drift of a phase, first of it, event that ended it or None)], the newest first."""
    rows = Drift.objects.known(at).filter(chamber__instrument=instrument)
    rows = list(rows.select_related("chamber").order_by("-found_at")[:DRIFTS])
    events = events_of(instrument, at) if events is None else events
    cuts = [event for event in events if event.kind in OF_PUMP_DOWNS]
    phases = {}
    for row in rows:
        ended = next((event for event in cuts if event.at > row.found_at), None)
        phases.setdefault((row.chamber_id, ended and ended.pk), []).append((row, ended))
    return [(of[0][0], of[-1][0], of[0][1]) for of in phases.values()]


def drift_in_words(row):
    """Since when, how fast, and what it looks like."""
    tail = row.says.split(" by ", 1)[-1] if row.per_week else row.says
    since, joined = timezone.localtime(row.since), "by " if row.per_week else ""
    return f"Pump-downs {row.change} since {since:%-d %B}, {joined}{tail}"


def _drift_lines(instrument, week, at, events):
    for newest, first, ended in drifts_of(instrument, at, events):
        gone = newest.faded_at if newest.faded_at and newest.faded_at < at else None
        if (ended and not week.holds(ended.at)) or (gone and not week.holds(gone)):
            continue
        says = drift_in_words(newest)
        if ended:
            by, when = ended.by, timezone.localtime(ended.at)
            says = f"{says} {ended.get_kind_display().capitalize()} on {when:%-d %B} by {by}: a new phase."
        elif gone:
            says = f"{says} The last ones are as usual again."
        yield Line(
            key=f"drift|{newest.chamber_id}|{first.pk}",
            heading="vacuum",
            says=says,
            severity=NOTE if ended or gone else WARN,
            do="" if ended else "Take a rise with the pump isolated; compare the two gauges.",
            rule="DRIFT",
            source=DRIFT_SOURCE,
            since=newest.since,
            before=ended.says if ended else "",
            url=reverse("bookings:health", args=[instrument.slug]),
        )


def _dose_lines(lives, at):
    for life in running_then(lives, at):
        dose = life.dose_then if life.part.counts == Part.Counts.DOSE else 0.0
        if dose >= DOSE_WARN:
            yield Line(
                key=f"dose|{life.pk}",
                heading="vacuum",
                says=f"{life.part}: {dose_sentence(dose)}",
                severity=WARN,
                do="Clean or change it." if dose >= DOSE_SERVICE else "Plan its cleaning.",
                rule="GAU-01",
                source="cold cathodes went out of accuracy after about 1 mbar h (abstract)",
                url=life.part.get_absolute_url(),
            )


def lives_of(instrument, at=None):
    """The lives that ran at `at`, with what they had counted by then; one query."""
    if at is not None:
        return running_then(keep_up.lives_then(instrument, at), at)
    lives = PartLife.objects.filter(part__instrument=instrument, part__ended_at=None).running()
    lives = list(lives.select_related("part__gauge").order_by("part", "-began_at"))
    for life in lives:
        life.seconds_then, life.dose_then = life.seconds, life.dose_pa_s
    return lives


def running_then(lives, at):
    """Those of `keep_up.lives_then` that ran at `at`, in parts that are still kept."""
    return [
        life
        for life in lives
        if life.part.ended_at is None and (life.ended_at is None or life.ended_at >= at)
    ]


def _upkeep_line(instrument, standings):
    due = [row for row in standings if row.is_due]
    if not due:
        return []
    names = ", ".join(f"{row.task} ({row.left}, {row.why})" for row in due)
    return [
        Line(
            key=f"upkeep due|{instrument.pk}",
            heading="fit",
            says=f"Upkeep is due: {names}.",
            severity=WARN,
            do="Do it, or say why it waits.",
            source="intervals are the laboratory's; the maker's manual comes first",
            url=reverse("bookings:health", args=[instrument.slug]),
        )
    ]


# Sheet two


def health_table(instrument, at=None):
    """Rows of checks and of upkeep, for the review's second sheet: plain words."""
    checks, events = [], events_of(instrument, at)
    for now in kinds_now(instrument, at, events=events):
        checks += _check_rows(now)
    upkeep = [
        {
            "name": row.task.name,
            "due": _day(row.due_at) if row.due_at else row.why,
            "left": row.left,
            "state": "due" if row.is_due else "soon" if row.is_soon else "",
            "url": row.task.part.get_absolute_url() if row.task.part else "",
        }
        for row in keep_up.standings(instrument, at, events=events)
    ]
    lives = [
        {
            "name": life.part.name,
            "use": use_in_words(life, at),
            "since": _day(life.began_at),
            "url": life.part.get_absolute_url(),
        }
        for life in lives_of(instrument, at)
    ]
    return {"checks": checks, "upkeep": upkeep, "parts": lives}


def use_in_words(life, at=None):
    """Hours or dose of a life, as a person reads it."""
    if life.part.counts == Part.Counts.DOSE:
        return f"{life.dose_then / MBAR_HOUR:.2g} mbar h"
    if life.part.counts == Part.Counts.DEVICE:
        return f"{life.began_hours + life.seconds_then / 3600:,.0f} h on"
    days = ((at or timezone.now()) - life.began_at).days
    return f"{life.began_hours + 24 * days:,.0f} h since it was put in"


def _in_short(says):
    """What a check found, without what its name says already."""
    found = says.split(". ")[0].split(";")[0].rstrip(".")
    for words in ("Base pressure ", "Blank as usual: "):
        found = found.removeprefix(words)
    return found.split(": ")[0] if found.startswith("Like ") else found


def _check_rows(now):
    """One row a line of an energy scale; one row of any other kind."""
    kind, check = now.kind, now.last
    common = {"url": check.get_absolute_url() if check else kind.get_absolute_url()}
    common["at"] = _day(check.at) if check else "never"
    common["due"] = _day(now.due.at) if now.due.at else now.due.why
    lines = (check.found or {}).get("lines") if check else None
    if not lines:
        state = check.get_verdict_display() if check else "not done yet"
        found = _in_short(check.says) if check else ""
        return [common | {"name": kind.name, "found": found, "off": "", "state": state}]
    tolerance = kind.tolerance_ev
    return [
        common
        | {
            "name": f"{row['line']}, {kind.pass_energy_ev:g} eV"
            if kind.pass_energy_ev
            else row["line"],
            "found": f"{row['mean']:.2f} eV",
            "off": f"{calibration.signed(row['error'])} eV",
            "state": Check.Verdict(calibration.verdict_of(row["error"], tolerance)).label,
        }
        for row in lines
    ]


def _day(moment):
    return f"{timezone.localtime(moment):%-d %b %Y}"
