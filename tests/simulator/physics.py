"""Pressure against time for many runs of one instrument at once, by three kinds of wall.

"desorption": water on sites with a spread of binding energies, re-adsorbed on the way out.
"diffusion":  gas that comes out of pores and seals at a spread of rates, no re-adsorption.
"corners":    no physics: a piecewise straight curve of log pressure against log time, stretched.
"reservoir":  as diffusion, and each load brings pockets that run empty, each at its own time, so
              that curves differ in shape from run to run. Kept back: nothing was tuned on it.
All magnitudes are choices of this simulator (own proposal); none is a measurement.
"""

from dataclasses import dataclass, field

import numpy as np

FAMILIES = ("desorption", "diffusion", "corners")
KEPT_BACK = ("reservoir",)
GRID_S = np.geomspace(0.5, 9.0e4, 520)  # s
GAS_KJ = 2.48  # kJ/mol, R T at 298 K
AIR_PA = 1.013e5


@dataclass
class Instrument:
    """What one simulated instrument is, drawn once."""

    name: str
    family: str
    volume: float  # m³
    rough: float  # m³/s
    rough_base: float  # Pa
    turbo: float  # m³/s
    turbo_start: float  # Pa
    spin_up: float  # s
    turbo_knee: float  # Pa
    rates: np.ndarray = field(repr=False)  # 1/s, shape (m,)
    amounts: np.ndarray = field(repr=False)  # Pa m³, shape (m,)
    sticking: float = 0.0  # m³/s of re-adsorption at full coverage
    seal: float = 0.0  # Pa m³/s at 1 h
    seal_alpha: float = 0.5
    floor: float = 0.0  # Pa
    corners: tuple = ()


def draw_instrument(name, family, rng):
    """One instrument of a family; sizes as of small load locks."""
    volume = np.exp(rng.uniform(np.log(3e-3), np.log(30e-3)))
    rough = rng.uniform(0.8e-3, 3e-3) * (volume / 10e-3) ** 0.5
    turbo = rng.uniform(0.02, 0.12)
    m = 22
    if family == "desorption":
        energies = np.linspace(rng.uniform(58, 66), rng.uniform(98, 106), m)
        rates = 1e13 * np.exp(-energies / GAS_KJ)
        weight = 1.0 + rng.uniform(-0.3, 0.5) * np.linspace(-1, 1, m)
        weight += rng.uniform(0, 1.0) * np.exp(-(((energies - rng.uniform(80, 95)) / 5) ** 2))
    else:
        rates = np.geomspace(1e-6, 0.1, m)
        alpha = rng.uniform(0.85, 1.2)
        weight = rates ** (alpha - 1.0)
        weight *= 1.0 + rng.uniform(0, 0.8) * np.exp(
            -((np.log(rates * rng.uniform(500, 4000)) / 1.2) ** 2)
        )
    area = 6 * volume ** (2 / 3) * rng.uniform(1.5, 4.0)
    amounts = weight / weight.sum() * area * rng.uniform(0.05, 0.3)
    corner_t = np.array([20.0, 60, 180, 700, 2500, 9000, 9e4])
    corner_t[1:-1] *= np.exp(rng.normal(0, 0.25, 5))
    slopes = np.r_[
        -rng.uniform(4, 6.5),
        -rng.uniform(2.5, 4),
        -np.sort(rng.uniform(0.7, 1.4, 4))[::-1],
    ]
    return Instrument(
        name,
        family,
        volume,
        rough,
        rng.uniform(0.5, 5.0),
        turbo,
        rng.uniform(10, 60),
        rng.uniform(40, 220),
        rng.uniform(0.1, 2.0),
        rates,
        amounts,
        turbo * rng.uniform(1, 12) if family == "desorption" else 0.0,
        amounts.sum() * rng.uniform(2e-6, 1.2e-5),
        rng.uniform(0.4, 0.65),
        np.exp(rng.uniform(np.log(1e-7), np.log(2e-6))),
        (corner_t, slopes),
    )


@dataclass
class Loads:
    """What differs from run to run; every field has shape (n,)."""

    water: np.ndarray  # factor on the walls' amount
    sample: np.ndarray  # extra gas, share of the walls' rate at the typical time to threshold
    sample_alpha: np.ndarray  # its exponent
    speed: np.ndarray  # factor on the turbo's speed
    rough: np.ndarray  # factor on the roughing speed
    leak: np.ndarray  # Pa m³/s
    tilt: np.ndarray  # change of the walls' spread of rates, per ln(rate)
    pocket: np.ndarray = None  # s, time constant of a load's pocket ("reservoir" only)


def curves(instrument, loads, sample_rate):
    """True pressure [Pa] on GRID_S, shape (n, g).

    Takes: loads for n runs; sample_rate [Pa m³/s] of `sample` = 1 at 3000 s.
    """
    if instrument.family == "corners":
        return _corner_curves(instrument, loads)
    n = loads.water.size
    rates = instrument.rates
    spread = np.exp(loads.tilt[:, None] * (np.log(rates) - np.log(3e-4)))
    held = instrument.amounts[None, :] * loads.water[:, None] * spread
    full = np.maximum(held, instrument.amounts[None, :] * 1.5)
    capture = instrument.sticking * instrument.amounts / instrument.amounts.sum()
    p = np.full(n, AIR_PA)
    spun = np.zeros(n)
    out = np.empty((n, GRID_S.size))
    previous = 0.0
    for step, t in enumerate(GRID_S):
        dt = t - previous
        middle = 0.5 * (t + previous)
        spun += (
            dt / instrument.spin_up * (p < instrument.turbo_start) * np.minimum(loads.rough, 1.0)
        )
        share = np.clip(spun, 0, 1) ** 1.5
        rough = instrument.rough * loads.rough * np.clip(1 - instrument.rough_base / p, 0.0, 1)
        turbo = instrument.turbo * loads.speed / (1 + (p / instrument.turbo_knee) ** 0.8)
        speed = rough * (1 - share) + np.maximum(turbo, rough) * share
        steady = (
            loads.leak
            + loads.sample
            * sample_rate
            * (middle / 3000.0) ** -loads.sample_alpha
            * (1 - np.exp(-middle / 60.0))
            + instrument.seal
            * (middle / 3600.0) ** -instrument.seal_alpha
            * (1 - np.exp(-middle / 30.0))
        )
        v = instrument.volume
        if instrument.sticking:
            # only water comes back, and there is little of it in the first rush of air
            back = capture * 30.0 / (30.0 + p[:, None])
            keep = 1 / (1 + dt * (rates + back * p[:, None] / full))
            source = (held * (1 - keep)).sum(1) / dt
            sink = (back * keep).sum(1)
            p_new = (v * p / dt + steady + source) / (v / dt + speed + sink)
            held = (held + dt * back * p_new[:, None]) * keep
        else:
            lost = held * (1 - np.exp(-rates * dt))
            source = lost.sum(1) / dt
            held = held - lost
            p_new = (v * p / dt + steady + source) / (v / dt + speed)
        p = np.maximum(p_new, 1e-9)
        out[:, step] = p
        previous = t
    return out + instrument.floor


def _corner_curves(instrument, loads):
    corner_t, slopes = instrument.corners
    x = np.log(GRID_S)
    corners = np.log(corner_t)
    level = np.log(30.0) + np.r_[0.0, np.cumsum(slopes * np.diff(corners))]
    out = np.empty((loads.water.size, GRID_S.size))
    for i in range(loads.water.size):
        # the water of the walls stretches the time axis, a slow pump raises the slow part
        stretch = np.log(loads.water[i]) * 0.8 + 0.7 * np.log1p(loads.sample[i])
        early = np.interp(x, corners[[0, 2, 3]], [-np.log(loads.rough[i]), stretch * 0.4, stretch])
        y = np.interp(x - early, corners, level, left=np.log(AIR_PA))
        slow = np.interp(x, corners[[1, 3]], [0.0, 1.0])
        y += slow * (loads.tilt[i] * (x - np.log(3000.0)) * -1.0 - np.log(loads.speed[i]))
        out[i] = np.exp(y) + loads.leak[i] / (instrument.turbo * loads.speed[i]) * slow
    return out + instrument.floor
