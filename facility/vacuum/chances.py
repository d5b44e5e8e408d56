"""The chances that a run reaches the threshold by a time, given its readings so far.

A run follows one of a few candidates, each a normal distribution of curves; its readings say which,
and narrow it. The curve is then above or below the threshold at each time with known chance.
"""

import math

import numpy as np

from facility.vacuum.learning import expect
from facility.vacuum.pumpdown import basis
from facility.vacuum.usual import noise_of

LABEL_RIGHT = 0.93  # share of loads whose form is as written (own proposal)
UNLIKE, UNLIKE_SPREAD = 0.04, 6.0  # share and covariance of runs unlike others (own proposal)
TEMPER = 0.5  # of the evidence for a form: readings of one run are not independent
LEFT = np.geomspace(4.0, 4.0e5, 110)  # s from now, where curves are compared
STRAY = 4.5  # standard deviations; and at least one in ln p: a reading that nobody means
SLIPS_LN = math.log(10.0) * np.array([1, -1, 2, -2])  # as a slipped exponent shows in ln p
UNIT_LN = np.array([1, -1]) * math.log(133.322)  # pascal for torr, torr for pascal
SLIPS_LN = np.append(SLIPS_LN, UNIT_LN)
SURELY = 8.0  # ln odds; a run that is only unusual must not be taken for another unit
SLIP_ODDS = math.log(0.01)  # of one reading and one kind of slip (own proposal)


def candidates(curves, reasons, past, load):
    """Curves a run may follow, before its readings.

    Takes:   curves, reasons, past; load, what is known of the run (a Past of one row).
    Returns: means (c, k), covariances (c, k, k), weights (c,): each form the load may be of, the
    likeliest first, and last a run unlike others.
    """
    rows, weights = forms_of(reasons, past, load.form[0])
    means, variances = expect(reasons, past, load, rows)
    return gathered(curves, reasons, rows, weights, means, variances)


def forms_of(reasons, past, form):
    """Forms a load may be of, given what is written: rows (c, forms) with a 1 each, weights (c,)."""
    share = np.array([past.form.count(name) for name in reasons.forms], dtype=float) + 0.3
    share = share / share.sum()
    if form in reasons.forms:
        share = share * (1 - LABEL_RIGHT)
        share[reasons.forms.index(form)] += LABEL_RIGHT
    order = np.argsort(-share, kind="stable")
    chosen = order[share[order] >= 0.004]
    rows = np.zeros((chosen.size, len(reasons.forms)))
    rows[np.arange(chosen.size), chosen] = 1.0
    return rows, share[chosen] / share[chosen].sum()


def gathered(curves, reasons, rows, weights, means, variances):
    """The candidates of these forms (rows, weights) and late numbers (means, variances)."""
    heights, spreads = curves_given(curves, reasons, means, variances, rows @ reasons.restless)
    return with_unlike(curves, heights, spreads, weights)


def with_unlike(curves, heights, spreads, weights):
    """The same candidates, and one around the first for a run unlike others."""
    return (
        np.concatenate([heights, heights[:1]]),
        np.concatenate([spreads, spreads[:1] + (UNLIKE_SPREAD - 1) * curves.spread]),
        np.append(weights * (1 - UNLIKE), UNLIKE),
    )


def curves_given(curves, reasons, means, variances, restless):
    """Curves whose late numbers have these means and variances; what is left goes by the form."""
    shape = reasons.shape
    heights = curves.mean + means @ shape.T
    rest = curves.spread - shape @ shape.T
    explained = np.matmul(shape * variances[:, None, :], shape.T)
    return heights, rest * restless[:, None, None] + curves.doubt + explained


def in_another_unit(curves, points, mean, spread):
    """The factor by which all readings of a run are off, where that explains them far better.

    Takes:   curves; points, a Seen; mean (k,), spread (k, k) of the likeliest candidate.
    Returns: 133.3 (typed in pascal, meant in torr), 1/133.3, or None.
    """
    if points.x.size < 3:
        return None
    weights = basis(points.x)
    off = points.y - weights @ mean
    total = weights @ (spread + curves.spread) @ weights.T
    total[np.diag_indices(off.size)] += noise_of(curves, points)
    pulls = np.linalg.solve(total, np.column_stack([off, np.ones(off.size)])).sum(0)
    for step in UNIT_LN:
        gain = step * pulls[0] - 0.5 * step**2 * pulls[1]
        if gain > SURELY and np.all(np.abs(off - step) < np.abs(off)):
            return math.exp(step)
    return None


def without_strays(curves, points, mean, spread):
    """Readings without those that the others and the instrument's history both contradict.

    Takes:   curves; points, a Seen; mean (k,), spread (k, k) of the likeliest candidate.
    Returns: Seen and how many readings were left out. A reading goes when a slipped exponent or unit explains it much better than the curve does, or
    when nothing does.
    """
    dropped = 0
    spread = spread + 0.3 * curves.spread  # an unlike run is not a stray reading
    while points.x.size and dropped < 4:
        weights = basis(points.x)
        inverse = np.linalg.inv(weights @ spread @ weights.T + np.diag(noise_of(curves, points)))
        own = np.diag(inverse)
        off = (inverse @ (points.y - weights @ mean)) / own
        slip = off[:, None] - SLIPS_LN
        gain = 0.5 * own * np.max(off[:, None] ** 2 - slip**2, axis=1) + SLIP_ODDS
        gain[points.count > 1] = -1.0  # a logger does not mistype
        stray = np.where(np.abs(off) > 1.0, np.abs(off) * np.sqrt(own) - STRAY, -1.0)
        score = np.maximum(gain, stray)
        worst = int(np.argmax(score))
        if score[worst] <= 0:
            break
        points = points.only(np.arange(points.x.size) != worst)
        dropped += 1
    return points, dropped


def chances(curves, points, now, means, spreads, weights):
    """Odds that the threshold is still not reached some seconds from now, given it is not now.

    Takes:   curves; points, a Seen; now, seconds of pumping so far; candidates' means (c, k),
    covariances (c, k, k) and weights (c,).
    Returns: seconds from now (g,), odds (g,), falling.
    Source:  conditioning of a normal distribution on readings; a curve that is above the threshold
    at a time has not crossed it before (curves fall).
    """
    left = LEFT if now > 0 else LEFT[LEFT > 30.0]
    grid = basis(np.log(np.r_[max(now, 1.0), now + left]))
    if points.x.size:
        read = basis(points.x)
        across = np.matmul(spreads, read.T)  # (c, k, n)
        total = np.matmul(read, across)
        total[:, np.arange(points.x.size), np.arange(points.x.size)] += noise_of(curves, points)
        off = points.y - means @ read.T
        solved = np.linalg.solve(
            total, np.concatenate([across.transpose(0, 2, 1), off[:, :, None]], 2)
        )
        gain, pull = solved[:, :, :-1], solved[:, :, -1]
        fit = (off * pull).sum(1) + np.linalg.slogdet(total)[1]
        evidence = -0.5 * TEMPER * (fit - fit.min())
        weights = weights * np.exp(evidence)
        weights = weights / weights.sum()
        means = means + np.matmul(across, pull[:, :, None])[:, :, 0]
        spreads = spreads - np.matmul(across, gain)
    mean = means @ grid.T
    variance = (np.matmul(grid, spreads) * grid).sum(-1)
    alive = _normal(mean / np.sqrt(np.maximum(variance, 1e-8)))
    alive = np.minimum.accumulate(alive, axis=1)
    odds = weights @ alive
    return left, odds[1:] / max(odds[0], 1e-12)


def _normal(z):
    """The normal distribution function; within 1e-7 (Abramowitz and Stegun 26.2.17)."""
    t = 1 / (1 + 0.2316419 * np.abs(z))
    tail = (
        t
        * (
            0.319381530
            + t * (-0.356563782 + t * (1.781477937 + t * (-1.821255978 + t * 1.330274429)))
        )
        * np.exp(-0.5 * np.minimum(z * z, 1400.0))
        / math.sqrt(2 * math.pi)
    )
    return np.where(z > 0, 1 - tail, tail)


def quantiles(left, odds):
    """Seconds from now at which 10, 50 and 90 % of the chances have come."""
    falling = np.minimum.accumulate(odds) - 1e-12 * np.arange(odds.size)
    return np.exp(np.interp([-0.9, -0.5, -0.1], -falling, np.log(left)))


def before(points, now):
    """The readings up to `now` [s of pumping]."""
    return points.only(points.x <= math.log(max(now, 1.0)))
