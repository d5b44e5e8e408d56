"""The weekly review of one instrument: its lines gathered, weighed and set beside earlier answers.

What was gathered when the week ended is kept as it was, so that a page costs the same after ten
years; a week that nobody gathered yet is gathered while it is read.
"""

import re
from dataclasses import dataclass, field, replace
from datetime import UTC, date, datetime, timedelta

from django.template.loader import render_to_string
from django.utils import timezone
from django.utils.dateparse import parse_datetime
from django.utils.safestring import mark_safe

from bookings import coming, outside, planning, review_figures, watchers
from bookings.book import here
from bookings.lines import HEADINGS, Line, Week
from bookings.models import Flag, Matter, Review
from bookings.week import weeks_words
from facility import mute
from facility.errors import Refused
from facility.findings import STAFF, STOP, rank
from facility.models import Instrument, Person

FINE = {  # what is said of a heading under which nothing stands
    "broke": "nothing broke",
    "vacuum": "loads pump down as usual",
    "scale": "energy scale and counts are within their limits",
    "outside": "nothing was done outside the rules",
    "order": "nothing has to be ordered",
}
FIT_WORDS = {"ready": "fit for use", "warn": "with care", "stop": "not yet", "fault": "down"}

ON_PAGE_ONE = 7
MOST_ROWS = 600  # of earlier answers that a page reads
UNCHANGED = 3  # weeks after which it is asked once what to do
ROLLED = timedelta(weeks=26)  # an open matter of an older week is taken as settled; own proposal
A_WEEK = timedelta(weeks=1)
NAME = re.compile(r"(\d{4})-W(\d{2})")


# Weeks


def week_of(monday):
    """The Week that begins on a Monday, by the facility's clock."""
    start, _ = planning.day_of(monday, here())
    end, _ = planning.day_of(monday + A_WEEK, here())
    return Week(start, end)


def hours_of(week):
    """How long the week really lasts: 168 h, 167 or 169 where the clocks change."""
    return (week.end.astimezone(UTC) - week.start.astimezone(UTC)) / timedelta(hours=1)


def monday_of(name):
    """The Monday of a week such as 2026-W46, or Refused with what is needed."""
    found = NAME.fullmatch(name.strip())
    try:
        return date.fromisocalendar(int(found[1]), int(found[2]), 1)
    except (TypeError, ValueError):
        raise Refused(
            f"{name[:40] or 'Nothing'} is no week. Write year and number, such as 2026-W46."
        ) from None


def name_of(monday):
    """2026-W46."""
    return f"{monday:%G-W%V}"


def newest_monday(now=None):
    """The Monday of the newest week that is over."""
    today = timezone.localdate(now)
    return today - timedelta(days=today.weekday()) - A_WEEK


def waiting_monday(instrument, now=None):
    """The newest week that is over and waits to be signed; the newest one where none does."""
    newest = newest_monday(now)
    rows = list(
        Review.objects.filter(
            instrument=instrument, monday__lte=newest, monday__gt=newest - 8 * A_WEEK
        ).values_list("monday", "signed_at")
    )
    if not any(monday == newest and signed for monday, signed in rows):
        return newest
    return max((monday for monday, signed in rows if not signed), default=newest)


# Gathering


@dataclass
class Gathered:
    """What a week brought, as it was known when it was gathered."""

    lines: list
    fit: tuple  # mark and sentence
    coming: list
    figures: str  # sheet two, rendered
    numbers: str
    at: datetime
    muted: list = field(default_factory=list)  # rules that were not asked about, in words
    held: list = field(default_factory=list)  # headings of lines that they held back

    def document(self):
        """As plain values, for the database."""
        return {
            "lines": [plain(line) for line in self.lines],
            "fit": list(self.fit),
            "coming": self.coming,
            "figures": str(self.figures),
            "numbers": self.numbers,
            "muted": self.muted,
            "held": self.held,
        }

    @classmethod
    def of(cls, row):
        """From what a review keeps."""
        kept = row.gathered
        return cls(
            lines=[line_of(document) for document in kept["lines"]],
            fit=tuple(kept["fit"]),
            coming=kept["coming"],
            figures=mark_safe(kept["figures"]),
            numbers=kept["numbers"],
            at=row.gathered_at,
            muted=kept.get("muted", []),
            held=kept.get("held", []),
        )


def plain(line):
    """A line as plain values, its drawing rendered."""
    drawing = line.drawing
    if drawing is not None and not isinstance(drawing, str):
        drawing = render_to_string("components/drawing.html", {"drawing": drawing})
    return {
        **{
            name: getattr(line, name)
            for name in ("key", "heading", "says", "severity", "do", "rule", "source", "before",
                         "url", "flag")
        },
        "since": line.since and line.since.isoformat(),
        "evidence": [[str(label), str(text)] for label, text in line.evidence],
        "drawing": drawing or "",
    }  # fmt: skip


def line_of(document):
    """A line from its plain values."""
    since = document.get("since")
    return Line(
        **document
        | {
            "since": parse_datetime(since) if since else None,
            "evidence": tuple((label, text) for label, text in document.get("evidence", ())),
            "drawing": mark_safe(document.get("drawing", "")),
        }
    )


def gather(instrument, week, *, figures=True):
    """Everything that the week brought, from every source; each matter once.

    Takes:   figures, False for lines without sheet two, which costs as much again.
    """
    traces = outside.Traces(instrument, week)
    ahead = coming.Ahead(instrument, week)
    lines = [line for source, _ in watchers.sources() for line in source(instrument, week)]
    lines += outside.review_lines(instrument, week, traces=traces, spoken=watchers.SPOKEN)
    lines += ahead.lines()
    lines, held, muted = _heard(each_once(lines), instrument, week)
    drawn, numbers = review_figures.of_week(
        instrument, week, traces, lines, booked=ahead.booked, whole=figures
    )
    return Gathered(
        lines=[line_of(plain(line)) for line in lines],
        fit=outside.verdict(instrument, week, lines),
        coming=[row.document() for row in ahead.rows()],
        figures=drawn,
        numbers=numbers,
        at=timezone.now(),
        muted=muted,
        held=[line.heading for line in held],
    )


def _heard(lines, instrument, week):
    """(lines that are asked, those held back, what is muted in words), as of the week's end."""
    day = timezone.localdate(min(week.end, timezone.now()))
    muted = mute.muted_on(instrument, day)
    held = [line for line in lines if mute.holds_back(muted, line.rule, line.severity)]
    words = []
    for row in muted.values():
        count = sum(line.rule == row.rule for line in held)
        said = f", {count} line{'s' * (count > 1)} this week" if count else ""
        words.append(f"{row.rule} until {row.until.day} {row.until:%B}{said} ({row.why})")
    keys = {line.key for line in held}
    return [line for line in lines if line.key not in keys], held, words


def each_once(lines):
    """The gravest line of each key, in the order said; a flag that a line speaks for says nothing."""
    found, spoken_for = {}, {line.flag for line in lines}
    for line in lines:
        if line.heading not in HEADINGS:
            raise ValueError(f"{line.key} has no heading of the review: {line.heading!r}")
        if line.key in spoken_for:
            continue
        standing = found.get(line.key)
        if standing is None or rank(line.severity) > rank(standing.severity):
            found[line.key] = line
    return list(found.values())


# The page


@dataclass
class Item:
    """A line beside its flag, its answer and what was answered before."""

    line: Line
    answer: str = ""  # as a word
    sentence: str = ""
    answered_by: str = ""
    answered_at: datetime | None = None
    before: str = ""
    weeks: int = 1  # that it stands, this one included
    asks: bool = False  # what is to be done, after three weeks
    known: bool = False  # asked and answered before, unchanged since
    flag: Flag | None = None
    errors: list = field(default_factory=list)
    typed: dict = field(default_factory=dict)

    @property
    def needs_sentence(self):
        """Staff, stop and overrides; and what stands for the third week."""
        return self.line.severity in (STAFF, STOP) or self.asks

    @property
    def is_open(self):
        return not self.answer

    @property
    def blocks(self):
        """Whether the week cannot be signed before this has its sentence."""
        return self.is_open and self.needs_sentence and not self.known

    @property
    def name(self):
        """For an address on the page: stays the same while the key does."""
        return f"m{abs(hash_of(self.line.key)):x}"


def hash_of(text):
    """A small number of a text, the same in every process."""
    found = 0
    for letter in text:
        found = (found * 31 + ord(letter)) % (1 << 40)
    return found


@dataclass
class Page:
    """One week of one instrument as it is read."""

    instrument: Instrument
    monday: date
    week: Week
    gathered: Gathered
    first: list
    rest: list
    review: Review | None
    unsigned_before: list

    @property
    def items(self):
        return [*self.first, *self.rest]

    @property
    def open_count(self):
        return sum(item.is_open and not item.known for item in self.items)

    @property
    def answered_count(self):
        return sum(not item.is_open for item in self.items)

    @property
    def blocking(self):
        """How many lines still need a sentence before the week can be signed."""
        return sum(item.blocks for item in self.items)

    @property
    def bulk(self):
        """How many lines one press would answer with seen."""
        return sum(
            item.is_open and not item.needs_sentence and not item.known for item in self.items
        )

    @property
    def is_over(self):
        return self.week.end <= timezone.now()

    @property
    def says(self):
        """9 to 15 November 2026."""
        return weeks_words(self.monday)

    @property
    def odd_hours(self):
        """167 or 169 where the clocks changed, else nothing."""
        hours = hours_of(self.week)
        return f"{hours:.0f}" if hours != 168 else ""

    @property
    def fit_word(self):
        return FIT_WORDS.get(self.gathered.fit[0], self.gathered.fit[0])

    @property
    def fine(self):
        """What needs nobody, in one sentence; only of headings that somebody watches."""
        watched = {"outside"}.union(*(headings for _, headings in watchers.sources()))
        spoken = {item.line.heading for item in self.items}.union(self.gathered.held)
        said = [FINE[word] for word in HEADINGS if word in FINE and word in watched - spoken]
        sentences = [f"{'; '.join(said).capitalize()}."] if said else []
        if self.gathered.muted:
            sentences.append(f"Muted: {'; '.join(self.gathered.muted)}.")
        return " ".join(sentences)

    @property
    def ahead_says(self):
        """16 to 22 November 2026."""
        return weeks_words(self.monday + A_WEEK)

    @property
    def rest_is_asked(self):
        """Whether something below the fold keeps the week from being signed."""
        return any(item.blocks or item.errors for item in self.rest)

    def item(self, key):
        """The item with this key, or Refused."""
        for item in self.items:
            if item.line.key == key:
                return item
        raise Refused("That line no longer stands in this review. Look at the page again.")


def reviews_until(instrument, monday):
    """That week's review, where there is one, and the unsigned ones of the three weeks before."""
    return list(Review.objects.reading(instrument, monday, monday - 3 * A_WEEK))


def page_of(instrument, monday, *, rows=None):
    """A week as it is read: its lines with their answers, the gravest seven first.

    Takes:   rows of `reviews_until`, where they were read already.
    """
    week = week_of(monday)
    rows = reviews_until(instrument, monday) if rows is None else rows
    review = next((row for row in rows if row.monday == monday), None)
    kept = review is not None and review.gathered_at
    gathered = Gathered.of(review) if kept else gather(instrument, week, figures=False)
    items = _items(instrument, monday, gathered.lines)
    first, rest = page_one(items)
    begun = {row.monday for row in rows if row.gathered_at and not row.signed_at}
    return Page(
        instrument=instrument,
        monday=monday,
        week=week,
        gathered=gathered,
        first=first,
        rest=rest,
        review=review,
        unsigned_before=sorted(begun - {monday}),
    )


def page_one(items):
    """The gravest seven in the order of headings, and the rest, gravest first."""
    ranked = sorted(items, key=lambda item: (item.known, not item.is_open, item.line.weight))
    wanted = [item for item in ranked if not item.known][:ON_PAGE_ONE]
    order = list(HEADINGS)
    first = sorted(wanted, key=lambda item: (order.index(item.line.heading), *item.line.weight))
    chosen = {item.line.key for item in wanted}
    return first, [item for item in ranked if item.line.key not in chosen]


def _items(instrument, monday, lines):
    """Lines of the week and open ones of earlier weeks, each with what was answered."""
    keys = [line.key for line in lines]
    mine, history, waiting = {}, {}, []
    matters = Matter.objects.of(instrument).around(monday, keys, monday - ROLLED)[:MOST_ROWS]
    for row in matters:
        if row.monday == monday:
            mine[row.key] = row
        elif row.answer:
            history.setdefault(row.key, []).append(row)
        else:
            waiting.append(row)
    lines = [*lines, *_carried(waiting, keys)]
    flags = {row.key: row for row in Flag.objects.with_keys([line.flag_key for line in lines])}
    _who_answered([*matters, *flags.values()])
    start = week_of(monday).start
    found = []
    for line in lines:
        item = _item(
            line, mine.get(line.key), history.get(line.key, []), flags.get(line.flag_key), monday
        )
        if not _is_settled(item, history.get(line.key, []), monday, start):
            found.append(item)
    return found


def _who_answered(rows):
    """Set who answered on each row: one small query, and none where nothing was answered."""
    keys = {row.answered_by_id for row in rows} - {None}
    people = Person.objects.only("full_name").in_bulk(keys) if keys else {}
    for row in rows:
        if row.answered_by_id:
            row.answered_by = people[row.answered_by_id]


def _carried(waiting, said):
    """Open matters of earlier weeks that no line of this one speaks of, each once."""
    found = {}
    for row in waiting:
        if row.key not in said:
            found.setdefault(row.key, _from_week(line_of(row.line), row.monday))
    return list(found.values())


def _from_week(line, monday):
    return replace(line, evidence=(("open since", f"week {monday:%V}"), *line.evidence))


def _item(line, row, earlier, flag, monday):
    item = Item(line=line, flag=flag, before=line.before)
    if earlier:
        last = earlier[0]
        item.before = _last_time(last)
        item.weeks = 1 + _weeks_running(earlier, monday)
        asked = [one for one in earlier if one.asked]
        item.known = bool(asked) and rank(line.severity) <= rank(asked[0].severity)
        item.asks = not asked and item.weeks >= UNCHANGED
    if row is not None and row.answer:
        item.answer, item.sentence = row.get_answer_display(), row.sentence
        item.answered_by, item.answered_at = str(row.answered_by), row.answered_at
        if row.watch_until:
            item.answer = f"watched until {row.watch_until:%d %b %Y}"
    elif flag is not None and flag.answer:
        item.answer, item.sentence = flag.get_answer_display(), flag.sentence
        item.answered_by, item.answered_at = str(flag.answered_by), flag.answered_at
    return item


def _last_time(row):
    said = f": {row.sentence}" if row.sentence else ""
    return f"week {row.monday:%V}, {row.answered_by} answered {row.get_answer_display()}{said}"


def _weeks_running(earlier, monday):
    """How many weeks right before this one had an answer to the same matter."""
    weeks = {row.monday for row in earlier}
    count = 0
    while monday - (count + 1) * A_WEEK in weeks:
        count += 1
    return count


def _is_settled(item, earlier, monday, start):
    """Whether an earlier answer still holds, so that nobody is asked again."""
    flag = item.flag
    if flag is not None and flag.answer and (flag.answered_at < start or earlier):
        return True
    if not earlier:
        return False
    last = earlier[0]
    if rank(item.line.severity) > rank(last.severity):
        return False
    if last.answer == Flag.Answer.NOT_REAL:
        return True
    return (
        last.answer == Flag.Answer.WATCHED
        and last.watch_until is not None
        and last.watch_until >= monday + A_WEEK
    )
