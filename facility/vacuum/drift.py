"""Has the instrument changed, since when, how fast: a slow ramp found in runs that differ anyway.

Each run is brought to one number for each way an instrument fails slowly (less speed, a growing
leak): how much of that fault its readings show, after what form, samples and vent explain. A ramp
that begins at some run is then weighed against everything else that moves such numbers (`ramps.py`).
An alarm is told once; what was told is told again only after it was gone, or when it grows.
"""

import math
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np

from facility.vacuum.chances import candidates
from facility.vacuum.diagnosis import fit, meant, points_of, typical_time
from facility.vacuum.forecast import learn
from facility.vacuum.learning import PARTS, past_of, solved
from facility.vacuum.pumpdown import basis
from facility.vacuum.ramps import CLIP, WAYS, Watch, series_of
from facility.vacuum.signatures import leak, turbo_share
from facility.vacuum.units import from_pascal, in_words
from facility.vacuum.usual import noise_of

LEAK_SIZE = 0.15  # thresholds; where the leak's signature is taken
FEWEST = 20  # runs before anything is watched
ENOUGH = 80  # past runs that say what is usual; until there are, each doubling is learned again
STEP_RUNS, STEP_SIZE = 3, 2.5  # runs in a row, each so many standard deviations off the same way
STANDING, SURE, FADED = 6, 2.5, 1.0  # runs; heights at which a drift is told, and gone


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
    points = {}
    history, runs = (_that_show(some, threshold_pa, points) for some in (history, runs))
    rows, watch, found = [*history, *runs], Watch(), []
    for first, until in pairwise(_learned_at(max(len(history), FEWEST), len(rows))):
        learned = timeless(learn(rows[:first], threshold_pa))
        day = np.array([run.started_at.timestamp() / 86400.0 for run in rows[:until]])
        shown = [shares(learned, run, points[run.run_id]) for run in rows[:until]]
        values, variances = np.array(shown).transpose(1, 2, 0)
        series = [series_of(day, *pair, first) for pair in zip(values, variances, strict=True)]
        ramps = watch.over(series, first, until)
        steep = _slope_at_threshold(learned)
        found += [_alarm(rows, ramp, steep, threshold_pa, unit) for ramp in ramps]
    return found


def _that_show(runs, threshold_pa, points):
    """The runs with a reading, in order of time; their points are added to `points` by run_id."""
    shown = []
    for run in sorted(runs, key=_began):
        points[run.run_id] = points_of(run, threshold_pa)
        if points[run.run_id].seen.x.size:
            shown.append(run)
    return shown


def _learned_at(first, count):
    """Places at which it is learned anew, and the end: a short history is doubled until ENOUGH.

    >>> _learned_at(20, 180), _learned_at(100, 180), _learned_at(20, 20)
    ([20, 40, 80, 180], [100, 180], [20])
    """
    places = [first]
    while places[-1] < ENOUGH and 2 * places[-1] < count:
        places.append(2 * places[-1])
    return [*places, count] if first < count else places


def _slope_at_threshold(learned):
    """Fall of ln p per ln(s) of the usual curve where it crosses the threshold, above 0."""
    x = math.log(typical_time(learned.curves, learned.threshold_pa))
    before, after = basis(np.array([x - 0.3, x + 0.3])) @ learned.curves.mean
    return max(float(before - after) / 0.6, 0.3)


def _alarm(rows, ramp, steep, threshold_pa, unit):
    """In words, and as the share by which the time to the threshold grows each week."""
    slope, since = ramp.per_week, rows[ramp.start].run_id
    per_week = slope / steep
    change = "slower" if slope > 0 else "faster"
    says = (
        f"{change.capitalize()} since about run {since}, by {abs(per_week):.1%} of the time a week"
    )
    if WAYS[ramp.way] == "leak":
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
    return Alarm(rows[ramp.end].run_id, since, change, round(per_week, 4), says)


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


def shares(learned, run, points):
    """How much of each slow fault a run shows: values and variances, (ways,) each.

    Takes:   learned, without memory; run; its points, at least one.
    """
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


def heights(history, runs, threshold_pa):
    """How far each run lies from the usual, in standard deviations: (speed, leak), or None.

    Takes:   history, runs that say what is usual; runs, in order; threshold [Pa].
    Returns: list, one a run; above 0 for slower, nan for a run that shows nothing.
    """
    learned = timeless(learn(history, threshold_pa))
    found = []
    for run in runs:
        points, sizes = points_of(run, threshold_pa), [math.nan] * len(WAYS)
        if points.seen.x.size:
            value, variance = shares(learned, run, points)
            sizes = value / np.sqrt(variance)
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
