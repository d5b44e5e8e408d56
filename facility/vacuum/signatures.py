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
# Exponent of extra gas: share. From 0.8 on it fades nearly as the walls' own gas does.
FADES = {0.35: 0.22, 0.5: 0.32, 0.65: 0.34, 0.8: 0.12}
SLOWER = np.linspace(0.2, 1.6, 9)  # ln of the speed lost
USUALLY_SLOWER = (0.55, 0.6)  # its middle, and spread of its ln: a turbo that lost more trips
SHIFTS = np.r_[
    -np.linspace(0.25, 2.2, 8)[::-1], np.linspace(0.25, 2.2, 8)
]  # ln of a gauge's factor
USUALLY_SHIFTED = (0.8, 0.7)  # the same of a gauge: most differ by some tens of per cent or twice
STUCK_LAST = (2, 5)  # a gauge that sticks is at the level of its last readings
LEVEL_ODDS = 0.05  # for taking a level from the readings themselves: 0.15 of a range of 3 in ln
SCATTERS = (0.15, 0.4)  # ln p, scatter of a noisy gauge
# Turbo pumps work from some 30 Pa down and fully below some 1 Pa (common practice, no source).
TURBO_FROM_PA, TURBO_FULL_PA = 30.0, 1.0
HANDS_OVER_PA = (1.0, 0.1)  # where one name stands for two heads; 1e-2 to 1e-3 mbar
SLOW_KINDS = {"turbo": 0.4, "both": 0.3, "all": 0.2, "roughing": 0.1}
LOAD_KINDS = {"load": 0.75, "wet": 0.15, "alike": 0.1}
GAUGE_KINDS = {"shift": 0.6, "stuck": 0.25, "noisy": 0.05, "jump": 0.1}
JUMP, DRIED = 0.15, -0.5  # ln p between neighbours: least jump of a gauge, fall when ice is gone
NEIGHBOURS = 0.7  # ln(s) between them at most
# How far a real fault may differ from its signature, as a share of the bend (own proposal). A factor
# on a gauge is the same at every pressure but for its linearity; a pump's speed is nearly so.
FREE = 0.13
FREER = {"shift": 0.05, "jump": 0.05, "turbo": 0.08, "both": 0.08}
# The first minutes depend on how valve and turbo start, so there it may differ by more.
EARLY, EARLY_FADES = 0.2, 0.6  # at 60 s, and ln(s) over which that fades


@dataclass(frozen=True, eq=False)
class Signs:
    """Many possible faults of one run, a row each, over its n points."""

    cause: np.ndarray  # (h,), place in CAUSES
    kind: tuple  # (h,)
    size: np.ndarray  # (h,)
    share: np.ndarray  # (h,), adds up to one for each cause
    bend: np.ndarray  # (h, n), added to ln p
    keep: np.ndarray  # (h, n), what is left of the curve's own ups and downs
    free: np.ndarray  # (h, n), ln p by which a real fault may differ from its signature
    scatter: np.ndarray  # (h,), further noise of the later gauge, ln p


def signs(x, curve, typical_s, threshold_pa, later, seen):
    """Every possible fault on a run that should have followed `curve`.

    Takes:   x = ln(s of pumping) of its points, (n,); curve, heights at the knots [ln of pressure
    over threshold], (k,); typical time to the threshold [s]; threshold [Pa]; later, a list of
    (weights (n,), 1 where a point may belong to the faulty gauge, and how likely that is); seen, the readings (n,) in the
    same units as the curve, for where a gauge may have stuck.
    Returns: Signs.
    """
    usual = basis(x) @ curve
    after = np.exp(x) / typical_s
    jump = _jump(x, seen - usual)
    rows = [*_leaks(usual), *_loads(usual, x, after), *_wet(usual, x, after, jump, seen)]
    rows += [
        *_alike(usual, threshold_pa),
        *_slow(usual, x, curve, threshold_pa),
        *_gauges(usual, later, seen),
        *_jumps(usual, jump),
    ]
    cause, kind, size, share, bend, keep, scatter = zip(*rows, strict=True)
    cause = np.array([CAUSES.index(name) for name in cause])
    share = np.array(share)
    share = share / np.bincount(cause, share, minlength=len(CAUSES))[cause]
    bend = np.array(bend)
    freedom = np.array([FREER.get(name, FREE) for name in kind])[:, None]
    early = EARLY * np.exp(-np.maximum(x - math.log(60.0), 0.0) / EARLY_FADES)
    freedom = freedom + np.where(cause[:, None] != CAUSES.index("gauge"), early, 0.0)
    return Signs(
        cause,
        kind,
        np.array(size),
        share,
        bend,
        np.array(keep),
        freedom * np.abs(bend),
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
            share_of = LOAD_KINDS["load"] * share / len(LOADS)
            yield "outgassing", "load", size, share_of, bend, np.exp(-bend), 0.0


def _alike(usual, threshold_pa):
    """More metal or a gassy sample: gas that fades as the walls' does, once air is pumped out."""
    keep, share = np.ones(usual.size), LOAD_KINDS["alike"] / len(LOADS)
    for size in LOADS:
        bend = math.log1p(size) * turbo_share(usual, threshold_pa)
        yield "outgassing", "alike", size, share, bend, keep, 0.0


def _wet(usual, x, after, jump, seen):
    """Wet powder: the pressure stands while ice or liquid lasts, then falls to what pores give."""
    place, size = jump
    if size > DRIED:
        return
    level = float(np.median(seen[max(place - 4, 0) : place]))
    standing = (np.arange(x.size) < place) & (usual < level)
    for load in LOADS:
        later = np.log1p(load * after**-0.55 * np.exp(-usual))
        bend = np.where(standing, level - usual, later)
        keep = np.where(standing, 0.0, np.exp(-later))
        share = LOAD_KINDS["wet"] * LEVEL_ODDS / len(LOADS)
        yield "outgassing", "wet", load, share, bend, keep, 0.0


def _jump(x, off):
    """The largest step between neighbours after the first minutes: (place behind it, size)."""
    near = (x[1:] > math.log(150.0)) & (np.diff(x) < NEIGHBOURS)
    steps = np.where(near, np.diff(off), 0.0)
    if not steps.size:
        return 0, 0.0
    place = int(np.argmax(np.abs(steps)))
    return place + 1, float(steps[place])


def _jumps(usual, jump):
    place, size = jump
    if abs(size) < JUMP:
        return
    after = (np.arange(usual.size) >= place).astype(float)
    share = GAUGE_KINDS["jump"] * LEVEL_ODDS
    yield "gauge", "jump", size, share, size * after, np.ones(usual.size), 0.0


def turbo_share(usual, threshold_pa):
    """How far the turbo pump has taken over at a usual pressure, 0 to 1."""
    ln_pa = usual + math.log(threshold_pa)
    span = math.log(TURBO_FROM_PA / TURBO_FULL_PA)
    return np.clip((math.log(TURBO_FROM_PA) - ln_pa) / span, 0.0, 1.0)


def _slow(usual, x, curve, threshold_pa):
    turbo = turbo_share(usual, threshold_pa)
    keep, shares = np.ones(x.size), _usually(SLOWER, *USUALLY_SLOWER)
    first = (curve[1] - curve[0]) / (KNOTS[1] - KNOTS[0])
    for size, likely in zip(SLOWER, shares, strict=True):
        before = x - size
        stretched = basis(before) @ curve + np.minimum(before - KNOTS[0], 0.0) * first - usual
        lagging = np.clip(stretched, 0.0, 4.0) * (1 - turbo)
        bends = {
            "turbo": size * turbo,
            "both": lagging + size * turbo,
            "all": stretched,
            "roughing": np.minimum(stretched, 4.0) * (1 - turbo) + 0.15 * size * turbo,
        }
        for kind, share in SLOW_KINDS.items():
            yield "slow_pump", kind, size, share * likely, bends[kind], keep, 0.0


def _usually(sizes, middle, spread):
    """Shares of sizes whose ln is normal about ln(middle), either sign; they add up to one."""
    share = np.exp(-0.5 * (np.log(np.abs(sizes) / middle) / spread) ** 2)
    return share / share.sum()


def _gauges(usual, later, seen):
    keep, shares = np.ones(usual.size), _usually(SHIFTS, *USUALLY_SHIFTED)
    for weight, likely in later:
        for size, share in zip(SHIFTS, GAUGE_KINDS["shift"] * likely * shares, strict=True):
            yield "gauge", "shift", size, share, size * weight, keep, 0.0
    for last in STUCK_LAST:
        level = float(np.median(seen[-last:]))
        lifted = np.maximum(level - usual, 0.0)
        share = GAUGE_KINDS["stuck"] * LEVEL_ODDS / len(STUCK_LAST)
        yield "gauge", "stuck", math.exp(level), share, lifted, 1.0 * (lifted <= 0), 0.0
    for size in SCATTERS:
        share = GAUGE_KINDS["noisy"] / len(SCATTERS)
        yield "gauge", "noisy", size, share, np.zeros(usual.size), keep, size
