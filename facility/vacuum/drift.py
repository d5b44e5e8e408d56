"""Has the instrument changed, since when, how fast: a slow ramp found in runs that differ anyway.

Each run is brought to one number for each way an instrument fails slowly (less speed, a growing
leak): how much of that fault its readings show, after what form, samples and vent explain. A ramp
that begins at some run is then weighed against everything else that moves such numbers: chance,
days that resemble each other, the season. An alarm needs the ramp to stand out by more than a limit
set by its false alarms; after it the watch begins anew.
"""

import math
from dataclasses import dataclass, replace

import numpy as np

from facility.vacuum.chances import candidates
from facility.vacuum.diagnosis import fit, meant, points_of, typical_time
from facility.vacuum.forecast import learn
from facility.vacuum.learning import PARTS, past_of, solved
from facility.vacuum.pumpdown import basis
from facility.vacuum.signatures import leak, turbo_share
from facility.vacuum.units import from_pascal, in_words
from facility.vacuum.usual import noise_of

WAYS = ("speed", "leak")
LEAK_SIZE = 0.15  # thresholds; where the leak's signature is taken
LIMIT = 3.0  # standard deviations
FEWEST = 20  # runs before anything is watched
WATCHED = 120  # runs looked back at
STARTS = 2  # a ramp may begin at every second run
SHORTEST = 5  # runs since the beginning of a ramp
SEASONS, YEAR = (0.05, 0.02), 365.25  # ln p and thresholds, size of a season; days
WANDER = (0.03, 0.015)  # the same, of slow changes that mean nothing
LONGEST = 70  # runs since the beginning of a ramp
LEAST_SCALE = 0.5
USUAL_SHARE = 0.25
OFFSET = 0.3  # ln p, how far a stretch of runs may lie from the reference
MEMORIES = (2.0, 6.0, 20.0)  # days
SHARES = (0.0, 0.2, 0.4, 0.6, 0.8)
LATELY = 7  # runs
CLIP = 2.5  # standard deviations: one odd run is not a drift
STEP_RUNS, STEP_SIZE = 3, 2.5  # runs in a row, each so many standard deviations off the same way
STANDING, SURE, FADED = 6, 2.5, 1.0  # runs; heights at which a drift is told, and gone
PAUSE = 10  # runs after an alarm before the same change is watched again


@dataclass(frozen=True)
class Alarm:
    """A change of the instrument: at which run it was seen, since which, and how fast.

    per_week is the share by which the time to the threshold grows each week, below 0 for faster.
    """

    run_id: str
    since_run_id: str
    change: str
    per_week: float
    says: str


def alarms(history, runs, threshold_pa, unit="mbar"):
    """Every alarm over the runs of one instrument, each from the runs up to it alone.

    Takes:   history, past runs that say what is usual; runs to watch, any order; threshold [Pa];
    unit to speak in. Where the history has less than FEWEST runs, the first runs complete it.
    Returns: list of Alarm, in order.   Raises: ValueError for a threshold that is not above zero.
    Valid:   for changes over weeks; a step of one run is the diagnosis's business.
    """
    history, runs = sorted(history, key=_began), sorted(runs, key=_began)
    lacking = max(FEWEST - len(history), 0)
    history, runs = history + runs[:lacking], runs[lacking:]
    if not runs:
        return []
    learned = timeless(learn(history, threshold_pa))
    shown = [(run, shares(learned, run)) for run in (*history, *runs)]
    shown = [(run, share) for run, share in shown if share is not None]
    known = {run.run_id for run in history}
    first = sum(run.run_id in known for run, _ in shown)
    if first < FEWEST // 2 or first == len(shown):
        return []
    day = np.array([run.started_at.timestamp() / 86400.0 for run, _ in shown])
    values, variances = (np.array([share[part] for _, share in shown]) for part in (0, 1))
    ways = range(len(WAYS))
    series = [series_of(day, values[:, way], variances[:, way], first) for way in ways]
    ids = [run.run_id for run, _ in shown]
    steep = _slope_at_threshold(learned)
    return [
        _alarm(ids, end, way, start, slope, steep, learned.threshold_pa, unit)
        for end, way, start, slope in watch(series, first)
    ]


def _slope_at_threshold(learned):
    """Fall of ln p per ln(s) of the usual curve where it crosses the threshold, above 0."""
    x = math.log(typical_time(learned.curves, learned.threshold_pa))
    before, after = basis(np.array([x - 0.3, x + 0.3])) @ learned.curves.mean
    return max(float(before - after) / 0.6, 0.3)


def _alarm(ids, end, way, start, slope, steep, threshold_pa, unit):
    """In words, and as the share by which the time to the threshold grows each week."""
    per_week = slope / steep
    change = "slower" if slope > 0 else "faster"
    says = f"{change.capitalize()} since about run {ids[start]}, by {abs(per_week):.1%} of the time a week"
    if WAYS[way] == "leak":
        grows = f"{in_words(from_pascal(abs(slope) * threshold_pa, unit))} {unit}"
        grown = "grew" if slope > 0 else "shrank"
        says += (
            f": a constant pressure under the curves {grown} by {grows} a week, as a leak would. "
            "Take a rise test where the chamber can be isolated, else a residual-gas scan."
        )
    elif slope > 0:
        says += (
            ": the whole slow part rose, as with a pump that loses speed. A rise test as usual "
            "confirms the pump where the chamber can be isolated; look at speed, current, valve "
            "and backing pressure."
        )
    else:
        says += (
            ": the whole slow part fell. After no bake or repair, a gauge that reads low is the "
            "likeliest reason; compare with a second one."
        )
    return Alarm(ids[end], ids[start], change, round(per_week, 4), says)


def _began(run):
    return run.started_at, run.run_id


def timeless(learned):
    """The same without memory of the last weeks, which would follow a drift instead of showing it."""
    sizes = learned.reasons.sizes.copy()
    for part in ("weeks", "days"):
        place = PARTS.index(part)
        sizes[:, -1] += sizes[:, place]
        sizes[:, place] = 1e-6
    reasons = solved(replace(learned.reasons, sizes=sizes), learned.past)
    return replace(learned, reasons=reasons)


def shares(learned, run):
    """How much of each slow fault a run shows: values and variances, (ways,) each; None if nothing."""
    points = points_of(run, learned.threshold_pa)
    if not points.seen.x.size:
        return None
    found = candidates(learned.curves, learned.reasons, learned.past, past_of([run]))
    means, spreads, weights = (part[:-1] for part in found)
    seen = points.only(meant(learned, points.seen, means[0], spreads[0])).seen
    read, noise = basis(seen.x), noise_of(learned.curves, seen)
    usual = means @ read.T
    total = read @ spreads @ read.T
    place = np.arange(seen.x.size)
    total[:, place, place] += noise
    off = seen.y - usual
    if run.form in learned.reasons.forms:
        weights = np.eye(weights.size)[0]
    else:
        weights = weights * np.exp(fit(off, total) - fit(off, total).max())
        weights = weights / weights.sum()
    values, variances = np.zeros(len(WAYS)), np.zeros(len(WAYS))
    for form in np.flatnonzero(weights > 0.02):
        signs = (
            turbo_share(usual[form], learned.threshold_pa),
            leak(usual[form], LEAK_SIZE) / LEAK_SIZE,
        )
        for way, sign in enumerate(signs):
            pull = np.linalg.solve(total[form], sign)
            sure = float(sign @ pull)
            values[way] += weights[form] * float(pull @ off[form]) / max(sure, 1e-9)
            variances[way] += weights[form] / max(sure, 1e-9)
    return values, variances


@dataclass(frozen=True, eq=False)
class Series:
    """One way to fail, run by run."""

    day: np.ndarray  # (n,)
    value: np.ndarray  # (n,), less its usual value, far-out runs pulled in
    spread: np.ndarray  # (n,), standard deviation of one run
    share: float  # of the variance that days share
    memory: float  # days


def series_of(day, values, variances, first):
    """Values against their usual in the first runs, with the size and memory of their noise."""
    reference = slice(0, max(first, FEWEST))
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


def ramp(series, way, begin, end):
    """The ramp that stands out most among runs begin to end: (height, first run, per week).

    Height is in standard deviations, above 0 for slower.
    """
    rows = slice(max(begin, end - WATCHED), end)
    day, value, spread = series.day[rows], series.value[rows], series.spread[rows]
    gap = np.abs(day[:, None] - day[None, :])
    total = series.share * np.exp(-gap / series.memory) * np.outer(spread, spread)
    total[np.diag_indices(day.size)] += (1 - series.share) * spread**2
    total += SEASONS[way] ** 2 * np.cos(2 * np.pi * gap / YEAR) + WANDER[way] ** 2 * np.exp(
        -gap / 60
    )
    total += OFFSET**2
    starts = np.arange(max(day.size - LONGEST, 0), day.size - SHORTEST, STARTS)
    if not starts.size:
        return 0.0, 0, 0.0
    shapes = np.maximum(day[:, None] - day[starts], 0.0) / 7.0
    pull = np.linalg.solve(total, np.column_stack([value, shapes]))
    sure = np.einsum("ns,ns->s", shapes, pull[:, 1:])
    slope = shapes.T @ pull[:, 0] / np.maximum(sure, 1e-12)
    height = slope * np.sqrt(sure)
    best = int(np.argmax(np.abs(height)))
    return float(height[best]), int(rows.start + starts[best]), float(slope[best])


def watch(all_series, first):
    """Every alarm: (run, way, first run of the ramp, per week), by the runs up to it alone."""
    count, found = all_series[0].day.size, []
    begin, quiet = 0, first
    for end in range(first + 1, count + 1):
        heights = [ramp(series, way, begin, end) for way, series in enumerate(all_series)]
        way = int(np.argmax([abs(height) for height, *_ in heights]))
        height, start, slope = heights[way]
        if end >= quiet and abs(height) > LIMIT:
            found.append((end - 1, way, start, slope))
            begin, quiet = end, end + PAUSE
    return found


def heights(history, runs, threshold_pa):
    """How far each run lies from the usual, in standard deviations: (speed, leak), or None.

    Takes:   history, runs that say what is usual; runs, in order; threshold [Pa].
    Returns: list, one a run; above 0 for slower, nan for a run that shows nothing.
    """
    learned = timeless(learn(history, threshold_pa))
    found = []
    for run in runs:
        share = shares(learned, run)
        sizes = [math.nan] * len(WAYS) if share is None else share[0] / np.sqrt(share[1])
        found.append([float(size) for size in sizes])
    return found


def stands(sizes, way, sign):
    """Whether the last runs still lie off the usual the way an alarm said, as far as one can tell.

    Takes:   sizes, rows of `heights` up to now; way, place in WAYS; sign, +1 for slower.
    Returns: the mean of the last STANDING runs in standard deviations of such a mean, times sign.
    Source:  own proposal: a ramp that has gone again was a few odd loads, not the instrument.
    """
    last = [row[way] for row in sizes[-STANDING:] if not math.isnan(row[way])]
    return sign * sum(np.clip(last, -CLIP, CLIP)) / math.sqrt(len(last)) if last else 0.0


def first_step(sizes):
    """The first sudden change that stays: STEP_RUNS runs in a row far off the same way.

    Takes:   sizes, rows of `heights`.
    Returns: (place of the last of them, place of the first, +1 for slower or -1), or None.
    Source:  own proposal; one odd load never speaks.
    Valid:   for steps of about half a unit of ln p and more; a ramp is the business of `alarms`.
    >>> first_step([[0.1, 0], [-3, 0], [-4, 0], [-3, 0]])
    (3, 1, -1)
    """
    row = []
    for place, (size, *_) in enumerate(sizes):
        if math.isnan(size):
            continue
        if abs(size) < STEP_SIZE or (row and row[-1][1] * size < 0):
            row = []
        if abs(size) >= STEP_SIZE:
            row.append((place, size))
        if len(row) == STEP_RUNS:
            return place, row[0][0], 1 if size > 0 else -1
    return None
