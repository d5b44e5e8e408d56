"""Control charts, and the small drawings of the review."""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

from facility.chart.paper import (
    Dot,
    Drawing,
    Line,
    Scale,
    Size,
    Word,
    drawable,
    height_of,
    path_of,
    strip,
    thinned,
)
from facility.chart.pump_down import Band
from facility.vacuum.units import from_pascal


@dataclass(frozen=True, slots=True)
class Point:
    """One value of a control chart: `word` names it on the axis, `says` when it is pointed at."""

    value: float
    word: str = ""
    says: str = ""
    url: str = ""
    odd: bool = False
    phase: bool = False  # a new phase begins with this point: the line breaks before it


CONTROL_SIZES = (
    Size("upright", 780, 240, left=70),
    Size("across", 600, 300, left=70, letter=7.6),
    Size("phone", 360, 300, left=58, right=10, letter=8.2),
)
EVIDENCE = Size("evidence", 240, 84, left=6, right=8, top=14, bottom=18, letter=7)


def control_chart(points, *, sizes=CONTROL_SIZES, says="", **limits):
    """Single values in order, with their centre and limits; every point may be a link.

    Takes:   points in order; centre, low, high in the values' own unit, each left out where not
             known; unit; decimals (2); says: the chart's own signal in words.
    Returns: one Drawing for each of `sizes`.   Raises: ValueError without points.
    """
    if not points:
        raise ValueError("a control chart needs at least one point")
    return tuple(_control_drawing(points, size, says, **limits) for size in sizes)


def evidence(points, says="", **limits):
    """A control chart of 240 x 84 for the review: limits dashed, one odd value with its number."""
    return control_chart(points, sizes=(EVIDENCE,), says=says, **limits)[0]


def _control_drawing(points, size, says, centre=None, low=None, high=None, unit="", decimals=2):
    small = size.name == "evidence"
    x, y = _control_scales(points, size, (centre, low, high))
    places = [(round(x(n), 1), round(y(p.value), 1)) for n, p in enumerate(points)]
    words = _odd_words(points, places, size, unit, decimals)
    if not small:
        words += _value_words(points, size, y, centre, low, high, unit, decimals)
        words += _point_words(points, places, size)
    return Drawing(
        size=size.name,
        width=size.width,
        height=size.height,
        clip=(size.left, 0, size.end - size.left, size.height),
        says=says or f"{len(points)} values in order",
        ground=tuple(_control_ground(size, y, centre, low, high, small)),
        inside=_control_lines(points, places, size),
        dots=tuple(_control_dots(points, places, size)),
        words=tuple(words),
    )


def _control_scales(points, size, limits):
    drawn = [p.value for p in points] + [v for v in limits if v is not None]
    spread = (max(drawn) - min(drawn)) or max(abs(max(drawn)), 1.0) * 0.1
    x = Scale(0, max(len(points) - 1, 1), size.left + 10, size.end - 10)
    y = Scale(min(drawn) - 0.12 * spread, max(drawn) + 0.12 * spread, size.foot, size.top)
    return x, y


def _control_ground(size, y, centre, low, high, small):
    if centre is not None:
        yield Line("grid", f"M{size.left:g} {y(centre):.1f}H{size.end:g}")
    for value in (low, high):
        if value is not None:
            yield Line("limit", f"M{size.left:g} {y(value):.1f}H{size.end:g}")
    if not small:
        yield Line("axis", f"M{size.left:g} {size.top:g}V{size.foot:g}H{size.end:g}")


def _control_lines(points, places, size):
    """The joining line, broken where a phase begins, and a dashed upright there."""
    starts = [n for n, point in enumerate(points) if point.phase and n]
    cuts = [0, *starts, len(points)]
    curve = "".join(path_of(places[a:b]) for a, b in pairwise(cuts))
    phases = "".join(
        f"M{(places[n - 1][0] + places[n][0]) / 2:.1f} {size.top:g}V{size.foot:g}" for n in starts
    )
    return tuple(line for line in (Line("curve", curve), Line("phase", phases)) if line.d)


def _control_dots(points, places, size):
    linked = [place[0] for point, place in zip(points, places, strict=True) if point.url]
    for point, (at, height) in zip(points, places, strict=True):
        yield Dot(
            x=at,
            y=height,
            kind="warn" if point.odd else "typed",
            r=3 if size.name == "evidence" else 5,
            url=point.url,
            says=point.says or point.word,
            hit=strip(at, linked, size) if point.url else None,
            stop=point.odd,
        )


def _value_words(points, size, y, centre, low, high, unit, decimals):
    """The figures at the axis, and the word limit at the end of each limit.

    Without a limit and a centre, the least and the greatest value that was found.
    """
    known = [value for value in (low, centre, high) if value is not None]
    found = [point.value for point in points]
    for value in known or sorted({min(found), max(found)}):
        height = round(y(value) + 4, 1)
        yield Word(_signed(value, decimals), size.left - 9, height, anchor="end")
    for value, shift in ((low, 16), (high, -6)):
        if value is not None:
            height = round(y(value) + shift, 1)
            yield Word("limit", size.left + 10, height, "axis-word warn-word")
    if unit:
        yield Word(unit, size.left - 9, size.top + 2, anchor="end")


def _point_words(points, places, size):
    """What each point is called, under the axis, where there is room."""
    free_from = -math.inf
    for point, (at, _) in zip(points, places, strict=True):
        half = len(point.word) * size.letter / 2
        if point.word and at - half >= free_from and at + half <= size.width:
            yield Word(point.word, at, size.foot + 20, anchor="middle")
            free_from = at + half + size.letter


def _signed(value, decimals):
    return f"{value:.{decimals}f}".replace("-", "−")


def _odd_words(points, places, size, unit, decimals):
    words = []
    for point, (at, height) in zip(points, places, strict=True):
        if point.odd:
            text = f"{point.value:+.{decimals}f} {unit}".rstrip().replace("-", "−")
            anchor = "end" if at > size.width / 2 else "start"
            words.append(Word(text, at, round(max(height - 9, 10), 1), "said warn-word", anchor))
    return words


def evidence_curve(curve, *, band=None, unit="mbar", odd=True, says="", word="", ends=("", "")):
    """One pump-down of 240 x 84 against its band, both axes logarithmic.

    Takes:   curve, (seconds, pascal) pairs from later than 0 s on; band; word: what is odd, such
             as “3.1 times”; ends: words under the first and the last time.
    Returns: Drawing.   Raises: ValueError with fewer than two usable pairs.
    """
    size = EVIDENCE
    usable = [(t, from_pascal(p, unit)) for t, p in curve if t > 0 and drawable(p)]
    if len(usable) < 2:
        raise ValueError(f"a curve needs two readings later than 0 s, not {len(usable)}")
    x, y = _small_scales(usable, band, unit, size.left, size.end, size.foot, size.top)
    inside = _small_band(band, x, y, unit)
    places = [(x(t), y(p)) for t, p in usable]
    inside.append(Line("odd" if odd else "curve", path_of(thinned(places))))
    words = [
        Word(ends[0], size.left, size.height - 2),
        Word(ends[1], size.end, size.height - 2, anchor="end"),
    ]
    if word:
        kind = "said warn-word" if odd else "said"
        words.append(Word(word, size.end, size.top - 2, kind, "end"))
    return Drawing(
        size=size.name,
        width=size.width,
        height=size.height,
        clip=(size.left, 0, size.end - size.left, size.foot),
        says=says,
        ground=(Line("axis", f"M{size.left:g} {size.foot:g}H{size.end:g}"),),
        inside=tuple(inside),
        words=tuple(word for word in words if word.text),
    )


def _small_band(band, x, y, unit):
    if not band:
        return []
    kept = [n for n, t in enumerate(band.at_s) if t > 0 and x.low <= t <= x.high]
    if len(kept) < 2:
        return []
    lows = [(x(band.at_s[n]), height_of(y, band.low_pa[n], unit)) for n in kept]
    highs = [(x(band.at_s[n]), height_of(y, band.high_pa[n], unit)) for n in kept]
    return [Line("band", path_of(thinned(highs) + thinned(lows)[::-1]) + "Z")]


def pump_downs_in_a_row(runs, *, unit="mbar", from_s=60.0, until_s=3600.0, says="", columns=9):
    """Pump-downs side by side on the same scales: a week at a glance.

    Takes:   runs in order; from_s, until_s [s]: the stretch that all of them show.
    Returns: Drawing of 1020 x 118 for nine columns; an odd run is drawn in the tone of a warning.
    """
    wide, gap, foot, top = 113.3, 14, 90, 8
    size = Size("row", round(wide * columns), 118, left=0, right=0, top=top, bottom=118 - foot)
    cut = [
        [(t, from_pascal(p, unit)) for t, p in run.curve if from_s <= t <= until_s and drawable(p)]
        for run in runs[:columns]
    ]
    values = [p for curve in cut for _, p in curve] or [1.0]
    y = Scale(min(values) / 1.5, max(max(values), min(values) * 2), foot - 3, top, log=True)
    ground, inside, words, dots = [], [], [], []
    for n, (run, curve) in enumerate(zip(runs, cut, strict=False)):
        left = 4 + n * wide
        x = Scale(from_s, until_s, left, left + wide - gap, log=True)
        ground.append(Line("axis", f"M{left:.1f} {foot}h{wide - gap:.1f}"))
        inside += _small_band(run.band, x, y, unit)
        places = [(x(t), y(p)) for t, p in curve]
        if len(places) > 1:
            inside.append(Line("odd" if run.odd else "curve", path_of(thinned(places))))
        words.append(
            Word(run.word, round(left, 1), foot + 18, "said warn-word" if run.odd else "axis-word")
        )
        if run.url:
            hit = (round(left, 1), 0, round(wide - gap, 1), 118)
            dots.append(Dot(left, foot, "none", 0, run.url, run.word, hit, stop=True))
    return Drawing(
        size=size.name,
        width=size.width,
        height=size.height,
        clip=(0, 0, size.width, foot),
        says=says or f"{len(runs)} pump-downs side by side",
        ground=tuple(ground),
        inside=tuple(inside),
        dots=tuple(dots),
        words=tuple(words),
    )


@dataclass(frozen=True, slots=True)
class SmallRun:
    """One pump-down in a row of them: its curve as (s, Pa), its band, its words."""

    curve: Sequence[tuple[float, float]]
    word: str
    band: Band | None = None
    odd: bool = False
    url: str = ""


def _small_scales(usable, band, unit, left, right, foot, top):
    times, values = [t for t, _ in usable], [p for _, p in usable]
    if band:
        near = [n for n, t in enumerate(band.at_s) if times[0] <= t <= times[-1]]
        values = values + [
            from_pascal(side[n], unit)
            for n in near
            for side in (band.low_pa, band.high_pa)
            if drawable(side[n])
        ]
    low, high = min(values), max(values)
    return (
        Scale(times[0], max(times[-1], times[0] * 1.001), left, right, log=True),
        Scale(low, max(high, low * 1.5), foot - 3, top, log=True),
    )
