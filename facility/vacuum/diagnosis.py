"""Was this pump-down as usual, how unusual was it, and what is the likeliest cause?

Asked after a run or at any moment in it. The readings are compared with the curves that this
instrument should have followed with this load (the same that the forecast uses), and with those
curves under each fault. The score is ln of the odds for some fault, and a run is unusual above a
limit that the instrument's own past runs set.
"""

import math
from dataclasses import dataclass, replace

import numpy as np

from facility.vacuum import remarks
from facility.vacuum.chances import candidates
from facility.vacuum.learning import Past, past_of, solved
from facility.vacuum.pumpdown import FIRST_S, KNOTS, Seen, basis, expected_time
from facility.vacuum.runs import clean
from facility.vacuum.signatures import CAUSES, HANDS_OVER_PA, signs
from facility.vacuum.usual import noise_of

STEP, FEW = 0.2, 20  # width in ln(s) over which more than so many readings are put together
FREEDOM = 10.0  # of the t distribution of readings about a curve (own choice)
SMOOTH = 1.5  # ln(s) over which a real fault may differ from its signature
STRAY, STRAY_LN = 4.0, 1.0  # standard deviations and ln p: a reading that nobody means
FORMS_TRIED = 3  # for each fault; more changed nothing that could be seen
FIRST_GAUGE = 0.15  # how often the faulty gauge is the first of two; it is read while p falls fast
# Restless forms (porous powder) throw far-out runs more often than a normal distribution says; set
# on simulated laboratories so that every form has about the same share of false alarms.
RESTLESS, CALM = 1.5, 0.7
LOGGED = 0.4  # the same for a logger's records, which show every small oddity of a run
# No published shares of causes were found; a curve alone decides (own proposal).
PRIOR = {"leak": 0.25, "outgassing": 0.25, "slow_pump": 0.25, "gauge": 0.25}

NO_READING = -3.0  # score of a run without a reading: that of an ordinary one
# The limit. Set on simulated laboratories, so that about four ordinary runs in a hundred lie above.
LIMIT, LIMIT_COUNTS = -0.25, 100.0  # where no past run says otherwise; it counts as so many of them
FALSE = 0.035  # share of past runs above the limit; some of them were faults that nobody marked
FEWEST, SCORED, BLOCK = 12, 80, 10  # past runs: before the first score, scored, in one go


@dataclass(frozen=True)
class Diagnosis:
    """What is said of a run.

    score is ln of the odds for some fault over the limit (above 0: unusual), chances are those of each cause given
    that there is one. cause is "none" for a run as usual; second_cause is then the likeliest fault.
    """

    unusual: bool
    score: float
    cause: str
    second_cause: str
    chances: dict
    says: str


@dataclass(frozen=True, eq=False)
class Points:
    """Readings put together in steps of ln(s), a gauge at a time."""

    seen: Seen
    gauge: np.ndarray

    def only(self, rows):
        seen = self.seen
        kept = Seen(seen.x[rows], seen.y[rows], seen.spread[rows], seen.count[rows])
        return Points(kept, self.gauge[rows])


@dataclass(frozen=True, eq=False)
class Weighed:
    """How well each fault explains a run."""

    score: float
    chances: np.ndarray  # (causes,)
    signs: tuple  # (kind, size) that fits best, one a cause
    gap: float  # ln of the last pressure over the usual one
    last_s: float  # of pumping


def diagnose(learned, run, limit=LIMIT, at_s=None, unit="mbar"):
    """Whether a run was as usual, and if not, why.

    Takes:   learned, from the runs before it; run; limit from `limit_of`; at_s [s], a moment in
    the run (None: all of it; later rows are not looked at); unit to speak in.
    Returns: Diagnosis.
    Source:  signatures.py; score = ln sum over causes of prior x likelihood / likelihood of none.
    Valid:   against this instrument's own past only. A run with one or two readings can be unusual,
    but hardly has a cause.
    """
    run = run if at_s is None else run.until(at_s)
    weighed = weigh(learned, points_of(run, learned.threshold_pa), past_of([run]))
    if weighed is None:
        return Diagnosis(False, NO_READING, "none", CAUSES[0], {}, remarks.usual(0, learned.runs))
    order = np.argsort(-weighed.chances)
    first, second = CAUSES[order[0]], CAUSES[order[1]]
    chances = {name: float(chance) for name, chance in zip(CAUSES, weighed.chances, strict=True)}
    score = weighed.score - limit
    if score <= 0:
        says = remarks.usual(1, learned.runs)
        return Diagnosis(False, score, "none", first, chances, says)
    says = remarks.unusual(
        first,
        second,
        chances[second],
        weighed.signs[order[0]],
        weighed.gap,
        weighed.last_s,
        learned.threshold_pa,
        unit,
    )
    return Diagnosis(True, score, first, second, chances, says)


# The limit


def limit_of(learned, runs=()):
    """The score above which a run of this instrument is unusual.

    Takes:   learned; runs, the past runs themselves where they are at hand (for their gauges).
    Returns: score. Between the limit of simulated laboratories and what this instrument's past
    runs would have scored, by how many of them there are.
    """
    scores = past_scores(learned, runs)
    own = float(np.quantile(scores, 1 - FALSE)) if scores.size else LIMIT
    return (own * scores.size + LIMIT * LIMIT_COUNTS) / (scores.size + LIMIT_COUNTS)


def past_scores(learned, runs=()):
    """The scores of past runs, each judged by what the runs before it taught, shape (m,)."""
    by_id = {run.run_id: run for run in runs}
    scores = []
    first = max(learned.runs // 4, FEWEST, learned.runs - SCORED)
    for start in range(first, learned.runs, BLOCK):
        before = _until(learned, start)
        for place in range(start, min(start + BLOCK, learned.runs)):
            run, seen = by_id.get(learned.ids[place]), learned.seens[place]
            points = (
                points_of(run, learned.threshold_pa)
                if run
                else gathered(seen, np.full(seen.x.size, "", dtype=object))
            )
            weighed = weigh(before, points, _rows(learned.past, slice(place, place + 1)))
            if weighed is not None:
                scores.append(weighed.score)
    return np.array(scores)


def _until(learned, count):
    reasons = replace(
        learned.reasons,
        numbers=learned.reasons.numbers[:count],
        open=learned.reasons.open[:count],
    )
    past = _rows(learned.past, slice(0, count))
    return replace(learned, past=past, reasons=solved(reasons, past), ids=learned.ids[:count])


def _rows(past, rows):
    return Past(past.day[rows], past.form[rows], past.samples[rows], past.vent[rows])


# The readings


def points_of(run, threshold_pa):
    """The readings of a run on the curve's axes, at most about forty."""
    readings = clean(run)
    late = readings.pumped_s >= FIRST_S
    x, y = np.log(readings.pumped_s[late]), readings.ln_p[late] - math.log(threshold_pa)
    seen = Seen(x, y, readings.spread_s[late], np.ones(x.size))
    return gathered(seen, readings.gauge[late])


def gathered(seen, gauge):
    """Points: many readings put together, the middle one of each step and gauge."""
    if seen.x.size <= FEW:
        return Points(seen, gauge)
    step = np.floor(seen.x / STEP).astype(int)
    starts = np.flatnonzero(np.r_[True, (np.diff(step) != 0) | (gauge[1:] != gauge[:-1])])
    groups = np.split(np.arange(seen.x.size), starts[1:])
    middle = [
        np.array([np.median(v[own]) for own in groups]) for v in (seen.x, seen.y, seen.spread)
    ]
    count = np.array([seen.count[own].sum() for own in groups])
    return Points(Seen(*middle, count), gauge[starts])


def meant(learned, seen, mean, spread):
    """A mask of readings that somebody meant: a typo fits neither the others nor the history."""
    stay = np.ones(seen.x.size, dtype=bool)
    read = basis(seen.x)
    gap = np.abs(seen.x[:, None] - seen.x[None, :])
    # wide enough for any fault: a fault bends the curve, a typo leaves it and comes back
    total = read @ (4 * spread) @ read.T + 0.5**2 * np.exp(-gap)
    total[np.diag_indices(seen.x.size)] += noise_of(learned.curves, seen) + 0.05**2
    off = seen.y - read @ mean
    for _ in range(seen.x.size // 4 + 1):
        own = np.flatnonzero(stay)
        inverse = np.linalg.inv(total[np.ix_(own, own)])
        alone = np.diag(inverse)
        missed = (inverse @ off[own]) / alone
        score = np.where(np.abs(missed) > STRAY_LN, np.abs(missed) * np.sqrt(alone), 0.0)
        worst = int(np.argmax(score))
        if score[worst] < STRAY or own.size == 1:
            break
        stay[own[worst]] = False
    return stay


# Weighing the causes


def weigh(learned, points, load):
    """How well each fault explains a run's points.

    Takes:   learned; points; load, what is known of the run (a Past of one row).
    Returns: Weighed; None without a reading.
    """
    if not points.seen.x.size:
        return None
    means, spreads, weights = _expected(learned, load)
    points = points.only(meant(learned, points.seen, means[0], spreads[0]))
    seen = points.seen
    read, noise = basis(seen.x), noise_of(learned.curves, seen)
    usual, base = means @ read.T, read @ spreads @ read.T
    diagonal = np.arange(seen.x.size)
    base[:, diagonal, diagonal] += noise
    none = _sum(fit(seen.y - usual, base) + np.log(weights))
    base[:, diagonal, diagonal] -= noise
    fits, causes, found = [], [], []
    for form in range(min(FORMS_TRIED, weights.size)):
        rows = signs(
            seen.x,
            means[form],
            typical_time(learned.curves, learned.threshold_pa),
            learned.threshold_pa,
            suspected(points.gauge, usual[form] + math.log(learned.threshold_pa)),
            seen.y,
        )
        total = _spread_with(rows, base[form], seen.x, noise)
        fits.append(
            fit(seen.y - usual[form] - rows.bend, total)
            + np.log(rows.share)
            + math.log(weights[form])
        )
        causes.append(rows.cause)
        found += zip(rows.kind, rows.size, strict=True)
    fits, causes = np.concatenate(fits), np.concatenate(causes)
    prior = np.log([PRIOR[name] for name in CAUSES])
    own = [np.flatnonzero(causes == place) for place in range(len(CAUSES))]
    by_cause = prior + [_sum(fits[rows]) for rows in own]
    best = [found[rows[np.argmax(fits[rows])]] for rows in own]
    return Weighed(
        float(_sum(by_cause) - none) - _allowance(learned, load, seen),
        np.exp(by_cause - _sum(by_cause)),
        tuple((kind, float(size)) for kind, size in best),
        float(seen.y[-1] - usual[0, -1]),
        float(np.exp(seen.x[-1])),
    )


def _allowance(learned, load, seen):
    """What is taken off the score: of forms whose runs differ much, and of a logger's records."""
    known = load.form[0] in learned.reasons.forms
    restless = float(learned.reasons.restless_of(load.form)[0]) if known else 1.0
    logged = LOGGED if seen.count.max() > 1 else 0.0
    return RESTLESS * math.log(max(restless / CALM, 1.0)) + logged


def _expected(learned, load):
    """What this load should do: means (c, k), covariances (c, k, k), weights (c,), a form each."""
    found = candidates(learned.curves, learned.reasons, learned.past, load)
    means, spreads, weights = (part[:-1] for part in found)  # the last is "unlike": judged here
    return means, spreads, weights / weights.sum()


def suspected(gauge, usual_ln_pa):
    """Which points may belong to a faulty gauge: a list of weights (n,) and how likely they are."""
    names = list(dict.fromkeys(gauge))
    if len(names) > 1:
        last = (gauge == gauge[-1]).astype(float)
        return [(last, 1 - FIRST_GAUGE), (1.0 - last, FIRST_GAUGE)]
    low = [(usual_ln_pa < math.log(limit)).astype(float) for limit in HANDS_OVER_PA]
    return [(points, 1 / 3) for points in (np.ones(gauge.size), *low)]


def _spread_with(rows, base, x, noise):
    """Covariances of the points under each fault, (h, n, n)."""
    gap = (x[:, None] - x[None, :]) / SMOOTH
    total = base * rows.keep[:, :, None] * rows.keep[:, None, :]
    total += rows.free[:, :, None] * rows.free[:, None, :] * np.exp(-0.5 * gap**2)
    diagonal = np.arange(x.size)
    total[:, diagonal, diagonal] += noise + rows.scatter[:, None] ** 2
    return total


def fit(off, total):
    """ln of the likelihood of residuals off (..., n) with covariance (..., n, n), t distributed.

    Up to a constant that depends on n only.
    >>> fit(np.zeros((1, 2)), np.eye(2)[None])
    array([-0.])
    """
    lower = np.linalg.cholesky(total)
    white = np.linalg.solve(lower, off[..., None])[..., 0]
    far = np.sum(white**2, axis=-1)
    size = np.log(np.diagonal(lower, axis1=-2, axis2=-1)).sum(-1)
    return -0.5 * (FREEDOM + off.shape[-1]) * np.log1p(far / FREEDOM) - size


def _sum(values):
    """ln of a sum of numbers given by their ln."""
    top = np.max(values)
    return top + np.log(np.sum(np.exp(values - top)))


def typical_time(curves, threshold_pa):
    """Usual time to the threshold [s]: where the usual curve crosses it."""
    below = np.flatnonzero((curves.mean[1:] <= 0) & (curves.mean[:-1] > 0))
    if not below.size:
        return expected_time(threshold_pa)
    k = below[0]
    share = curves.mean[k] / (curves.mean[k] - curves.mean[k + 1])
    return float(math.exp(KNOTS[k] + share * (KNOTS[k + 1] - KNOTS[k])))
