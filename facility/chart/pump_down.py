"""The pressure chart of a pump-down, whole and in its last decades."""

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

from facility.chart.axes import HOUR, MINUTE, decades, figure_text, log_axis, time_axis
from facility.chart.paper import (
    SIZES,
    Dot,
    Drawing,
    Line,
    Scale,
    Word,
    drawable,
    height_of,
    path_of,
    strip,
    thinned,
)
from facility.vacuum.units import from_pascal


@dataclass(frozen=True, slots=True)
class Reading:
    """One pressure on the run's own clock; `state` other than "number" has no pressure."""

    at_s: float
    pascal: float | None
    source: str = "logger"  # or "manual": typed by a person
    gauge: str = ""
    state: str = "number"  # "over", "under", "off"
    url: str = ""
    odd: bool = False

    @property
    def is_number(self):
        """Whether there is a pressure that can be drawn on a log scale."""
        return self.state == "number" and drawable(self.pascal)


@dataclass(frozen=True, slots=True)
class Band:
    """Where 8 of 10 such loads run: lower and upper pressure [Pa] at times [s]."""

    at_s: Sequence[float]
    low_pa: Sequence[float]
    high_pa: Sequence[float]
    says: str = "where 8 of 10 such loads run"


@dataclass(frozen=True, slots=True)
class Forecast:
    """When the threshold will be crossed; `path` is the expected curve from now on as (s, Pa)."""

    ready_s: float
    low80_s: float
    high80_s: float
    path: Sequence[tuple[float, float]] = ()
    word: str = "ready"


@dataclass(frozen=True, slots=True)
class PumpDown:
    """All that a pressure chart shows. `clock` turns seconds since the start into local words."""

    readings: Sequence[Reading]
    clock: Callable[[float], str]
    unit: str = "mbar"
    threshold_pa: float | None = None
    band: Band | None = None
    forecast: Forecast | None = None
    crossed_s: float | None = None
    until_s: float | None = None
    ticks: Sequence[tuple[float, str]] = ()
    gap_s: float | None = None  # a longer silence breaks the line; None: five times the usual step
    what: str = ""  # such as: introduction chamber


@dataclass(frozen=True, slots=True)
class Row:
    """One line of the table that says the same in figures."""

    when: str
    pascal: float | None
    state: str
    source: str

    @property
    def state_word(self):
        """What stands where there is no number."""
        return {"over": "over range", "under": "under range", "off": "gauge off"}.get(
            self.state, self.state
        )


def runs_without_gaps(readings, gap_s=None):
    """Readings cut into stretches that a line may join: one gauge each, no silence, no gauge off.

    Takes:   readings in time order; gap_s [s], the longest silence a line may cross, or None for
             five times the usual step (at least two minutes; three hours where people typed).
    Returns: list of lists, each with at least one reading that has a number.
    >>> def at(t, p=1.0): return Reading(t, p)
    >>> [len(run) for run in runs_without_gaps([at(0), at(10), at(20), at(900), at(910)])]
    [3, 2]
    """
    longest = gap_s or _longest_silence(readings)
    stretches, open_run = [], {}
    for reading in readings:
        run = open_run.get(reading.gauge)
        if not reading.is_number:
            open_run.pop(reading.gauge, None)
        elif run and reading.at_s - run[-1].at_s <= longest:
            run.append(reading)
        else:
            open_run[reading.gauge] = [reading]
            stretches.append(open_run[reading.gauge])
    return stretches


def _longest_silence(readings):
    steps = sorted(b.at_s - a.at_s for a, b in pairwise(readings) if b.at_s > a.at_s)
    typed = sum(reading.source == "manual" for reading in readings)
    if not steps or typed * 2 >= len(readings):
        return 3 * HOUR
    return max(5 * steps[len(steps) // 2], 2 * MINUTE)


def _band_lines(band, x, y, unit):
    lows = [(x(t), height_of(y, p, unit)) for t, p in zip(band.at_s, band.low_pa, strict=True)]
    highs = [(x(t), height_of(y, p, unit)) for t, p in zip(band.at_s, band.high_pa, strict=True)]
    lows, highs = thinned(lows), thinned(highs)
    return [
        Line("band", path_of(highs + lows[::-1]) + "Z"),
        Line("band-edge", path_of(lows) + path_of(highs)),
    ]


def pressure_chart(pump_down, sizes=SIZES):
    """The pump-down drawn for each of `sizes`, whole decades from the first reading to the goal."""
    low, high = _reach(pump_down)
    first, last = decades(low, high)
    axis = (10.0**first, 10.0 ** max(last, first + 1))
    return tuple(_pressure_drawing(pump_down, size, axis, pump_down.what) for size in sizes)


def last_decades(pump_down, sizes=SIZES, count=2):
    """The same from where the threshold matters: `count` decades down to just below it.

    The whole chart spends most of its height on the first three minutes; this one does not.
    Returns: drawings, or () where nothing was read inside these decades yet.
    """
    readings = sorted(pump_down.readings, key=lambda reading: reading.at_s)
    values = [from_pascal(r.pascal, pump_down.unit) for r in readings if r.is_number]
    goal = pump_down.threshold_pa
    foot = min([from_pascal(goal, pump_down.unit)] if goal else values[-1:], default=None)
    if foot is None:
        return ()
    low = min([foot, *values]) / 2
    high = low * 10.0**count
    inside = [r for r in readings if r.is_number and from_pascal(r.pascal, pump_down.unit) <= high]
    if not inside:
        return ()
    what = "the last decade" if count == 1 else f"the last {count} decades"
    closer = replace(pump_down, readings=readings, what=what)
    start = inside[0].at_s
    return tuple(_pressure_drawing(closer, size, (low, high), what, start) for size in sizes)


def _reach(pump_down):
    """The lowest and highest pressure to be shown, in the drawing's unit."""
    values = [from_pascal(r.pascal, pump_down.unit) for r in pump_down.readings if r.is_number]
    goal = pump_down.threshold_pa
    if goal:
        values.append(from_pascal(goal, pump_down.unit) / 3)
    if any(reading.state == "over" for reading in pump_down.readings) and values:
        values.append(max(values) * 2)
    if len(values) < 2:
        values += [1e3] if goal or values else [1e-6, 1e3]
    return min(values), max(values)


def _until(pump_down):
    """Where the time axis ends [s]."""
    if pump_down.until_s:
        return pump_down.until_s
    last = max((reading.at_s for reading in pump_down.readings), default=0)
    ahead = pump_down.forecast.high80_s if pump_down.forecast else 0
    return max(last * 1.08, ahead * 1.08, 10 * MINUTE)


def _pressure_drawing(pump_down, size, axis, what, start_s=0.0):
    x = Scale(start_s, max(_until(pump_down), start_s + MINUTE), size.left, size.end)
    y, ground, words = log_axis(size, *axis, pump_down.unit, what)
    start_word = pump_down.clock(start_s) if pump_down.ticks else ""
    time_lines, time_words = time_axis(size, x, pump_down.ticks, start_word)
    readings = sorted(pump_down.readings, key=lambda reading: reading.at_s)
    inside, dots, above = [], [], []
    if pump_down.band:
        inside += _band_lines(pump_down.band, x, y, pump_down.unit)
        words += _band_word(pump_down, size, x, y)
    if pump_down.threshold_pa:
        goal_lines, goal_words = _goal(pump_down, size, x, y)
        inside += goal_lines
        words += goal_words
    inside += _curves(readings, pump_down, size, x, y)
    above += _over_ticks(readings, size, x, y)
    dots += _reading_dots(readings, pump_down, size, x, y)
    words += _last_word(readings, pump_down, size, x, y)
    if pump_down.forecast and pump_down.threshold_pa:
        lines, diamond, said = _forecast(pump_down, size, x, y)
        above += lines
        dots += diamond
        words += said
    if pump_down.crossed_s is not None and pump_down.threshold_pa and x.holds(pump_down.crossed_s):
        line, said = _crossing(pump_down, size, x, y)
        above.append(line)
        words.append(said)
    if any(line.kind == "over" for line in above):
        words.append(Word("over range", size.end, size.top - 2, anchor="end"))
    return Drawing(
        size=size.name,
        width=size.width,
        height=size.height,
        clip=(size.left, size.top, size.end - size.left, size.foot - size.top),
        says=_spoken(readings, pump_down),
        ground=tuple(ground + time_lines),
        inside=tuple(line for line in inside if line.d),
        above=tuple(above),
        dots=tuple(dots),
        words=tuple(words + time_words),
    )


def _curves(readings, pump_down, size, x, y):
    """One line a stretch; `dense` ones are thinner, so that noise does not become a black bar."""
    lines = []
    for run in runs_without_gaps(readings, pump_down.gap_s):
        places = [(x(r.at_s), y(from_pascal(r.pascal, pump_down.unit))) for r in run]
        kind = "curve dense" if len(places) > (size.end - size.left) / 2 else "curve"
        if len(places) > 1:
            lines.append(Line(kind, path_of(thinned(places))))
    if pump_down.forecast and pump_down.forecast.path:
        ahead = [(x(t), height_of(y, p, pump_down.unit)) for t, p in pump_down.forecast.path]
        lines.append(Line("ahead", path_of(thinned(ahead))))
    return lines


def _over_ticks(readings, size, x, y):
    """A row of ticks at the top where the gauge said no more than “over”, at the foot for under."""
    lines = []
    for state, place, step in (("over", size.top, 7), ("under", size.foot, -7)):
        columns = sorted(
            {round(x(r.at_s)) for r in readings if r.state == state and x.holds(r.at_s)}
        )
        if columns:
            lines.append(Line("over", "".join(f"M{at} {place:g}v{step}" for at in columns)))
    return lines


def _reading_dots(readings, pump_down, size, x, y):
    """Typed readings as open circles; a logger's as dots while there is room for them."""
    shown = [r for r in readings if r.is_number and x.holds(r.at_s)]
    logged = [r for r in shown if r.source != "manual"]
    roomy = len(logged) < 3 or x(logged[-1].at_s) - x(logged[0].at_s) >= 9 * (len(logged) - 1)
    places = [
        (r, x(r.at_s), y(from_pascal(r.pascal, pump_down.unit)))
        for r in shown
        if r.source == "manual" or roomy or r.odd
    ]
    places = [place for place in places if size.top - 1 <= place[2] <= size.foot + 1]
    linked = [place[1] for place in places if place[0].url]
    return [
        Dot(
            x=round(at, 1),
            y=round(height, 1),
            kind="warn" if r.odd else "typed" if r.source == "manual" else "logger",
            r=5 if r.source == "manual" or r.odd else 2.5,
            url=r.url,
            says=f"{pump_down.clock(r.at_s)}, {_amount(r.pascal, pump_down.unit)}",
            hit=strip(at, linked, size) if r.url else None,
            stop=r.odd or r is shown[-1],
        )
        for r, at, height in places
    ]


def _amount(pascal, unit):
    return figure_text(from_pascal(pascal, unit), unit)


def _last_word(readings, pump_down, size, x, y):
    """Time and pressure of the last reading, beside it on the side that has room."""
    last = next((r for r in reversed(readings) if r.is_number), None)
    if last is None or pump_down.crossed_s is not None or not x.holds(last.at_s):
        return []
    value = from_pascal(last.pascal, pump_down.unit)
    text = f"{pump_down.clock(last.at_s)}, {figure_text(value)}"
    at, height = x(last.at_s), y(value)
    if not size.top <= height <= size.foot:
        return []
    wide = len(text) * size.letter
    anchor = "start" if at + 12 + wide < size.end else "end"
    shift = 12 if anchor == "start" else -2
    return [
        Word(text, round(at + shift, 1), round(max(height - 11, size.top + 24), 1), "said", anchor)
    ]


def _goal(pump_down, size, x, y):
    """The threshold, dashed, with its words where the forecast leaves room for them."""
    value = from_pascal(pump_down.threshold_pa, pump_down.unit)
    height = y(value)
    line = Line("threshold", f"M{size.left:g} {height:.1f}H{size.end:g}")
    text = f"transfer below {figure_text(value)}"
    if size.name == "phone" and pump_down.forecast:
        return [line], [Word(f"dashed: {text}", size.left + 10, size.top + 30)]
    wide = len(text) * size.letter
    ready = x(pump_down.forecast.ready_s) if pump_down.forecast else -math.inf
    if ready > size.end - wide - 70 or pump_down.crossed_s is not None:
        return [line], [Word(text, size.left + 8, round(height - 8, 1))]
    late = pump_down.forecast and x(pump_down.forecast.high80_s) > size.end - wide
    return [line], [Word(text, size.end, round(height - (14 if late else 8), 1), anchor="end")]


def _forecast(pump_down, size, x, y):
    """The 80 % interval as a bracket on the threshold, its median a diamond, its times in words."""
    forecast = pump_down.forecast
    height = y(from_pascal(pump_down.threshold_pa, pump_down.unit))
    low, ready, high = (
        min(max(x(at), size.left), size.end)
        for at in (forecast.low80_s, forecast.ready_s, forecast.high80_s)
    )
    ends = [at for at, s in ((low, forecast.low80_s), (high, forecast.high80_s)) if x.holds(s)]
    ticks = "".join(f"M{at:.1f} {height - 8:.1f}v16" for at in ends)
    line = Line("bracket", f"M{low:.1f} {height:.1f}H{high:.1f}{ticks}")
    diamond = (
        [Dot(round(ready, 1), round(height, 1), "ready", 8)] if x.holds(forecast.ready_s) else []
    )
    return [line], diamond, _forecast_words(pump_down, size, x, height)


def _forecast_words(pump_down, size, x, height):
    forecast, kind = pump_down.forecast, "said calm-word"
    low, high = pump_down.clock(forecast.low80_s), pump_down.clock(forecast.high80_s)
    narrow = x(forecast.high80_s) - x(forecast.low80_s) < (len(low) + len(high)) * size.letter
    words = []
    crossed = low == high  # it is known when: the word above says it
    if x.holds(forecast.low80_s) and not crossed:
        anchor = "end" if narrow else "middle"
        words.append(Word(low, round(x(forecast.low80_s), 1), round(height + 21, 1), kind, anchor))
    if x.holds(forecast.high80_s) and not crossed:
        anchor = "start" if narrow else "middle"
        words.append(
            Word(high, round(x(forecast.high80_s), 1), round(height + 21, 1), kind, anchor)
        )
    if x.holds(forecast.ready_s):
        said = f"{forecast.word} {pump_down.clock(forecast.ready_s)}"
        above = height - (40 if pump_down.crossed_s is not None else 16)  # over the time found
        words.append(_held(said, x(forecast.ready_s), above, size, kind))
    return words


def _held(text, at, height, size, kind):
    """A word in the middle over `at`, moved inwards where it would leave the plot."""
    half = len(text) * size.letter / 2
    at = min(max(at, size.left + half + 4), size.end - half)
    return Word(text, round(at, 1), round(height, 1), kind, "middle")


def _crossing(pump_down, size, x, y):
    """Where the curve was found to pass the threshold, and when."""
    at = x(pump_down.crossed_s)
    height = y(from_pascal(pump_down.threshold_pa, pump_down.unit))
    said = f"found {pump_down.clock(pump_down.crossed_s)}"
    return Line("bracket", f"M{at:.1f} {height - 12:.1f}v24"), _held(
        said, at, height - 18, size, "said"
    )


def _band_word(pump_down, size, x, y):
    """What the band means, above it at two fifths of the width."""
    band = pump_down.band
    if size.name == "phone" or not band.says:
        return []
    part = 0.42 if pump_down.crossed_s is None else 0.66
    at_s = x.low + (x.high - x.low) * part
    nearest = min(range(len(band.at_s)), key=lambda n: abs(band.at_s[n] - at_s))
    height = height_of(y, band.high_pa[nearest], pump_down.unit)
    if not size.top + 50 < height <= size.foot:
        return []
    return [Word(band.says, round(x(at_s), 1), round(height - 30, 1), anchor="start")]


def _spoken(readings, pump_down):
    """The drawing in one breath, for whoever does not see it."""
    numbers = [r for r in readings if r.is_number]
    parts = [f"Pressure against time, log scale{', ' + pump_down.what if pump_down.what else ''}."]
    if numbers:
        last = numbers[-1]
        parts.append(f"{len(readings)} readings, the last {pump_down.clock(last.at_s)}:")
        parts.append(f"{_amount(last.pascal, pump_down.unit)}.")
    else:
        parts.append("No reading yet.")
    if pump_down.threshold_pa:
        parts.append(f"Transfer below {_amount(pump_down.threshold_pa, pump_down.unit)}.")
    if pump_down.forecast:
        low, ready, high = (
            pump_down.clock(at)
            for at in (
                pump_down.forecast.low80_s,
                pump_down.forecast.ready_s,
                pump_down.forecast.high80_s,
            )
        )
        between = "" if low == high else f", 80 % between {low} and {high}"
        parts.append(f"Forecast {ready}{between}.")
    over = sum(r.state == "over" for r in readings)
    if over:
        parts.append(f"{over} over range.")
    return " ".join(parts)


def rows(pump_down, most=60):
    """The table under the chart: every typed or odd reading, and of the rest evenly `most` at most."""
    readings = sorted(pump_down.readings, key=lambda reading: reading.at_s)
    every = max(1, math.ceil(len(readings) / most))
    return tuple(
        Row(pump_down.clock(r.at_s), r.pascal, r.state, r.source)
        for n, r in enumerate(readings)
        if n % every == 0 or r.source == "manual" or r.odd or r is readings[-1]
    )
