"""The demo year reviewed week by week, as somebody would who signs every Monday.

Every line is answered with `seen` and a sentence, so that a matter of an earlier week stands again
only where the tool itself says it again.
"""

from dataclasses import dataclass, field
from datetime import timedelta

from django.utils import timezone

from bookings import review
from bookings.models import Flag, Matter
from facility.models import Instrument, Person

FIRST = 5  # items among which a planted fault has to stand
A_DAY = timedelta(days=1)
SLOW = {  # what the lines of a slow change begin with, and how long after its end it may be said
    "slow leak": (("drift|", "pump-down|"), 7),
    "failing pump": (("drift|", "pump-down|"), 7),
    "dirty gauge": (("drift|", "pump-down|", "dose|"), 7),
    "calibration drift": (("checked|", "cal"), 7),
}


@dataclass
class Reviewed:
    """One week of one instrument as it stood on its Monday."""

    slug: str
    monday: object
    first: list
    rest: list
    planted: bool = False

    @property
    def name(self):
        return review.name_of(self.monday)

    @property
    def asked(self):
        """Lines that somebody has to look at: notes and what was answered are none."""
        return [item for item in [*self.first, *self.rest] if item.is_open and not item.known]


@dataclass
class Found:
    """What became of one planted fault."""

    row: object
    week: str = ""
    place: int = 0
    says: str = ""
    days: int = 0
    early: list = field(default_factory=list)


def year(planted, now=None):
    """Every week of every instrument, in order of time."""
    by = Person.objects.staff_of_the_house()[0]
    last = review.newest_monday(now)
    first = min(timezone.localdate(row.start) for row in planted) - timedelta(days=28)
    monday, weeks = first - timedelta(days=first.weekday()), []
    instruments = list(Instrument.objects.select_related("log"))
    while monday <= last:
        for instrument in instruments:
            page = review.page_of(instrument, monday)
            week = Reviewed(instrument.slug, monday, page.first, page.rest)
            week.planted = any(_touches(row, instrument.slug, page.week) for row in planted)
            weeks.append(week)
            _answer_all(page, by)
        monday += review.A_WEEK
    return weeks


def _touches(row, slug, week):
    """Whether a planted fault shows in a week, or was only just over."""
    return row.instrument in ("", slug) and (
        row.start < week.end and row.end + 7 * A_DAY > week.start
    )


def _answer_all(page, by):
    moment = page.week.end + timedelta(hours=9)
    Matter.objects.bulk_create(
        Matter(
            instrument=page.instrument,
            monday=page.monday,
            key=item.line.key,
            heading=item.line.heading,
            severity=item.line.severity,
            line=review.plain(item.line),
            asked=item.asks,
            answer=Flag.Answer.SEEN,
            sentence="Seen in the trial of the year.",
            answered_by=by,
            answered_at=moment,
        )
        for item in page.items
        if item.is_open
    )


def found_of(row, weeks):
    """Where a planted fault stands first, and in which weeks before it began."""
    speaks = _speaks_of(row)
    found = Found(row)
    for week in weeks:
        if row.instrument not in ("", week.slug):
            continue
        span = review.week_of(week.monday)
        before = span.end <= row.start
        for place, item in enumerate([*week.first, *week.rest], 1):
            if not speaks(item.line):
                continue
            if before:
                found.early.append(week.name)
            elif not found.week or (place < found.place and found.place > FIRST):
                found.week, found.place, found.says = week.name, place, item.line.says
                found.days = max((span.end - row.start).days, 0)
    return found


def _speaks_of(row):
    """Whether a line is about a planted fault: by key, or by what only it can bring about."""
    keys = {flag.key for flag in row.flags if getattr(flag, "key", "")}
    keys |= {f"pump-down|{run.pk}" for run in row.pumpdowns}
    begins, _ = SLOW.get(row.what, ((), 0))
    begins = tuple(word for word in begins if word != "pump-down|")
    holder = row.holder

    def speaks(line):
        if line.key in keys:
            return True
        if row.what == "open cylinder valve":
            return "INV-02" in (line.rule, line.key[:6])
        if holder:
            return holder in line.says and line.heading in ("broke", "outside", "fit")
        since = line.since is None or line.since >= row.start - 14 * A_DAY
        return bool(begins) and line.key.startswith(begins) and since

    return speaks


def quiet(weeks, count=40):
    """Weeks in which nothing planted shows, the newest first, at most `count`."""
    return [week for week in reversed(weeks) if not week.planted][:count]


def table(planted, weeks):
    """The proof as lines of text."""
    lines = ["| planted | instrument | began | week of its line | place | after | weeks before |",
             "| --- | --- | --- | --- | --- | --- | --- |"]  # fmt: skip
    for row in planted:
        found = found_of(row, weeks)
        began = timezone.localtime(row.start)
        lines.append(
            f"| {row.what} | {row.instrument or 'both'} | {began:%G-W%V} | {found.week or 'none'} | "
            f"{found.place or ''} | {found.days} d | {', '.join(found.early) or 'none'} |"
        )
    still = quiet(weeks)
    counts = [len(week.asked) for week in still]
    lines.append("")
    lines.append(
        f"{len(still)} quiet weeks: {sum(counts) / max(len(counts), 1):.2f} items a week, at most "
        f"{max(counts, default=0)}; {sum(n > 2 for n in counts)} weeks with more than two."
    )
    return lines
