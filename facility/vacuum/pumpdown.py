"""The curve of a pump-down in the shape that runs are compared in.

Textbook laws (a volume part, then an outgassing part) are in `flow.py`: they give magnitudes, and
fail as forecasts. The curve that forecasts use is plain: ln(pressure / threshold) against
ln(seconds of pumping), straight between fixed knots, because no single law fits real load locks.
"""

import math
from dataclasses import dataclass

import numpy as np

from facility.vacuum.runs import clean

# Knots in ln(s): 40 s to 4 h closely, then to two weeks. Below 40 s a curve is mostly clock.
FIRST_S, LAST_S = 40.0, 1.2e6
KNOTS = np.r_[np.arange(math.log(FIRST_S), 9.7, 0.3), 10.2, 10.9, 11.9, math.log(LAST_S)]
USUAL = math.log(3000.0)  # ln(s), where runs are compared best
STEP = 0.1  # width in ln(s) over which a logger's readings are put together

# A published load lock: 1e-6 mbar in 15 min, 1e-7 in 2:00, 1e-8 in 22:00; twice the time after
# 30 min vented. Source: MAX IV Bloch beamline, blochdocs.maxiv.lu.se/loadlock.html (Feb 2019).
PUBLISHED_S, PUBLISHED_PA, PUBLISHED_SLOPE = 900.0, 1e-4, 1.05
# Laboratories choose thresholds that a morning can reach; the prior keeps to that (own proposal).
SHORTEST_S, LONGEST_S = 1500.0, 7200.0


@dataclass(frozen=True, eq=False)
class Seen:
    """Readings of a run put on the curve's axes, a logger's put together in steps.

    x = ln(s of pumping); y = ln(pressure / threshold); spread = what the clock leaves open [s].
    `slips` are readings left out on the way: (seconds, kind, typed [Pa], meant [Pa] or None).
    """

    x: np.ndarray
    y: np.ndarray
    spread: np.ndarray
    count: np.ndarray
    slips: tuple = ()

    def only(self, rows):
        """The same with these readings (a mask)."""
        return Seen(self.x[rows], self.y[rows], self.spread[rows], self.count[rows], self.slips)


def seen(run, threshold_pa):
    """The readings of a run on the curve's axes; never more than about a hundred.

    Takes:   run; threshold [Pa].   Returns: Seen.
    Valid:   readings after 40 s of pumping; cut a run before, not after.
    """
    readings = clean(run)
    late = readings.pumped_s >= FIRST_S
    x = np.log(readings.pumped_s[late])
    y = readings.ln_p[late] - math.log(threshold_pa)
    spread = readings.spread_s[late]
    slips = tuple(
        (float(run.t_s[row]), kind, float(run.pressure_pa[row]), meant)
        for row, kind, meant in readings.slips
    )
    if x.size <= 24:
        return Seen(x, y, spread, np.ones(x.size), slips)
    edges = np.floor(x / STEP).astype(int)
    starts = np.flatnonzero(np.r_[True, np.diff(edges) > 0])
    count = np.diff(np.r_[starts, x.size])
    mean = [np.add.reduceat(values, starts) / count for values in (x, y, spread)]
    if count.max() >= 5:  # the middle one is not moved by a stray reading
        for place in np.flatnonzero(count >= 3):
            own = slice(starts[place], starts[place] + count[place])
            line = (mean[0][place] - x[own]) * -1.0
            mean[1][place] = np.median(y[own] - line)
    return Seen(*mean, count.astype(float), slips)


def basis(x):
    """Weights of the knots at x, so that a curve there is weights @ heights at the knots.

    Takes:   x = ln(s), shape (n,).   Returns: weights, shape (n, k); beyond the ends: the end.
    >>> bool(np.allclose(basis(KNOTS), np.eye(KNOTS.size)))
    True
    """
    x = np.clip(x, KNOTS[0], KNOTS[-1])
    place = np.clip(np.searchsorted(KNOTS, x, side="right") - 1, 0, KNOTS.size - 2)
    share = (x - KNOTS[place]) / (KNOTS[place + 1] - KNOTS[place])
    weights = np.zeros((x.size, KNOTS.size))
    rows = np.arange(x.size)
    weights[rows, place] = 1.0 - share
    weights[rows, place + 1] = share
    return weights


def expected_time(threshold_pa):
    """Time to a threshold of which nothing else is known [s].

    Takes:   threshold [Pa].   Returns: seconds, kept between 25 min and 2 h.
    Source:  MAX IV Bloch load lock, 15 min to 1e-6 mbar, exponent about 1.05; limits own proposal.
    >>> round(expected_time(5e-5) / 60)
    29
    """
    published = PUBLISHED_S * (PUBLISHED_PA / threshold_pa) ** (1 / PUBLISHED_SLOPE)
    return min(max(published, SHORTEST_S), LONGEST_S)


def expected_curve(typical_s):
    """Heights at the knots of a curve that nobody has measured yet: a fast part, then a slow one.

    Takes:   typical time to the threshold [s].   Returns: ln(pressure / threshold), shape (k,).
    """
    x = KNOTS - math.log(typical_s)
    bend = math.log(240.0 / typical_s)  # the turbo has taken over after some minutes
    fast = np.maximum(bend - x, 0.0)
    return -PUBLISHED_SLOPE * x + 2.5 * fast


def spread_of_shapes(level, tilt, wiggle, early, walk=0.0, *, around=USUAL):
    """Covariance of curves at the knots: up and down, steeper and flatter, wavy, uncertain early.

    Takes:   standard deviations in ln p; `walk`, how far a curve strays for good per e-fold of
    time, so that late readings count for more than early ones; `around`, where tilt leaves the
    level alone [ln s].
    Returns: covariance, shape (k, k).
    """
    since = KNOTS - KNOTS[0]
    x = KNOTS - around
    gap = np.abs(KNOTS[:, None] - KNOTS[None, :]) / 0.9
    smooth = (1 + math.sqrt(3) * gap) * np.exp(-math.sqrt(3) * gap)
    start = np.exp(-np.maximum(KNOTS - math.log(90.0), 0.0) / 0.6)
    lean = np.clip(x, -2.5, 2.5)
    return (
        level**2
        + tilt**2 * np.outer(lean, lean)
        + wiggle**2 * smooth
        + early**2 * np.outer(start, start) * smooth
        + walk**2 * np.minimum(since[:, None], since[None, :])
        + 1e-5 * np.eye(KNOTS.size)
    )
