"""Laboratories by other physics than `physics.py`, to see that nothing was fitted to one generator.

Walls: one layer of water whose desorption slows down as it empties (Elovich's law) and which comes
back at a rate that depends on the empty places. Seals: diffusion out of a slab. Pumping: through a
pipe whose conductance changes from viscous to molecular. Gauges: a Pirani with a zero of its own, a
cold cathode that is not quite linear; some loggers write both. Faults are made otherwise too: a
virtual leak beside a real one, a valve half shut, wet powder that evaporates at its own vapour
pressure, a gauge with an offset, a jump or scatter. Sizes are choices of this simulator.
"""

from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

import numpy as np

from facility.vacuum.runs import Run
from tests.simulator.laboratory import (
    FAULTS,
    FORMS,
    PASCAL,
    SHARES,
    Case,
    Sim,
    _cross,
    _round_threshold,
    _times,
    _typos,
)
from tests.simulator.physics import AIR_PA, GRID_S

# extra gas of a form and its spread in ln (own proposal; order: common practice)
EXTRA = {
    "film": (0.03, 0.7),
    "bulk": (0.08, 0.6),
    "single crystal": (0.02, 0.4),
    "powder": (0.18, 0.6),
    "porous powder": (0.8, 0.5),
    "pellet": (0.15, 0.5),
    "electrode": (0.35, 0.5),
}


@dataclass
class Chamber:
    """What one instrument is, drawn once."""

    volume: float  # m³
    rough: float  # m³/s
    turbo: float  # m³/s
    pipe: float  # m³/s, molecular
    viscous: float  # 1/Pa, growth of the pipe's conductance
    start: float  # Pa, where the turbo may start
    spin_up: float  # s
    places: float  # Pa m³ of water in a full layer
    elovich: float  # steepness of desorption with coverage
    rate: float  # 1/s, of a full layer
    sticking: float  # m³/s
    slab: float  # 1/s, slowest mode of the seals
    seals: float  # Pa m³ held by the seals


@dataclass
class Day:
    """What differs from run to run, each (n,)."""

    water: np.ndarray
    load: np.ndarray  # Pa m³ held by the sample
    load_rate: np.ndarray  # 1/s, its slowest mode
    turbo: np.ndarray
    rough: np.ndarray
    pipe: np.ndarray
    leak: np.ndarray  # Pa m³/s
    pocket: np.ndarray  # Pa m³/s at the start, of a trapped volume
    pocket_s: np.ndarray  # s
    wet: np.ndarray  # Pa, vapour pressure of what is wet; 0 dry
    wet_speed: np.ndarray  # m³/s
    wet_held: np.ndarray  # Pa m³


def draw_chamber(rng):
    volume = np.exp(rng.uniform(np.log(2e-3), np.log(25e-3)))
    turbo = rng.uniform(0.03, 0.15)
    return Chamber(
        volume,
        rng.uniform(0.7e-3, 2.5e-3) * (volume / 8e-3) ** 0.5,
        turbo,
        turbo * rng.uniform(0.5, 2.5),
        rng.uniform(0.3, 2.0),
        rng.uniform(8, 50),
        rng.uniform(30, 180),
        6 * volume ** (2 / 3) * rng.uniform(0.1, 0.5),
        rng.uniform(9, 16),
        np.exp(rng.uniform(np.log(0.01), np.log(0.3))),
        turbo * rng.uniform(0.0, 6.0),
        np.exp(rng.uniform(np.log(3e-6), np.log(3e-5))),
        rng.uniform(0.02, 0.2),
    )


def _slab(held, slowest, t):
    """Gas from a slab that was full at the start: odd modes of diffusion (Crank)."""
    modes = (2 * np.arange(12) + 1.0) ** 2
    fade = np.exp(-np.outer(modes, np.atleast_1d(slowest) * t))
    return 8 / np.pi**2 * held * slowest * fade.sum(0)


def true_curves(chamber, day):
    """Pressure [Pa] on GRID_S, shape (n, g), by implicit steps."""
    n = day.water.size
    p, spun, coverage = np.full(n, AIR_PA), np.zeros(n), np.clip(0.9 * day.water, 0.05, 1.6)
    wet = day.wet_held.copy()
    out = np.empty((n, GRID_S.size))
    before = 0.0
    for step, t in enumerate(GRID_S):
        dt, middle = t - before, 0.5 * (t + before)
        before = t
        spun += dt / chamber.spin_up * (p < chamber.start) * np.minimum(day.rough, 1)
        share = np.clip(spun, 0, 1)
        turbo = chamber.turbo * day.turbo * share / (1 + p / 3.0)
        pump = np.maximum(chamber.rough * day.rough * np.clip(1 - 1.5 / p, 0, 1), turbo)
        pipe = chamber.pipe * day.pipe * (1 + chamber.viscous * p)
        speed = pump * pipe / (pump + pipe)
        gas = day.leak + _slab(chamber.seals, chamber.slab, middle)
        gas = gas + _slab(day.load, day.load_rate, middle) * (1 - np.exp(-middle / 40))
        gas = gas + day.pocket * np.exp(-middle / day.pocket_s)
        wetting = np.where(wet > 0, day.wet_speed, 0.0) * np.clip(40.0 / (p + 1), 0, 1)
        loss = chamber.rate * np.exp(chamber.elovich * (coverage - 1.0))
        off = chamber.places * coverage * (1 - np.exp(-loss * dt)) / dt
        back = chamber.sticking * np.clip(1.6 - coverage, 0, 1) * 20 / (20 + p)
        v = chamber.volume
        p_new = (v * p / dt + gas + off + wetting * day.wet) / (v / dt + speed + back + wetting)
        wet = np.maximum(wet - wetting * np.maximum(day.wet - p_new, 0) * dt, 0)
        coverage = np.clip(coverage + dt * (back * p_new - off) / chamber.places, 1e-4, 1.6)
        p = np.maximum(p_new, 1e-9)
        out[:, step] = p
    return out


@dataclass
class House:
    """How one laboratory lives, drawn once."""

    wander: float
    memory: float
    season: float
    phase: float
    vent: float
    white: float
    hand: float
    typo: float
    whole_minutes: float
    clock: float
    overnight: float
    missing: float
    wrong: float
    noise: float
    unit: str
    names: tuple
    both: bool
    cold_factor: float
    cold_bend: float
    pirani_factor: float
    pirani_zero: float
    hand_over: float
    a_day: float


def _house(rng):
    return House(
        rng.uniform(0.05, 0.12),
        rng.uniform(0.3, 0.9),
        rng.uniform(0, 0.1),
        rng.uniform(0, 2 * np.pi),
        rng.uniform(0.03, 0.15),
        rng.uniform(0.03, 0.08),
        rng.choice([0.2, 0.5, 0.9]),
        rng.uniform(0.01, 0.04),
        rng.choice([0.2, 0.6, 1.0]),
        rng.uniform(3, 20),
        rng.uniform(0.02, 0.1),
        rng.uniform(0.02, 0.12),
        0.04,
        rng.uniform(0.004, 0.03),
        rng.choice(["mbar", "torr", "Pa"]),
        [("pirani", "cold cathode"), ("TC1", "IG1"), ("full range",) * 2][rng.integers(3)],
        bool(rng.random() < 0.3),
        np.exp(rng.normal(0, 0.2)),
        rng.uniform(0.97, 1.03),
        np.exp(rng.normal(0, 0.4)),
        rng.uniform(0, 0.03),
        np.exp(rng.uniform(np.log(0.05), np.log(1.0))),
        rng.uniform(0.5, 1.6),
    )


def laboratory(seed, *, past=None, tests=60, faults=True, instruments=6):
    """A list of Case, as `tests.simulator.laboratory.laboratory` gives."""
    rng = np.random.default_rng([seed, 77])
    return [
        case(
            rng,
            f"X{number}",
            past=int(rng.integers(60, 151)) if past is None else past,
            tests=tests,
            faults=faults,
        )
        for number in range(instruments)
    ]


def case(rng, name, *, past, tests, faults, drift=None):
    """One instrument with its runs; `drift` is (kind, first) over the test runs, or None."""
    chamber, house = draw_chamber(rng), _house(rng)
    labels = [("none", "")] * (past + tests)
    if not drift:
        for i in range(past):
            if rng.random() < 0.02:
                labels[i] = (FAULTS[rng.integers(4)], "mild")
    if faults:
        labels += [(f, s) for f in FAULTS for s in ("clear", "mild") for _ in range(3)]
    n = len(labels)
    days = np.cumsum(rng.exponential(1 / house.a_day, n))
    if faults:
        days[past + tests :] = np.sort(
            rng.uniform(days[past], days[past + tests - 1], n - past - tests)
        )
    form = rng.choice(FORMS, n, p=SHARES)
    samples, vent = rng.integers(1, 9, n), np.exp(rng.normal(np.log(9), 0.8, n))
    plain = _plain_day(1)
    typical = np.exp(rng.normal(np.log(3000), 0.3))
    typical = float(np.clip(typical, 1500, 6500))
    bare = true_curves(chamber, plain)[0]
    level = np.exp(np.interp(np.log(typical), np.log(GRID_S), np.log(bare)))
    speed = 1 / (1 / chamber.turbo + 1 / chamber.pipe)
    threshold = _round_threshold(level * 1.08 * house.cold_factor, house.unit)
    goal = threshold / house.cold_factor
    day = _days(rng, house, form, samples, vent, days, goal * speed)
    bends = [None] * n
    for i, (fault, strength) in enumerate(labels):
        bends[i] = _apply(rng, day, i, fault, strength == "clear", goal, speed)
    if drift:
        weeks = np.maximum(days - days[past + drift[1]], 0) / 7
        if drift[0] == "speed":
            lost = 1 - 0.3 * np.minimum(weeks / 8, 1.2)
            day.turbo *= lost
            day.pipe *= lost
        elif drift[0] == "leak":
            day.leak += goal * speed / 3 * np.minimum(weeks / 8, 1.2)
    true = true_curves(chamber, day)
    sims = [
        _sim(
            rng,
            house,
            name,
            i,
            labels[i],
            form[i],
            samples[i],
            vent[i],
            days[i],
            true[i],
            threshold,
            bends[i],
        )
        for i in range(n)
    ]
    return Case(name, "other", threshold, str(house.unit), sims[:past], sims[past:])


def drift_case(seed, kind, *, past=80, runs=100, first=20):
    """As `tests.simulator.laboratory.drift_case`."""
    rng = np.random.default_rng([seed, 78])
    return case(rng, f"X{seed}", past=past, tests=runs, faults=False, drift=(kind, first))


def _plain_day(n):
    one, none = np.ones(n), np.zeros(n)
    return Day(
        one.copy(), none.copy(), 1e-4 * one, one.copy(), one.copy(), one.copy(),
        none.copy(), none.copy(), one.copy(), none.copy(), none.copy(), none.copy(),
    )  # fmt: skip


def _days(rng, house, form, samples, vent, days, load):
    n = form.size
    day = _plain_day(n)
    state, wander = 0.0, np.zeros(n)
    for i in np.argsort(days):
        state = house.memory * state + np.sqrt(1 - house.memory**2) * rng.normal() * house.wander
        wander[i] = state
    season = house.season * np.sin(2 * np.pi * days / 365 + house.phase)
    # an Elovich layer answers to the logarithm of its gas: coverage moves the level little
    level = wander + season + house.vent * np.log(vent / 9) + rng.normal(0, house.white, n)
    mean = np.array([EXTRA[f][0] for f in form])
    spread = np.array([EXTRA[f][1] for f in form])
    share = mean * np.exp(spread * rng.normal(0, 1, n)) * (samples / 3.5) ** rng.uniform(0.3, 0.9)
    share = share + 0.15 * np.expm1(np.clip(level, -0.8, 0.8)) + 0.15
    day.load_rate = np.exp(rng.normal(np.log(8e-5), 0.5, n))
    unit = np.array([_slab(1.0, r, 3000.0)[0] for r in day.load_rate])
    day.load = np.maximum(share, 0.01) * load / unit
    day.water = np.exp(0.35 * level)
    day.turbo = np.exp(rng.normal(0, 0.02, n))
    day.rough = np.exp(rng.normal(0, 0.03, n))
    return day


def _apply(rng, day, i, fault, clear, goal, speed):
    """Changes the day for a fault; gives the gauge's bend as (kind, sizes)."""
    way = rng.random()
    if fault == "leak":
        size = goal * speed * (rng.uniform(0.45, 0.9) if clear else rng.uniform(0.18, 0.35))
        if way < 0.7:
            day.leak[i] += size
        else:  # a trapped pocket that empties over hours
            day.pocket[i], day.pocket_s[i] = size * 1.3, rng.uniform(3, 12) * 3600
    elif fault == "outgassing":
        if way < 0.7:
            day.load[i] *= 1.0
            day.load_rate[i] = np.exp(rng.normal(np.log(4e-5), 0.4))
            unit = _slab(1.0, day.load_rate[i], 3000.0)[0]
            day.load[i] += (
                goal * speed / unit * (rng.uniform(0.9, 2.5) if clear else rng.uniform(0.3, 0.6))
            )
        else:  # wet powder: ice that sublimes for a while, and pores that go on
            day.wet[i], day.wet_speed[i] = rng.uniform(15, 100), rng.uniform(2e-6, 2e-5)
            day.wet_held[i] = rng.uniform(0.5, 3) * (1 if clear else 0.3)
            unit = _slab(1.0, day.load_rate[i], 3000.0)[0]
            day.load[i] += (
                goal * speed / unit * (rng.uniform(0.9, 2.0) if clear else rng.uniform(0.3, 0.5))
            )
    elif fault == "slow_pump":
        left = rng.uniform(0.35, 0.6) if clear else rng.uniform(0.68, 0.8)
        if way < 0.5:
            day.turbo[i] *= left
            day.pipe[i] *= left
        elif way < 0.8:  # a valve half shut: the pipe alone, from the start
            day.pipe[i] *= left * 0.7
            day.turbo[i] *= left**0.5
        else:
            day.turbo[i] *= left
            day.pipe[i] *= left
            day.rough[i] *= left
    elif fault == "gauge":
        size = rng.uniform(0.7, 1.4) if clear else rng.uniform(0.35, 0.55)
        sign = rng.choice([-1, 1])
        if way < 0.55:
            return "scale", sign * size
        if way < 0.75:
            return "stuck", goal * np.exp(
                rng.uniform(0.5, 2.5) if clear else rng.uniform(-0.2, 0.4)
            )
        if way < 0.85:
            return "noisy", 0.35 if clear else 0.15
        return "jump", (sign * size, rng.uniform(400, 1500))
    return None


def _sim(rng, house, name, i, label, form, samples, vent, day, true, threshold, bend):
    fault, strength = label
    factor = house.cold_factor * np.exp(rng.normal(0, 0.015))
    cold = factor * goal_scaled(true, house.cold_bend, threshold)
    noise = house.noise
    if bend and bend[0] == "scale":
        cold = cold * np.exp(bend[1])
    elif bend and bend[0] == "stuck":
        cold = np.maximum(cold, bend[1])
    elif bend and bend[0] == "noisy":
        noise = bend[1]
    elif bend and bend[0] == "jump":
        size, at = bend[1]
        cold = cold * np.where(at < GRID_S, np.exp(size), 1.0)
    pirani = true * house.pirani_factor + house.pirani_zero
    offset = rng.normal(0, house.clock)
    high = true > house.hand_over
    crossed = _cross(np.where(high, np.maximum(pirani, threshold * 2), cold), threshold) + offset
    hand = rng.random() < house.hand
    times, seen = _times(rng, house, crossed if np.isfinite(crossed) else 7000.0, hand)
    x = np.log(np.maximum(times - offset, 0.6))
    at_high = np.interp(x, np.log(GRID_S), np.log(true)) > np.log(house.hand_over)
    ln = [np.interp(x, np.log(GRID_S), np.log(c)) for c in (pirani, cold)]
    rows_t, rows_p, rows_g = (
        list(times),
        list(np.where(at_high, *ln)),
        list(np.where(at_high, *house.names)),
    )
    if house.both and not hand and house.names[0] != house.names[1]:
        low = ~at_high
        rows_t += list(times[low])
        rows_p += list(ln[0][low])
        rows_g += [house.names[0]] * int(low.sum())
    order = np.argsort(rows_t, kind="stable")
    ln_p, gauge = np.array(rows_p)[order], np.array(rows_g, dtype=object)[order]
    t_s = np.array(rows_t, dtype=float)[order]
    ln_p = ln_p + rng.normal(0, noise if gauge.size else 0, ln_p.size)
    pressure = np.array([float(f"{v:.1e}") for v in np.exp(ln_p) / PASCAL[house.unit]])
    pressure = pressure * PASCAL[house.unit]
    pressure[pressure > 8e4] = 1e5
    if hand:
        pressure = _typos(rng, house, pressure)
    shown = str(form)
    if rng.random() < house.missing:
        shown = ""
    elif rng.random() < house.wrong:
        shown = str(rng.choice(FORMS))
    run = Run(
        f"{name}-{i:04d}",
        name,
        datetime(2025, 1, 6, 9, tzinfo=UTC) + timedelta(days=float(day)),
        shown,
        None if rng.random() < house.missing else float(samples),
        None if rng.random() < house.missing else float(np.round(vent)),
        t_s,
        pressure,
        gauge,
        np.full(t_s.size, "manual" if hand else "logger", dtype=object),
        np.full(t_s.size, "", dtype=object),
    )
    return Sim(run, float(crossed), str(form), fault, strength, hand, seen)


def goal_scaled(true, bend, threshold):
    """A reading that is not quite linear, right at the threshold."""
    return threshold * (true / threshold) ** bend
