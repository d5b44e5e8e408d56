"""How each cause changes the curve of a pump-down: the signatures that diagnosis and drift look for.

A signature takes the curve that this load should have followed and gives the curve with the fault,
as a bend in ln p. What a pumped curve shows: a leak is a constant pressure that flattens the tail;
a wet or dirty load adds gas that fades more slowly than the walls'; a slow pump raises the curve
as soon as it takes over, or stretches the time axis from the start; a gauge shifts its own readings
only, sticks, or scatters. Table of signatures: reasoned from V dp/dt = Q - S p; shares and sizes
are own proposals.
"""

import math
from dataclasses import dataclass

import numpy as np

from facility.vacuum.pumpdown import KNOTS, basis

CAUSES = ("leak", "outgassing", "slow_pump", "gauge")

LEAKS = np.geomspace(0.08, 2.5, 10)  # pressure of the leak alone, in thresholds
LOADS = np.geomspace(0.25, 5.0, 8)  # extra gas at the usual time, in thresholds
FADES = {0.25: 0.2, 0.45: 0.35, 0.65: 0.3, 0.85: 0.15}  # exponent of extra gas: share
SLOWER = np.linspace(0.2, 1.6, 9)  # ln of the speed lost
SHIFTS = np.r_[
    -np.linspace(0.25, 2.2, 8)[::-1], np.linspace(0.25, 2.2, 8)
]  # ln of a gauge's factor
STUCK_LAST = (2, 5)  # a gauge that sticks is at the level of its last readings
STUCK_ODDS = 0.05  # for taking the level from the readings themselves: 0.15 of a range of 3 in ln
SCATTERS = (0.15, 0.4)  # ln p, scatter of a noisy gauge
# Turbo pumps work from some 30 Pa down and fully below some 1 Pa (common practice, no source).
TURBO_FROM_PA, TURBO_FULL_PA = 30.0, 1.0
HANDS_OVER_PA = (1.0, 0.1)  # where one name stands for two heads; 1e-2 to 1e-3 mbar
SLOW_KINDS = {"turbo": 0.4, "all": 0.4, "roughing": 0.2}
GAUGE_KINDS = {"shift": 0.65, "stuck": 0.25, "noisy": 0.1}
# How far a real fault may differ from its signature, as a share of the bend (own proposal).
FREEDOM = {"leak": 0.08, "outgassing": 0.12, "slow_pump": 0.12, "gauge": 0.06}


@dataclass(frozen=True, eq=False)
class Signs:
    """Many possible faults of one run, a row each, over its n points."""

    cause: np.ndarray  # (h,), place in CAUSES
    kind: tuple  # (h,)
    size: np.ndarray  # (h,)
    share: np.ndarray  # (h,), adds up to one for each cause
    bend: np.ndarray  # (h, n), added to ln p
    keep: np.ndarray  # (h, n), what is left of the curve's own ups and downs
    freedom: np.ndarray  # (h,)
    scatter: np.ndarray  # (h,), further noise of the later gauge, ln p


def signs(x, curve, typical_s, threshold_pa, later, seen):
    """Every possible fault on a run that should have followed `curve`.

    Takes:   x = ln(s of pumping) of its points, (n,); curve, heights at the knots [ln of pressure
    over threshold], (k,); typical time to the threshold [s]; threshold [Pa]; later, a list of
    weights (n,), 1 where a point may belong to the faulty gauge; seen, the readings (n,) in the
    same units as the curve, for where a gauge may have stuck.
    Returns: Signs.
    """
    usual = basis(x) @ curve
    after = np.exp(x) / typical_s
    rows = [*_leaks(usual), *_loads(usual, x, after)]
    rows += [*_slow(usual, x, curve, threshold_pa), *_gauges(usual, later, seen)]
    cause, kind, size, share, bend, keep, scatter = zip(*rows, strict=True)
    cause = np.array([CAUSES.index(name) for name in cause])
    share = np.array(share)
    share = share / np.bincount(cause, share, minlength=len(CAUSES))[cause]
    return Signs(
        cause,
        kind,
        np.array(size),
        share,
        np.array(bend),
        np.array(keep),
        np.array([FREEDOM[CAUSES[place]] for place in cause]),
        np.array(scatter),
    )


def leak(usual, size):
    """Bend of a leak that alone would hold `size` thresholds; usual = ln(pressure / threshold).

    >>> leak(np.array([0.0]), 1.0).round(3)
    array([0.693])
    """
    return np.log1p(size * np.exp(-usual))


def _leaks(usual):
    for size in LEAKS:
        bend = leak(usual, size)
        yield "leak", "leak", size, 1.0, bend, np.exp(-bend), 0.0


def _loads(usual, x, after):
    starts = 1 - np.exp(-np.exp(x) / 60.0)
    for fade, share in FADES.items():
        extra = after**-fade * starts * np.exp(-usual)
        for size in LOADS:
            bend = np.log1p(size * extra)
            yield "outgassing", "load", size, share, bend, np.exp(-bend), 0.0


def turbo_share(usual, threshold_pa):
    """How far the turbo pump has taken over at a usual pressure, 0 to 1."""
    ln_pa = usual + math.log(threshold_pa)
    span = math.log(TURBO_FROM_PA / TURBO_FULL_PA)
    return np.clip((math.log(TURBO_FROM_PA) - ln_pa) / span, 0.0, 1.0)


def _slow(usual, x, curve, threshold_pa):
    turbo = turbo_share(usual, threshold_pa)
    keep = np.ones(x.size)
    first = (curve[1] - curve[0]) / (KNOTS[1] - KNOTS[0])
    for size in SLOWER:
        before = x - size
        stretched = basis(before) @ curve + np.minimum(before - KNOTS[0], 0.0) * first - usual
        bends = {
            "turbo": size * turbo,
            "all": stretched,
            "roughing": np.minimum(stretched, 4.0) * (1 - turbo) + 0.15 * size * turbo,
        }
        for kind, share in SLOW_KINDS.items():
            yield "slow_pump", kind, size, share, bends[kind], keep, 0.0


def _gauges(usual, later, seen):
    keep = np.ones(usual.size)
    for weight in later:
        for size in SHIFTS:
            share = GAUGE_KINDS["shift"] / len(SHIFTS) / len(later)
            yield "gauge", "shift", size, share, size * weight, keep, 0.0
    for last in STUCK_LAST:
        level = float(np.median(seen[-last:]))
        lifted = np.maximum(level - usual, 0.0)
        share = GAUGE_KINDS["stuck"] * STUCK_ODDS / len(STUCK_LAST)
        yield "gauge", "stuck", math.exp(level), share, lifted, 1.0 * (lifted <= 0), 0.0
    for size in SCATTERS:
        share = GAUGE_KINDS["noisy"] / len(SCATTERS)
        yield "gauge", "noisy", size, share, np.zeros(usual.size), keep, size
