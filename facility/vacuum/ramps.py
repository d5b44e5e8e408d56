"""Slow ramps found in numbers that differ anyway: when to say that something has changed.

A row of numbers, one a run, usual around zero. A ramp that may have begun at any run is weighed
against everything else that moves such numbers: chance, neighbouring runs that resemble each other,
the season. The weight is ln of the odds that there is a ramp, averaged over where it may have begun
and how steep it may be, so that a short steep burst, which no failing pump makes, counts for little.
"""

import math
from dataclasses import dataclass, field

import numpy as np

WAYS = ("speed", "leak")
# Of the weight, above which an alarm is given. Set on simulated laboratories, see the method page.
LIMIT = 1.2
# Taken off first: a leak is rarer news than the level, and an instrument that gets better by itself
# is rarer still (own proposal).
ALLOWANCE = {("speed", 1): 0.0, ("speed", -1): 3.0, ("leak", 1): 0.7, ("leak", -1): 3.7}
# A ramp's likely size a week, in ln p and in thresholds, as a standard deviation: a third of the
# speed, or of a threshold, in eight weeks are 0.045 and 0.04 (own proposal).
STEEPNESS = {"speed": 0.06, "leak": 0.1}
STARTS, SHORTEST, LONGEST = 2, 10, 70  # runs: between starts, and from a ramp's start to now
STARTS_COUNT = 10.0  # starts that count as one, by how much neighbours tell the same
SEASONS, YEAR = {"speed": 0.03, "leak": 0.01}, 365.25  # size of a season; days
WANDER, WANDERS = {"speed": 0.03, "leak": 0.015}, 60.0  # slow changes that mean nothing; days
OFFSET = 0.3  # how far the usual value may lie from that of the first runs
# A change that was told goes on as it likes: so steep a week, and bending by so much every so many
# runs. It is told again only where it bends by more than that, and by so much more weight.
FREE, BENDS, EVERY, AGAIN = 0.5, 0.06, 10, 0.0
LEAST_SCALE, USUAL_SHARE = 0.5, 0.25
MEMORIES, SHARES = (2.0, 6.0, 20.0), (0.0, 0.2, 0.4, 0.6, 0.8)  # days; of the variance
LATELY, CLIP = 7, 2.0  # runs; standard deviations: one odd run is not a drift
PAUSE = 10  # runs after an alarm before anything is told again
GONE = 0.0  # a weight below which a change that was told is no more
BLOCK, WATCHED = 60, 240  # runs answered in one go, and looked at for them


@dataclass(frozen=True, eq=False)
class Series:
    """One way to fail, run by run."""

    day: np.ndarray  # (n,)
    value: np.ndarray  # (n,), less its usual value, far-out runs pulled in
    spread: np.ndarray  # (n,), standard deviation of one run
    share: float  # of the variance that days share
    memory: float  # days

    def rows(self, rows):
        return Series(self.day[rows], self.value[rows], self.spread[rows], self.share, self.memory)


@dataclass(frozen=True)
class Ramp:
    """A ramp that was seen: at which run, in which way, since which run, how steep a week."""

    end: int
    way: int
    start: int
    per_week: float


def series_of(day, values, variances, first):
    """Values against their usual in the first runs, with the size and memory of their noise.

    Takes:   day (n,); values and variances (n,), a run each; first, how many say what is usual.
    Returns: Series.
    """
    reference = slice(0, first)
    middle = np.median(values[reference])
    size = np.abs(values[reference] - middle) / np.sqrt(variances[reference])
    spread = np.sqrt(variances) * max(1.48 * float(np.median(size)), LEAST_SCALE)
    value = _pulled_in((values - middle) / spread) * spread
    share, memory = _noise(day[reference], value[reference] / spread[reference])
    return Series(day, value, spread, share, memory)


def _pulled_in(sizes):
    """Far-out runs pulled to within CLIP of the middle of the runs before them."""
    kept = sizes.copy()
    for place in range(sizes.size):
        middle = float(np.median(kept[max(place - LATELY, 0) : place])) if place else 0.0
        kept[place] = np.clip(sizes[place], middle - CLIP, middle + CLIP)
    return kept


def _noise(day, white):
    """Which share of the variance neighbouring runs share, and for how many days, by likelihood."""
    gap = np.abs(day[:, None] - day[None, :])
    best = (-np.inf, SHARES[1], MEMORIES[1])
    for share in SHARES:
        for memory in MEMORIES:
            total = share * np.exp(-gap / memory) + (1 - share) * np.eye(day.size)
            lower = np.linalg.cholesky(total)
            solved_for = np.linalg.solve(lower, white)
            chance = -0.5 * solved_for @ solved_for - np.log(np.diag(lower)).sum()
            chance -= 8.0 * (share - USUAL_SHARE) ** 2  # few runs must not speak too surely
            best = max(best, (chance, share, memory))
    return best[1:]


# Weighing ramps


@dataclass(frozen=True, eq=False)
class Weights:
    """Every ramp of one way, weighed at every run: (n, starts)."""

    starts: np.ndarray  # (starts,), places
    sure: np.ndarray  # how much the runs so far tell of a ramp from each start
    pull: np.ndarray  # and what they tell

    def slope(self, end, start):
        place = int(np.searchsorted(self.starts, start))
        return float(self.pull[end, place] / max(self.sure[end, place], 1e-12))


def weights_of(series, way, told=()):
    """Ramps from every start, by the runs up to each.

    Takes:   series; way, a word of WAYS; told, (place, a week) from where on the slope is free by
    so much: a change that was told already, whatever became of it.
    Returns: Weights.
    Source:  normal distributions; a triangular whitening knows nothing of later runs.
    """
    day = series.day
    gap = np.abs(day[:, None] - day[None, :])
    total = series.share * np.exp(-gap / series.memory) * np.outer(series.spread, series.spread)
    total[np.diag_indices(day.size)] += (1 - series.share) * series.spread**2
    total += SEASONS[way] ** 2 * np.cos(2 * np.pi * gap / YEAR)
    total += WANDER[way] ** 2 * np.exp(-gap / WANDERS) + OFFSET**2
    for place, free in told:
        since = free * np.maximum(day - day[place], 0.0) / 7.0
        total += np.outer(since, since)
    starts = np.arange(0, day.size, STARTS)
    shapes = np.maximum(day[:, None] - day[starts], 0.0) / 7.0
    white = np.linalg.solve(np.linalg.cholesky(total), np.column_stack([series.value, shapes]))
    return Weights(
        starts, np.cumsum(white[:, 1:] ** 2, 0), np.cumsum(white[:, 1:] * white[:, :1], 0)
    )


def odds(weights, way, sign):
    """ln of the odds for a ramp from each start against none, (n, starts).

    Slopes are as likely as one half of a normal distribution of width STEEPNESS says.
    """
    variance = STEEPNESS[way] ** 2
    precision = weights.sure + 1 / variance
    best = sign * weights.pull / precision
    return (
        -0.5 * np.log(weights.sure * variance + 1)
        + 0.5 * best**2 * precision
        + ln_normal(best * np.sqrt(precision))
        + math.log(2.0)
    )


def ln_normal(z):
    """ln of the normal distribution function, within 0.06.

    Source: Mills' ratio between its bounds 2 / (x + sqrt(x^2 + 4)) and 2 / (x + sqrt(x^2 + 8 / pi)),
    exact at 0 (Birnbaum 1942; from memory); tested against scipy.
    >>> ln_normal(np.array([0.0, -6.0])).round(2)
    array([ -0.69, -20.73])
    """
    x = np.abs(z)
    mills = 2 / (x + np.sqrt(x * x + 8 / math.pi))
    ln_tail = -0.5 * x * x + np.log(mills / math.sqrt(2 * math.pi))
    return np.where(z > 0, np.log1p(-np.exp(ln_tail)), ln_tail)


def averaged(odds, starts, allowed):
    """ln of the mean odds over the allowed starts (n, starts), and the likeliest of them, (n,)."""
    kept = np.where(allowed, odds, -np.inf)
    top = kept.max(1)
    safe = np.where(np.isfinite(top), top, 0.0)
    total = np.log(np.maximum(np.exp(kept - safe[:, None]).sum(1), 1e-300)) + safe
    return total - math.log(STARTS_COUNT), starts[kept.argmax(1)]


# Watching


@dataclass
class _Told:
    """What was told and still holds: since when, in which way, and seen at which run."""

    start: int = -1
    way: int = 0
    sign: int = 0
    end: int = -1


@dataclass
class Watch:
    """Runs watched one after another; what was told is told once, until it is gone or grows."""

    told: _Told = field(default_factory=_Told)
    quiet: int = 0
    oldest: int = 0

    def over(self, all_series, first, until):
        """The Ramps told at the runs from first to until (places), by the runs up to each.

        Takes:   all_series, a Series for each of WAYS; first and until, places.
        Returns: list of Ramp. Called again for later runs it goes on from there.
        """
        found = []
        for begin in range(first, until, BLOCK):
            end = min(begin + BLOCK, until)
            found += self._block(all_series, begin, end)
        return found

    def _block(self, all_series, begin, end):
        base = max(begin + BLOCK - WATCHED, 0)  # not by `end`: what is said of a run must stay
        rows = slice(base, end)
        own = [series.rows(rows) for series in all_series]
        found, at = [], begin
        while at < end:
            if self.told.sign:
                gone = self._gone(own, base, at, end)
                ramp = self._next(own, base, at, gone, self._kinks(own, base))
                if ramp is None:
                    at = gone
                    if gone < end:
                        self.oldest, self.told = self.told.end, _Told()
                    continue
            else:
                ramp = self._next(own, base, at, end)
                if ramp is None:
                    break
            found.append(ramp)
            sign = 1 if ramp.per_week > 0 else -1
            self.told = _Told(ramp.start, ramp.way, sign, ramp.end)
            self.oldest, self.quiet, at = ramp.end, ramp.end + PAUSE, ramp.end + 1
        return found

    def _kinks(self, own, base):
        start, end = (max(place - base, 0) for place in (self.told.start, self.told.end))
        bends = range(start + EVERY, own[0].day.size, EVERY)
        return [(start, FREE), (end, FREE), *((place, BENDS) for place in bends)]

    def _gone(self, own, base, at, end):
        """The first run from `at` on at which what was told is no more; `end` where it holds."""
        told = self.told
        weights = weights_of(own[told.way], WAYS[told.way])
        weight, _ = averaged(
            odds(weights, WAYS[told.way], told.sign),
            weights.starts,
            np.broadcast_to(weights.starts <= told.end - base, weights.sure.shape),
        )
        below = np.flatnonzero(weight[at - base : end - base] < GONE)
        return at + int(below[0]) if below.size else end

    def _next(self, own, base, at, end, kinks=()):
        """The first Ramp that stands out among the runs from at to end, or None."""
        signs, limit = ([1], LIMIT + AGAIN) if kinks else ([1, -1], LIMIT)
        best = None
        for way, series in enumerate(own):
            weights = weights_of(series, WAYS[way], kinks)
            runs = np.arange(series.day.size)[:, None]
            since = runs - weights.starts
            allowed = (since >= SHORTEST) & (since <= LONGEST)
            allowed &= weights.starts >= self.oldest - base
            for sign in signs:
                weight, start = averaged(odds(weights, WAYS[way], sign), weights.starts, allowed)
                weight = weight - ALLOWANCE[WAYS[way], sign]
                for place in np.flatnonzero(weight > limit):
                    run = int(place) + base
                    if run < max(at, self.quiet) or run >= end:
                        continue
                    rank = (run, -float(weight[place]))
                    if best is None or rank < best[0]:
                        slope = weights.slope(int(place), int(start[place]))
                        best = rank, Ramp(run, way, int(start[place]) + base, slope)
                    break
        return best and best[1]
