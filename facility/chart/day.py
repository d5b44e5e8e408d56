"""A day as a ruled line from 00 to 24, one lane an instrument, and the slips that lie on it."""

from collections.abc import Sequence
from dataclasses import dataclass

LANE, SLIP = 46, 44
HOUR_WORDS = 20
LETTER = 7.2


@dataclass(frozen=True, slots=True)
class Slip:
    """A stretch of reserved time; hours from the day's start, beyond 0 and 24 over midnight."""

    start: float
    end: float
    kind: str  # yours, booked, past, closed
    word: str
    second: str = ""
    url: str = ""


@dataclass(frozen=True, slots=True)
class DrawnSlip:
    """A slip with its place: x and width in per cent, y in pixels."""

    kind: str
    word: str
    second: str
    url: str
    x: str
    y: int
    width: str
    plate: int  # how wide the paper under the words of a closure is
    has_corner: bool  # none where it goes on after midnight


@dataclass(frozen=True, slots=True)
class DayLine:
    """All that templates/components/dayline.html prints."""

    height: int
    top: int
    says: str
    ticks: tuple[str, ...]
    hours: tuple[tuple[str, str], ...]
    slips: tuple[DrawnSlip, ...]
    now: str
    now_word: str

    @property
    def has_links(self):
        """With links inside the role is group, because img would hide them."""
        return any(slip.url for slip in self.slips)


def day_line(lanes: Sequence[Sequence[Slip]], *, hours=True, now=None, now_word="", says=""):
    """Draws one day; several instruments are several lanes.

    Takes:   lanes of slips; hours: whether the hour words stand above; now, in hours from the
             day's start, or None on another day; now_word, such as 17:11; says, for readers.
    Returns: DayLine.   Raises: ValueError for a slip that does not end after it starts.
    >>> day_line([[Slip(18, 32, "yours", "Yours", "overnight")]]).slips[0].width
    '25.000'
    """
    top = HOUR_WORDS if hours else 0
    slips = [_drawn(slip, top + lane * LANE) for lane, on_it in enumerate(lanes) for slip in on_it]
    return DayLine(
        height=top + LANE * max(len(lanes), 1),
        top=top,
        says=says or "the day from 00 to 24",
        ticks=tuple(_part(hour) for hour in range(25)),
        hours=_hour_words(now, now_word) if hours else (),
        slips=tuple(slips),
        now="" if now is None else _part(min(max(now, 0), 24)),
        now_word=now_word,
    )


def _hour_words(now, now_word):
    """Every second hour in words; none where the word of the moment stands above it."""
    return tuple(
        (_part(hour), f"{hour:02}")
        for hour in range(0, 24, 2)
        if not (now_word and now is not None and abs(now - hour) < 0.9)
    )


def _part(hours):
    """Hours as per cent of a day, because the line is as wide as its place."""
    return f"{hours / 24 * 100:.3f}"


def _drawn(slip, y):
    if slip.end <= slip.start:
        raise ValueError(f"{slip.word} ends at {slip.end} h, not after its start at {slip.start} h")
    start, end = max(slip.start, 0), min(slip.end, 24)
    longest = max(len(slip.word), len(slip.second))
    return DrawnSlip(
        kind=slip.kind,
        word=slip.word,
        second=slip.second,
        url=slip.url,
        x=_part(start),
        y=y + 1,
        width=_part(end - start),
        plate=round(longest * LETTER) + 8,
        has_corner=slip.end <= 24,
    )
