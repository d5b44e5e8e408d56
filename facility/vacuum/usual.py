"""The usual curve of an instrument and how its runs differ from it, from their readings alone.

Mean and covariance at the knots, from readings of any number and spacing: each run is a draw from
one normal distribution of curves, and a run far out counts less.
"""

import math
from dataclasses import dataclass, replace

import numpy as np

from facility.vacuum.pumpdown import (
    KNOTS,
    Seen,
    basis,
    expected_curve,
    expected_time,
    spread_of_shapes,
)

ROUNDS = 20  # of fitting the curves; more change nothing that can be seen
FREEDOM = 5.0  # of the t distribution of runs: a run far out counts less
PRIOR_RUNS = 4.0  # the prior covariance of curves counts as so many runs
FLOOR = 0.012  # ln p; readings of a step are never surer than two digits allow (own choice)
PARTS_SEEN = ("x", "y", "spread", "count")


def _bends():
    """Second differences at the inner knots, (k - 2, k)."""
    bends = np.zeros((KNOTS.size - 2, KNOTS.size))
    for i in range(KNOTS.size - 2):
        a, b = KNOTS[i + 1] - KNOTS[i], KNOTS[i + 2] - KNOTS[i + 1]
        bends[i, i : i + 3] = [1 / a, -1 / a - 1 / b, 1 / b]
    return bends


BENDS = _bends()
# How much a bend costs that the readings do not ask for: the first minutes really bend (own choice).
BEND = np.clip(2.0 * np.exp(KNOTS[1:-1] - math.log(1000.0)), 0.5, 20.0)


@dataclass(frozen=True, eq=False)
class Curves:
    """The usual curve and how runs differ from it, at the knots."""

    mean: np.ndarray  # (k,)
    spread: np.ndarray  # (k, k), of a run about the mean
    doubt: np.ndarray  # (k, k), of the mean itself
    noise: float  # ln p, of one reading by hand
    logged: float  # ln p, of a step of a logger


def noise_of(curves, seen):
    """Variance of each reading in ln p: the gauge, two digits, and a clock on a steep curve."""
    slope = np.interp(seen.x, 0.5 * (KNOTS[1:] + KNOTS[:-1]), np.diff(curves.mean) / np.diff(KNOTS))
    clock = slope * seen.spread * np.exp(-seen.x)
    gauge = np.where(seen.count > 1, curves.logged, curves.noise)
    return FLOOR**2 + gauge**2 + clock**2


def prior_curves(threshold_pa):
    """Curves of an instrument that nobody has used yet."""
    typical = expected_time(threshold_pa)
    return Curves(
        expected_curve(typical),
        spread_of_shapes(0.25, 0.1, 0.03, 0.4, 0.1),
        spread_of_shapes(0.6, 0.25, 0.5, 2.0),
        0.05,
        0.02,
    )


def fit_curves(threshold_pa, seens, start=None, rounds=ROUNDS):
    """Mean and covariance of the curves of past runs by expectation and maximisation.

    Takes:   threshold [Pa]; seens, a list of Seen; start, Curves to begin from.
    Returns: Curves, and for each run its heights (n, k) and what is left open (n, k, k).
    """
    prior = prior_curves(threshold_pa)
    used = [seen for seen in seens if seen.x.size]
    if not used:
        return prior, np.zeros((0, KNOTS.size)), np.zeros((0, KNOTS.size, KNOTS.size))
    stack = _stacked(used)
    curves = start or replace(prior, mean=_first_mean(prior, stack))
    for _ in range(rounds):
        curves = _updated(prior, curves, *_runs(curves, stack), stack)
    return curves, *_runs(curves, stack)


@dataclass(frozen=True, eq=False)
class _Stack:
    """Readings of many runs side by side: weights (n, m, k), heights and mask (n, m), and in a row."""

    weights: np.ndarray
    heights: np.ndarray
    mask: np.ndarray
    row: Seen


def _stacked(seens):
    sizes = np.array([seen.x.size for seen in seens])
    mask = np.arange(sizes.max()) < sizes[:, None]
    row = Seen(*(np.concatenate([getattr(seen, part) for seen in seens]) for part in PARTS_SEEN))
    weights, heights = np.zeros((*mask.shape, KNOTS.size)), np.zeros(mask.shape)
    weights[mask], heights[mask] = basis(row.x), row.y
    return _Stack(weights, heights, mask, row)


def _first_mean(prior, stack):
    """A smooth curve through all readings; where there are none it runs on like the prior."""
    w, y = stack.weights[stack.mask], stack.row.y
    bend = BENDS
    left, right = w.T @ w + 1e-9 * np.eye(KNOTS.size), w.T @ y
    for _ in range(4):
        # a reading far off (a slipped exponent) must not bend the curve of all
        system = left + 2.0 * bend.T @ bend
        mean = np.linalg.solve(system, right + 2.0 * bend.T @ (bend @ prior.mean))
        trust = 1 / (1 + ((y - w @ mean) / 0.7) ** 2)
        left, right = (w * trust[:, None]).T @ w, w.T @ (trust * y)
    return mean


def _runs(curves, stack):
    """Heights of each run given its readings, and what they leave open."""
    weights, mask = stack.weights, stack.mask
    precision = np.linalg.inv(curves.spread)
    sure = np.zeros(mask.shape)
    sure[mask] = 1 / noise_of(curves, stack.row)
    off = np.where(mask, stack.heights - weights @ curves.mean, 0.0)
    for _ in range(2):
        turned = np.swapaxes(weights, 1, 2)
        left = np.linalg.inv(precision + np.matmul(turned * sure[:, None, :], weights))
        moved = np.matmul(left, np.matmul(turned, (sure * off)[:, :, None]))
        missed = off - np.matmul(weights, moved)[:, :, 0]
        moved = moved[:, :, 0]
        base = np.where(mask, sure, 0.0)
        sure = base / np.maximum(1.0, base * missed**2 / 9.0)  # a stray reading counts less
    return curves.mean + moved, left


def _updated(prior, curves, runs, left, stack):
    n, k = runs.shape
    moved = runs - curves.mean
    precision = np.linalg.inv(curves.spread)
    far = np.einsum("ij,jk,ik->i", moved, precision, moved)
    told = np.maximum(k - np.einsum("ijk,kj->i", left, precision), 0.5)  # how much a run says
    trust = np.minimum((FREEDOM + told) / (FREEDOM + far), 1.5)
    mean = _mean(prior, curves, moved, left, precision, trust)
    runs = runs + np.einsum("ijk,kl,l->ij", left, precision, mean - curves.mean)
    moved = runs - mean
    trust = trust * n / trust.sum()  # else runs near the mean would count for more than one
    total = np.einsum("i,ij,ik->jk", trust, moved, moved) + left.sum(0)
    spread = (total + PRIOR_RUNS * prior.spread) / (n + PRIOR_RUNS)
    missed = (stack.heights - np.matmul(stack.weights, runs[:, :, None])[:, :, 0])[stack.mask]
    noise, logged = _noises(curves, missed, stack.row)
    # the mean is as sure as the runs that speak of each part, in units of the spread
    doubt = np.linalg.inv(np.linalg.inv(prior.doubt) + told.sum() / k * np.linalg.inv(spread))
    return Curves(mean, spread, doubt, noise, logged)


def _mean(prior, curves, moved, left, precision, trust):
    """The mean that explains the readings best, whatever the heights that nobody read.

    Slow runs alone are read late. The mean of all runs' heights would need hundreds of rounds to
    forget where it began there, and until then bend up to the slow ones.
    """
    k = curves.mean.size
    told = np.einsum("i,ijk->jk", trust, precision - precision @ left @ precision)
    bend = (BENDS.T * BEND) @ BENDS
    aside = precision @ (trust @ moved) + bend @ (prior.mean - curves.mean)
    held = 1e-6 * np.trace(told) / k * np.eye(k)
    return curves.mean + np.linalg.solve(told + bend + held, aside)


def _noises(curves, missed, row):
    """Robust size of what the curves leave of single readings, and of a logger's steps."""
    clear = noise_of(curves, row) < 4 * (FLOOR**2 + curves.noise**2)  # the clock says little
    single, steps = missed[clear & (row.count == 1)], missed[clear & (row.count > 1)]
    found = []
    for values, before in ((single, 0.05), (steps, 0.02)):
        size = 1.48 * np.median(np.abs(values)) if values.size >= 10 else before
        found.append(float(np.clip(math.sqrt(max(size**2 - FLOOR**2, 0.0)), 0.005, 0.25)))
    return found
