"""Axes: powers of ten, round clock times, and the decade rule."""

import math
from datetime import datetime

from facility.chart.paper import Line, Scale, Word, drawable

RAISED = str.maketrans("0123456789-", "⁰¹²³⁴⁵⁶⁷⁸⁹⁻")


def power_text(exponent):
    """A power of ten as an axis says it.

    >>> power_text(-6), power_text(0), power_text(1), power_text(3)
    ('10⁻⁶', '1', '10', '10³')
    """
    if exponent in (0, 1):
        return str(10**exponent)
    return "10" + str(exponent).translate(RAISED)


def figure_text(value, unit=""):
    """Two figures and a power of ten, as words in a drawing.

    >>> figure_text(1.3e-5), figure_text(9.96e-6, "mbar")
    ('1.3 × 10⁻⁵', '1.0 × 10⁻⁵ mbar')
    """
    mantissa, exponent = f"{value:.1e}".split("e")
    power = "" if int(exponent) == 0 else f" × 10{str(int(exponent)).translate(RAISED)}"
    return f"{mantissa}{power} {unit}".rstrip()


MINUTE, HOUR, DAY = 60, 3600, 86400
STEPS = (
    [minutes * MINUTE for minutes in (1, 2, 5, 10, 15, 20, 30)]
    + [hours * HOUR for hours in (1, 2, 3, 4, 6, 12)]
    + [days * DAY for days in (1, 2, 7, 14, 28, 91, 182, 364)]
)


def clock_ticks(start, until_s, most=7):
    """Round clock times of an axis that begins at `start` and runs `until_s` seconds.

    Takes:   start, a datetime with its zone; until_s [s] above zero; most ticks wanted.
    Returns: tuple of (seconds since the start, local words). Seconds grow evenly across a clock
             change, because they are counted without the zone; only the words jump.
    Source:  own choice of steps.   Valid: up to about a year.
    >>> from datetime import timezone
    >>> clock_ticks(datetime(2026, 11, 12, 17, 2, tzinfo=timezone.utc), 3600, most=4)
    ((780, '17:15'), (1680, '17:30'), (2580, '17:45'), (3480, '18:00'))
    """
    step = next((step for step in STEPS if until_s / step <= most), STEPS[-1])
    since_a_monday = (start.toordinal() - 1) * DAY + start.hour * HOUR + start.minute * MINUTE
    first = -(since_a_monday + start.second) % step
    return tuple((at, _tick_word(start, at, step)) for at in range(first, int(until_s) + 1, step))


def clock_of(start):
    """A function from seconds since `start` to the local clock time, for PumpDown.clock.

    >>> from datetime import timezone
    >>> clock_of(datetime(2026, 11, 12, 17, 2, tzinfo=timezone.utc))(540)
    '17:11'
    """
    first = _local(start, 0).date()

    def words(at_s):
        at = _local(start, at_s)
        return f"{at:%H:%M}" if at.date() == first else f"{at:%a %H:%M}"

    return words


def _local(start, at_s):
    """The local time `at_s` seconds after `start`, right across a clock change."""
    return datetime.fromtimestamp(start.timestamp() + at_s, start.tzinfo)


def _tick_word(start, at_s, step):
    at = _local(start, at_s)
    if step >= DAY:
        return f"{at.day} {at:%b}"
    if at.hour == at.minute == 0:
        return f"{at:%a} {at.day}"
    return f"{at:%H:%M}"


def decades(low, high):
    """The powers of ten that hold both values, as exponents (low, high).

    >>> decades(2e-6, 900.0)
    (-6, 3)
    """
    return math.floor(math.log10(low) + 1e-9), math.ceil(math.log10(high) - 1e-9)


def log_axis(size, low, high, unit, what):
    """Scale, lines and words of a pressure axis over whole decades, or over less than three."""
    scale = Scale(low, high, size.foot, size.top, log=True)
    first, last = decades(low, high)
    every = 1 if last - first <= 6 else 2
    powers = [n for n in range(first, last + 1) if low * 0.999 <= 10.0**n <= high * 1.001]
    named = [n for n in powers if (n - first) % every == (last - first) % every]
    lines = [
        Line("grid", "".join(f"M{size.left:g} {scale(10.0**n):.1f}H{size.end:g}" for n in named)),
        Line("axis", _ticks_left(size, [scale(10.0**n) for n in powers], 5)),
    ]
    words = [Word(power_text(n), size.left - 9, scale(10.0**n) + 4, anchor="end") for n in named]
    if last - first <= 3:
        between = [m * 10.0**n for n in range(first, last + 1) for m in range(2, 10)]
        places = [scale(value) for value in between if scale.holds(value)]
        lines.append(Line("axis", _ticks_left(size, places, 3)))
    if what or unit:
        said = ", ".join(filter(None, [unit, what]))
        words.append(Word(said, size.left + 10, size.top + 10))
    return scale, lines, words


def _ticks_left(size, places, long):
    return "".join(f"M{size.left:g} {y:.1f}h-{long}" for y in places)


def time_axis(size, scale, ticks, first=""):
    """The frame's foot and side; words at the start, then at each time that finds room."""
    frame = Line("axis", f"M{size.left:g} {size.top:g}V{size.foot:g}H{size.end:g}")
    lines, words, free_from = [frame], [], -math.inf
    for at, text in [(scale.low, first), *ticks]:
        x, half = scale(at), len(text) * size.letter / 2
        if not text or not scale.holds(at) or x - half < free_from or x + half > size.width:
            continue
        lines.append(Line("axis", f"M{x:.1f} {size.foot:g}v5"))
        words.append(Word(text, round(x, 1), size.foot + 20, anchor="middle"))
        free_from = x + half + size.letter
    return lines, words


DECADE_RULE = Scale(1e3, 1e-10, 10, 296, log=True)
"""From 10³ on the left to 10⁻¹⁰ on the right, one scale for every gauge, so places can be learned."""


def on_decade_rule(value):
    """The x of a value on the rule of 312 x 36, held at its ends; None for no number.

    >>> on_decade_rule(1e3), on_decade_rule(1e-10), on_decade_rule(None)
    (10.0, 296.0, None)
    """
    if not drawable(value):
        return None
    return round(DECADE_RULE(min(max(value, 1e-10), 1e3)), 1)
