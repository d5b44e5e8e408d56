"""Single values in order: limits from their own scatter, and two tests that cry wolf seldom.

An individuals chart finds one value that jumps; an exponentially weighted mean finds a slow change.
Both begin anew with each phase. Many rules together give many false signals, so there are no others.
"""

import statistics
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

D2 = 1.128
"""Mean range of two normal values in standard deviations: 2/sqrt(pi) = 1.1284."""
LIMIT = 2.66
"""3 / D2: limits of an individuals chart in mean moving ranges."""
FULL = 20  # values from which limits stand; own choice, as in most handbooks
FEWEST = 5  # values of a phase before anything is said; own proposal
WEIGHT, WIDTH = 0.2, 2.962
"""Of the weighted mean: in control one false signal in about 500 values (Lucas and Saccucci,
Technometrics 32 (1990) 1, from memory; recomputed in tests/published)."""


@dataclass(frozen=True)
class Limits:
    """Centre and limits of a phase, from its first values."""

    centre: float
    spread: float  # standard deviation, mean moving range / D2
    low: float
    high: float
    count: int
    provisional: bool


@dataclass(frozen=True)
class Signal:
    """What a chart says about one value."""

    place: int
    kind: str  # "value" or "slow"
    high: bool


def moving_ranges(phases):
    """Distances of neighbours inside each phase."""
    return [abs(b - a) for phase in phases for a, b in pairwise(phase)]


def limits_of(values, more_ranges=(), least=0.0):
    """Centre and limits of an individuals chart.

    Takes:   values of one phase in order; more_ranges, moving ranges of earlier phases, where this
             phase alone has few; least, the smallest spread believed (such as the rounding).
    Returns: Limits, or None with fewer than FEWEST values.
    Source:  NIST/SEMATECH e-Handbook of Statistical Methods 6.3.2.2: centre ± 3 MR/1.128.
    Valid:   values that do not follow one another; provisional below FULL values.
    >>> found = limits_of([10.0, 12.0, 11.0, 9.0, 10.0])
    >>> found.centre, round(found.high, 2), found.provisional
    (10.4, 14.39, True)
    """
    values = list(values)[:FULL]
    if len(values) < FEWEST:
        return None
    ranges = moving_ranges([values])
    if len(ranges) < FULL - 1:
        ranges = [*more_ranges][-(FULL - 1 - len(ranges)) :] + ranges
    centre, spread = statistics.fmean(values), max(statistics.fmean(ranges) / D2, least)
    reach = LIMIT * D2 * spread
    provisional = len(values) < FULL
    return Limits(centre, spread, centre - reach, centre + reach, len(values), provisional)


def signals(values, limits):
    """Signals of one phase: values beyond the limits, and where the weighted mean left its own.

    Takes:   values of the phase in order; limits of it, or None.
    Returns: list of Signal, at most one a value; a value beyond the limits comes first.
    Source:  first rule of the Western Electric set; weighted mean as beside WEIGHT, its limits
             widened for the first values of a phase and for a centre known from few values.
    """
    if limits is None or limits.spread <= 0:
        return []
    found, mean = [], 0.0
    for place, value in enumerate(values):
        size = (value - limits.centre) / limits.spread
        mean = (1 - WEIGHT) * mean + WEIGHT * size
        if not limits.low <= value <= limits.high:
            found.append(Signal(place, "value", size > 0))
        elif abs(mean) > reach_at(place + 1, limits.count):
            found.append(Signal(place, "slow", mean > 0))
    return found


def reach_at(count, known_from=None):
    """Limit of the weighted mean after `count` values, in standard deviations of one value.

    Takes:   count, 1 or more; known_from, from how many values the centre is known (None: exactly).
    Returns: limit. A centre from n values is itself off by 1/sqrt(n), which is added.
    Source:  variance of an exponentially weighted mean; the last term is an own proposal.
    >>> round(reach_at(1), 3), round(reach_at(100), 3), round(reach_at(100, 20), 3)
    (0.592, 0.987, 1.189)
    """
    variance = WEIGHT / (2 - WEIGHT) * (1 - (1 - WEIGHT) ** (2 * count))
    return WIDTH * (variance + (1 / known_from if known_from else 0.0)) ** 0.5


def run_length(weight, width, shift=0.0, cells=101):
    """Values on average until the weighted mean with constant limits signals.

    Takes:   weight, above 0 to 1; width, limit in its own standard deviations; shift of the mean in
             standard deviations of one value; cells of the chain, odd.
    Returns: average run length, starting at the centre.
    Source:  Markov chain of Brook and Evans, Biometrika 59 (1972) 539.
    Valid:   normal, independent values, centre and spread known; within about 1 % at 101 cells.
    >>> 480 < run_length(0.2, 2.962) < 520
    True
    """
    limit = width * (weight / (2 - weight)) ** 0.5
    step = 2 * limit / cells
    middles = -limit + step * (np.arange(cells) + 0.5)
    edges = -limit + step * np.arange(cells + 1)
    reached = (edges[None, :] - (1 - weight) * middles[:, None]) / weight - shift
    chance = np.diff(_below(reached), axis=1)
    return float(np.linalg.solve(np.eye(cells) - chance, np.ones(cells))[cells // 2])


def _below(sizes):
    """Share of a standard normal distribution below each size."""
    normal = statistics.NormalDist()
    return np.vectorize(normal.cdf)(sizes)


@dataclass(frozen=True)
class Chart:
    """A series in phases with its limits, its signals and its own sentence."""

    places: tuple[int, ...]  # where each phase begins
    limits: Limits | None  # of the newest phase
    signals: tuple[Signal, ...]  # places in the whole series
    says: str
    confirmed: bool  # the newest two values of the phase signal the same way
    waits: bool  # the newest signals and no repeat has spoken yet


def chart_of(values, begins=(), *, least=0.0, what="This value", unit="", decimals=2):
    """A series with its phases judged.

    Takes:   values in order; begins, places (other than 0) where a phase begins; least spread;
             what, unit and decimals for the sentence.
    Returns: Chart. Only the newest phase has limits and signals; a signal is confirmed when the
             value after it signals the same way: one odd value is never a flag.
    """
    starts = sorted({0, *(place for place in begins if 0 < place < len(values))})
    ends = [*starts[1:], len(values)]
    phases = [list(values[a:b]) for a, b in zip(starts, ends, strict=True)]
    newest = phases[-1] if values else []
    limits = limits_of(newest, moving_ranges(phases[:-1]), least)
    found = signals(newest, limits)
    last = [s for s in found if s.place == len(newest) - 1]
    before = [s for s in found if s.place == len(newest) - 2]
    confirmed = bool(last and before and last[0].high == before[0].high)
    says = _says(newest, limits, last, confirmed, what, unit, decimals, len(phases))
    placed = tuple(Signal(s.place + starts[-1], s.kind, s.high) for s in found)
    return Chart(tuple(starts), limits, placed, says, confirmed, bool(last) and not confirmed)


def _says(newest, limits, last, confirmed, what, unit, decimals, phases):
    if not newest:
        return "No value yet."
    since = " since the last change" if phases > 1 else ""
    if limits is None:
        return f"{len(newest)} value{'s' * (len(newest) != 1)}{since}; limits come with {FEWEST}."
    tail = f" Limits provisional: {limits.count} of {FULL} values." if limits.provisional else ""
    if not last:
        return f"{what} is as usual{since}.{tail}"
    high = "high" if last[0].high else "low"
    number = f"{newest[-1]:.{decimals}f} {unit}".strip().replace("-", "−")
    if last[0].kind == "value":
        said = f"{what} is {high}: {number} lies beyond its limit."
    else:
        said = f"{what} has crept {'up' if last[0].high else 'down'}: the last values lie {high}."
    if confirmed:
        return f"{said} The repeat says the same.{tail}"
    return f"{said} Repeat it: one value is no proof.{tail}"
