"""Laws of time: wall clock and zone, rules of booking, free stretches, load-by times, clocks.

Pure: moments carry their zone, nothing here knows the present, a database or a setting.
"""

import math
from collections import Counter
from dataclasses import dataclass
from datetime import UTC, datetime, time, timedelta
from statistics import NormalDist

DAY = timedelta(days=1)
WEEK = timedelta(weeks=1)
TENTH = NormalDist().inv_cdf(0.9)  # standard deviations from the median to either end of 80 %
CERTAINTIES = (0.5, 0.8, 0.9, 0.95)


# The wall clock. Python counts between two times of one zone by the wall, not by what elapses,
# so lengths are measured in UTC.


def later(moment, length):
    """The moment so much later, by what elapses, in the zone that it carries."""
    return (moment.astimezone(UTC) + length).astimezone(moment.tzinfo)


def length_of(start, end):
    """What elapses from start to end, also over a change of clocks."""
    return end.astimezone(UTC) - start.astimezone(UTC)


def moment_of(wall, zone, what="The time"):
    """The moment of a wall-clock time.

    Takes:   wall, without a zone; zone, tzinfo; what, the words that begin a refusal.
    Returns: the moment in `zone`.
    Raises:  ValueError with a sentence where the clocks are put forward over it, or where they
             are put back and it comes twice.
    """
    early, late = (wall.replace(tzinfo=zone, fold=fold) for fold in (0, 1))
    if early.utcoffset() == late.utcoffset():
        return early
    back = early.utcoffset() > late.utcoffset()
    shown = f"{wall.day} {wall:%b %Y}, {wall:%H:%M},"
    raise ValueError(
        f"{what} {shown} "
        f"{'comes twice: the clocks go back' if back else 'does not exist: the clocks go forward'} "
        f"then. Choose {_first_after(wall, zone):%H:%M} or later{', or earlier' if back else ''}."
    )


def _first_after(wall, zone):
    """The first quarter of an hour after a change of clocks that is there once."""
    at = wall.replace(minute=0)
    while at < wall or at.replace(tzinfo=zone).utcoffset() != (
        at.replace(tzinfo=zone, fold=1).utcoffset()
    ):
        at += timedelta(minutes=15)
    return at


def wall_of(moment, zone):
    """A moment as the wall clock shows it, kept beside it: 2026-11-12T09:00."""
    return f"{moment.astimezone(zone):%Y-%m-%dT%H:%M}"


def weekly(wall_start, wall_end, zone, *, count, weeks_apart=1):
    """The same wall-clock stretch again and again: 09:00 stays 09:00 when the clocks change.

    Takes:   the first stretch without zone; zone; how many in all; weeks from one to the next.
    Returns: a list of (number from 1, start, end, "") or (number, None, None, why not).
    """
    found = []
    for number in range(1, count + 1):
        shift = (number - 1) * weeks_apart * WEEK
        try:
            start = moment_of(wall_start + shift, zone, "From")
            end = moment_of(wall_end + shift, zone, "Until")
        except ValueError as problem:
            found.append((number, None, None, str(problem)))
        else:
            found.append((number, start, end, ""))
    return found


def day_of(day, zone):
    """The two moments that a calendar day lies between; 23 or 25 hours apart when clocks change."""
    start = datetime.combine(day, time(), tzinfo=zone)
    return start, datetime.combine(day + DAY, time(), tzinfo=zone)


def hour_in_day(moment, day, zone):
    """Where a moment stands on the line of a day from 00 to 24, by the wall clock.

    Before the day below 0, after it above 24. On the day the clocks go back, the hour that comes
    twice lies on itself.
    """
    wall = moment.astimezone(zone).replace(tzinfo=None)
    return (wall - datetime.combine(day, time())) / timedelta(hours=1)


# The rules


@dataclass(frozen=True)
class Hours:
    """When a level may book: from, until (None: at any hour), and whether on working days only."""

    word: str
    may_book: bool = True
    opens_at: time | None = None
    shuts_at: time | None = None
    weekdays_only: bool = False


@dataclass(frozen=True)
class Rules:
    """How time on an instrument may be booked."""

    shortest: timedelta
    longest: timedelta
    notice: timedelta
    horizon: timedelta


@dataclass(frozen=True)
class Taken:
    """A stretch that somebody holds; `words` say who, as far as the asker may know."""

    start: datetime
    end: datetime
    words: str = ""


def refusal(start, end, *, now, rules, hours, instrument):
    """Why this stretch may not be booked by the rules; empty where it may.

    Takes:   start and end, in the facility's zone; now; rules; hours of the person's level, or
             None where the hours of the day do not matter (a load that waits overnight).
    """
    length = length_of(start, end)
    if hours is not None and not hours.may_book:
        return (
            f"At the level {hours.word} you do not book {instrument} yourself. "
            "Ask staff, or come along with somebody who has booked."
        )
    if length < rules.shortest:
        return f"{span(length)} is shorter than the {span(rules.shortest)} that {instrument} takes."
    if length > rules.longest:
        return (
            f"{span(length)} is longer than the {span(rules.longest)} that one booking of "
            f"{instrument} may have. Book less, or ask staff."
        )
    if rules.notice and start < later(now, rules.notice):
        return (
            f"{instrument} is booked at least {span(rules.notice)} before. "
            f"Choose {words(later(now, rules.notice).astimezone(start.tzinfo))} or later, or ask staff."
        )
    if start > now + rules.horizon:
        return (
            f"{instrument} is booked at most {rules.horizon.days} days ahead, "
            f"until {words((now + rules.horizon).astimezone(start.tzinfo))}."
        )
    return _outside_hours(start, end, hours, instrument) if hours is not None else ""


def _outside_hours(start, end, hours, instrument):
    if hours.weekdays_only and (start.weekday() > 4 or (end - timedelta(seconds=1)).weekday() > 4):
        return f"At the level {hours.word} {instrument} is booked on working days only."
    if hours.opens_at is None:
        return ""
    shuts = datetime.combine(start.date(), hours.shuts_at, tzinfo=start.tzinfo)
    if start.time() < hours.opens_at or end > shuts:
        return (
            f"At the level {hours.word} {instrument} is booked between {hours.opens_at:%H:%M} and "
            f"{hours.shuts_at:%H:%M} of one day."
        )
    return ""


def over_quota(hours_held, start, end, quota, group, instrument):
    """Why a group's week is full; empty where it is not, or without a quota."""
    asked = length_of(start, end) / timedelta(hours=1)
    if quota is None or hours_held + asked <= quota + 1e-9:
        return ""
    return (
        f"{group} holds {hours_held:g} of its {quota:g} h on {instrument} in that week; "
        f"{asked:g} h more do not fit. Book less, cancel another, or ask staff."
    )


def span(length):
    """A length in words.

    >>> span(timedelta(minutes=90)), span(timedelta(hours=24)), span(timedelta(minutes=20))
    ('1 h 30 min', '24 h', '20 min')
    """
    hours, minutes = divmod(round(length.total_seconds() / 60), 60)
    return " ".join(
        part
        for part in (f"{hours} h" if hours else "", f"{minutes} min" if minutes else "")
        if part
    )


def words(moment):
    """A moment in words, in the zone it carries: Thu 12 Nov, 09:00."""
    return f"{moment:%a} {moment.day} {moment:%b}, {moment:%H:%M}"


def stretch(start, end):
    """A stretch in words; the second day only where it is another one."""
    until = f"{end:%H:%M}" if end.date() == start.date() else words(end)
    return f"{words(start)} to {until}"


# Free time


def free_stretches(taken, start, end, least=timedelta(minutes=1)):
    """What nobody holds between start and end, in order; pieces shorter than `least` left out."""
    found, at = [], start
    for row in sorted(taken, key=lambda row: row.start):
        if row.start - at >= least:
            found.append((at, min(row.start, end)))
        at = max(at, row.end)
        if at >= end:
            break
    if end - at >= least:
        found.append((at, end))
    return found


def next_slot(taken, length, *, after, until, step=timedelta(minutes=30), allows=lambda s, e: True):
    """The first free (start, end) of `length` from `after` on that the rules allow, or None.

    Starts are tried at `after`, then at whole steps of the wall clock inside each free stretch.
    """
    zone, after, until = after.tzinfo, after.astimezone(UTC), until.astimezone(UTC)
    for start, end in free_stretches(taken, after, until, length):
        at = start.astimezone(UTC)
        while at + length <= end:
            slot = at.astimezone(zone), (at + length).astimezone(zone)
            if allows(*slot):
                return slot
            at = _next_step(at, step)
    return None


def _next_step(at, step):
    whole = math.floor(at.timestamp() / step.total_seconds() + 1) * step.total_seconds()
    return datetime.fromtimestamp(whole, at.tzinfo)


# Planning backwards


def quantile_s(ready_s, low80_s, high80_s, certainty):
    """Seconds within which a load is ready with this certainty.

    Takes:   median and both ends of the 80 % interval of a forecast [s], above zero; certainty,
             above 0 and below 1.
    Returns: seconds [s]. At 0.9 it is the upper end itself, at 0.1 the lower.
    Raises:  ValueError for a certainty out of range or an interval out of order.
    Source:  two half normal distributions in ln of the time, each fitted to its own end.
    Valid:   between 0.02 and 0.98; farther out the forecast says nothing.
    >>> round(quantile_s(3600.0, 3000.0, 4800.0, 0.9), 6), quantile_s(3600.0, 3000.0, 4800.0, 0.5)
    (4800.0, 3600.0)
    """
    if not 0.02 <= certainty <= 0.98:
        raise ValueError(f"certainty is {certainty}; it must lie between 0.02 and 0.98")
    if not 0 < low80_s <= ready_s <= high80_s:
        raise ValueError(f"interval {low80_s}, {ready_s}, {high80_s} s is out of order")
    turns = NormalDist().inv_cdf(certainty) / TENTH
    side = high80_s / ready_s if turns > 0 else ready_s / low80_s
    return ready_s * side**turns


def load_by(measure_at, wait_s, transfer=timedelta(0)):
    """When the door must be closed for a load to lie on the stage at `measure_at`."""
    return later(measure_at, -timedelta(seconds=wait_s) - transfer)


def room_to_load(taken, load_at, measure_at):
    """Whether the introduction chamber is free from loading to measuring, and what stands there.

    Takes:   what is taken in the introduction chamber; load-by time; start of measuring.
    Returns: (latest start at which it is free until `measure_at`, those in the way), the start
             None where nothing of it is free; nobody in the way where it is free from load_at on.
    """
    inside = [row for row in taken if row.start < measure_at and row.end > load_at]
    if not inside:
        return load_at, []
    free_from = max(row.end for row in inside)
    return (free_from if free_from < measure_at else None), inside


def order_of_scans(wants, *, sensitive):
    """In which order to measure: what X-rays spoil has its key region first and again last.

    >>> order_of_scans(["F 1s", "C 1s"], sensitive=True)
    ['F 1s', 'C 1s', 'survey', 'F 1s again, to see what the beam did']
    >>> order_of_scans(["F 1s"], sensitive=False)
    ['survey', 'F 1s']
    """
    if not sensitive:
        return ["survey", *wants]
    first = wants[0] if wants else "key region"
    return [*(wants or [first]), "survey", f"{first} again, to see what the beam did"]


def shut_down_duty(bookings, day, zone):
    """Whose booking ends last on that day: they leave the instrument at rest, used or not.

    Takes:   standing bookings of the day as (start, end, person); the day; zone.
    Returns: the person, or None where nobody booked. A booking that goes on over midnight carries
             the duty into the next day.
    """
    start, end = day_of(day, zone)
    ending = [row for row in bookings if row[1] > start and row[0] < end]
    return max(ending, key=lambda row: row[1])[2] if ending else None


# Clocks


def hours_of(stretches, start=None, end=None):
    """Hours that at least one of the stretches covers, inside [start, end).

    >>> at = lambda hour: datetime(2026, 11, 12, hour)
    >>> hours_of([(at(9), at(11)), (at(10), at(12)), (at(14), at(15))])
    4.0
    """
    total, until = timedelta(0), None
    for first, last in sorted(stretches):
        first = first if start is None else max(first, start)
        last = last if end is None else min(last, end)
        first = first if until is None else max(first, until)
        if last > first:
            total += last - first
            until = last
    return total / timedelta(hours=1)


def common(ones, others):
    """The stretches that lie in one of `ones` and in one of `others`."""
    return [(max(a, c), min(b, d)) for a, b in ones for c, d in others if max(a, c) < min(b, d)]


def on_stretches(changes, idle, until):
    """When a source was on.

    Takes:   changes, (moment, state) in order of happening; the states in which it is off or not
             known; the moment at which nothing more is known.
    Returns: stretches. A source that was never seen to go off was on until `until`.
    """
    found, since = [], None
    for at, state in changes:
        if state not in idle and since is None:
            since = at
        elif state in idle and since is not None:
            found.append((since, at))
            since = None
    if since is not None and since < until:
        found.append((since, until))
    return found


def shared(hours, kinds):
    """Hours split evenly over what a session measured; they add up to the hours.

    >>> shared(3.0, ["film", "film", "powder"])
    {'film': 2.0, 'powder': 1.0}
    """
    if not kinds:
        return {"no sample": hours}
    counts = Counter(kinds)
    return {kind: hours * count / len(kinds) for kind, count in counts.items()}
