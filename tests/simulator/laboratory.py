"""Laboratories with past runs: loads, seasons, people, gauges, faults; truth beside each run.

`laboratory(seed)` gives instruments with past runs and test runs. Seeds below 1000 may be used for
tuning; seeds from HELD_BACK on are for reporting only.
"""

import csv
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta

import numpy as np

from facility.vacuum.runs import Run
from tests.simulator.physics import FAMILIES, GRID_S, Loads, curves, draw_instrument

HELD_BACK = 9000
FORMS = (
    "film",
    "bulk",
    "single crystal",
    "powder",
    "porous powder",
    "pellet",
    "electrode",
)
SHARES = (0.34, 0.18, 0.06, 0.18, 0.10, 0.08, 0.06)
# mean extra gas and its spread in ln, by form (own proposal; the order is common practice)
EXTRA = {
    "film": (0.02, 0.6),
    "bulk": (0.06, 0.5),
    "single crystal": (0.02, 0.5),
    "powder": (0.13, 0.5),
    "porous powder": (0.60, 0.45),
    "pellet": (0.20, 0.45),
    "electrode": (0.26, 0.45),
}
FAULTS = ("leak", "outgassing", "slow_pump", "gauge")
PASCAL = {"mbar": 100.0, "torr": 133.322368, "Pa": 1.0}


@dataclass
class Sim:
    """A simulated run and what is true of it; true_s is NaN where it never crosses."""

    run: Run
    true_s: float
    form: str
    fault: str = "none"
    strength: str = ""
    hand: bool = False
    seen: tuple = ()  # overnight runs: the bounds between which the crossing was seen


@dataclass
class Case:
    """One instrument: past runs, test runs, threshold."""

    name: str
    family: str
    threshold_pa: float
    unit: str
    history: list
    tests: list


@dataclass
class Habits:
    """How one laboratory lives: nuisances, drawn once."""

    wander: float
    memory: float
    season: float
    season_phase: float
    vent: float
    carry: float
    white: float
    per_sample: float
    speed_wander: float
    tilt: float
    hand_share: float
    typo: float
    whole_minutes: float
    clock: float
    gauge_factor: float
    gauge_run: float
    pirani_factor: float
    hand_over_pa: float
    noise: float
    names: tuple
    unit: str
    overnight: float
    missing: float
    runs_a_day: float


def _habits(rng):
    return Habits(
        wander=rng.uniform(0.06, 0.13),
        memory=rng.uniform(0.3, 0.85),
        season=rng.uniform(0.0, 0.12),
        season_phase=rng.uniform(0, 2 * np.pi),
        vent=rng.uniform(0.05, 0.2),
        carry=rng.uniform(0.0, 0.25),
        white=rng.uniform(0.04, 0.09),
        per_sample=rng.uniform(0.3, 1.0),
        speed_wander=rng.uniform(0.01, 0.04),
        tilt=rng.uniform(0.005, 0.02),
        hand_share=rng.choice([0.3, 0.6, 0.9]),
        typo=rng.uniform(0.01, 0.04),
        whole_minutes=rng.choice([0.3, 0.7, 1.0]),
        clock=rng.uniform(4, 25),
        gauge_factor=np.exp(rng.normal(0, 0.12)),
        gauge_run=rng.uniform(0.005, 0.03),
        pirani_factor=np.exp(rng.normal(0, 0.3)),
        hand_over_pa=np.exp(rng.uniform(np.log(0.03), np.log(1.0))),
        noise=rng.uniform(0.005, 0.025),
        names=[
            ("pirani", "cold cathode"),
            ("PG-1", "IG-1"),
            ("", ""),
            ("wide range",) * 2,
        ][rng.integers(4)],
        unit=rng.choice(["mbar", "torr", "Pa"]),
        overnight=rng.uniform(0.03, 0.12),
        missing=rng.uniform(0.03, 0.12),
        runs_a_day=rng.uniform(0.6, 1.6),
    )


def _hard(habits, rng):
    """A careless laboratory: few readings by hand, many slips, a poor clock, a moody gauge."""
    return replace(
        habits,
        hand_share=0.95,
        typo=rng.uniform(0.04, 0.08),
        whole_minutes=1.0,
        clock=rng.uniform(30, 60),
        gauge_run=rng.uniform(0.03, 0.08),
        noise=rng.uniform(0.03, 0.06),
        tilt=rng.uniform(0.02, 0.04),
        missing=0.3,
        overnight=0.15,
    )


def laboratory(
    seed, *, family=None, past=None, tests=60, faults=True, instruments=6, hard=False, usual=50.0
):
    """A list of Case: `instruments` of them with 60 to 150 past runs each and test runs.

    Takes:   seed; family (None: all in turn); past, number of past runs (None: drawn); tests,
    normal test runs each; faults, whether labelled faulty test runs are added (24 each); hard, a
    careless laboratory; usual, minutes to the threshold.
    """
    rng = np.random.default_rng(seed)
    cases = []
    for number in range(instruments):
        kind = family or FAMILIES[(number + seed) % len(FAMILIES)]
        cases.append(
            case(
                rng,
                f"I{number}",
                kind,
                past=int(rng.integers(60, 151)) if past is None else past,
                tests=tests,
                faults=faults,
                hard=hard,
                usual=usual,
            )
        )
    return cases


def case(rng, name, family, *, past, tests, faults, drift=None, hard=False, usual=50.0):
    """One instrument with its runs; `drift` is (kind, first run, runs) over the test runs."""
    instrument, habits = draw_instrument(name, family, rng), _habits(rng)
    habits = _hard(habits, rng) if hard else habits
    labels = [("none", "")] * (past + tests)
    for i in range(past):  # a history holds a few that nobody marked
        if rng.random() < 0.02 and not drift:
            labels[i] = (
                FAULTS[rng.integers(4)],
                "mild" if rng.random() < 0.6 else "clear",
            )
    if faults:
        labels += [(f, s) for f in FAULTS for s in ("clear", "mild") for _ in range(3)]
    n = len(labels)
    days = np.cumsum(rng.exponential(1 / habits.runs_a_day, n))
    if faults:  # faulty test runs happen among the normal ones, so spread them in time
        days[past + tests :] = np.sort(
            rng.uniform(days[past], days[past + tests - 1], n - past - tests)
        )
    meta = _metadata(rng, habits, n, days)
    loads = _loads(rng, habits, meta, days, n, family)
    nominal = Loads(*(np.array([v]) for v in (1.0, 0.0, 0.6, 1.0, 1.0, 0.0, 0.0, 2500.0)))
    typical = usual * 60 * np.clip(np.exp(rng.normal(0.0, 0.3)), 0.5, 2.2)
    bare = curves(instrument, nominal, 0.0)
    level = np.exp(np.interp(np.log(typical), np.log(GRID_S), np.log(bare[0])))
    speed = instrument.turbo
    sample_rate = level * speed
    if family == "corners":
        sample_rate = 1.0
    threshold = _round_threshold(level * 1.05 * habits.gauge_factor, habits.unit)
    _apply_faults(rng, labels, loads, threshold / habits.gauge_factor * speed)
    if drift:
        _apply_drift(drift, loads, past, days, threshold / habits.gauge_factor * speed)
    true = curves(instrument, loads, sample_rate)
    sims = [
        _sim(rng, habits, name, i, labels[i], meta, days[i], true[i], threshold) for i in range(n)
    ]
    return Case(name, family, threshold, str(habits.unit), sims[:past], sims[past:])


def _metadata(rng, habits, n, days):
    form = rng.choice(FORMS, n, p=SHARES)
    return {
        "form": form,
        "samples": rng.integers(1, 9, n),
        "vent": np.exp(rng.normal(np.log(9), 0.8, n)),
    }


def _loads(rng, habits, meta, days, n, family):
    mean = np.array([EXTRA[f][0] for f in meta["form"]])
    spread = np.array([EXTRA[f][1] for f in meta["form"]])
    sample = (
        mean * np.exp(rng.normal(0, 1, n) * spread) * (meta["samples"] / 3.5) ** habits.per_sample
    )
    order = np.argsort(days)
    wander, state, carried = np.zeros(n), 0.0, 0.0
    for i in order:
        state = habits.memory * state + np.sqrt(1 - habits.memory**2) * rng.normal() * habits.wander
        wander[i] = state + carried
        carried = habits.carry * min(sample[i], 1.0) * 0.5
    season = habits.season * np.sin(2 * np.pi * days / 365 + habits.season_phase)
    vent = habits.vent * np.log(meta["vent"] / 9)
    water = np.exp(wander + season + vent + rng.normal(0, habits.white, n))
    alpha = np.clip(rng.normal(0.6, 0.1, n), 0.3, 1.0)
    slow = np.cumsum(rng.normal(0, habits.speed_wander / 8, n))[np.argsort(order)]
    return Loads(
        water,
        sample,
        alpha,
        np.exp(slow + rng.normal(0, habits.speed_wander, n)),
        np.exp(rng.normal(0, 0.03, n)),
        np.zeros(n),
        rng.normal(0, habits.tilt, n),
        np.exp(rng.normal(np.log(2500.0), 0.7, n)) if family == "reservoir" else None,
    )


def _apply_faults(rng, labels, loads, threshold_load):
    """Strengths chosen so that a good spreadsheet finds nine in ten clear ones."""
    for i, (fault, strength) in enumerate(labels):
        clear = strength == "clear"
        if fault == "leak":
            loads.leak[i] += threshold_load * (
                rng.uniform(0.4, 0.75) if clear else rng.uniform(0.15, 0.3)
            )
        elif fault == "outgassing":
            loads.sample[i] += rng.uniform(0.9, 2.5) if clear else rng.uniform(0.3, 0.6)
            loads.water[i] *= 1.15 if clear else 1.05
        elif fault == "slow_pump":
            loads.speed[i] *= rng.uniform(0.4, 0.6) if clear else rng.uniform(0.7, 0.8)
            if rng.random() < 0.5:
                loads.rough[i] *= rng.uniform(0.5, 0.7) if clear else rng.uniform(0.7, 0.85)


def _apply_drift(drift, loads, past, days, threshold_load):
    kind, first, _ = drift
    start = days[past + first]
    weeks = np.maximum(days - start, 0) / 7
    if kind == "speed":
        loads.speed *= 1 - 0.3 * np.minimum(weeks / 8, 1.2)
    elif kind == "leak":
        loads.leak += threshold_load / 3 * np.minimum(weeks / 8, 1.2)


def drift_case(seed, kind, *, past=80, runs=100, first=20, family=None):
    """One instrument whose test runs drift ("speed", "leak") from run `first` on, or are "stable"."""
    rng = np.random.default_rng(seed)
    family = family or FAMILIES[seed % 3]
    return case(
        rng,
        f"D{seed}",
        family,
        past=past,
        tests=runs,
        faults=False,
        drift=(kind, first, runs),
    )


def _round_threshold(pascal, unit):
    value = pascal / PASCAL[unit]
    decade = 10.0 ** np.floor(np.log10(value))
    digit = min((1, 1.5, 2, 3, 5, 7, 10), key=lambda d: abs(np.log(d * decade / value)))
    return float(digit * decade * PASCAL[unit])


def _sim(rng, habits, name, i, label, meta, day, true, threshold):
    fault, strength = label
    factor = habits.gauge_factor * np.exp(rng.normal(0, habits.gauge_run))
    bent = np.ones(GRID_S.size)
    if fault == "gauge":
        bent = _bad_gauge(rng, strength, true)
    shown = true * np.where(true > habits.hand_over_pa, habits.pirani_factor, factor * bent)
    offset = rng.normal(0, habits.clock)
    crossed = _cross(shown, threshold) + offset
    hand = rng.random() < habits.hand_share
    times, seen = _times(rng, habits, crossed if np.isfinite(crossed) else 7000.0, hand)
    curve_t = np.maximum(times - offset, 0.6)
    x = np.log(curve_t)
    ln_true = np.interp(x, np.log(GRID_S), np.log(true))
    pirani = ln_true > np.log(habits.hand_over_pa)
    ln_p = ln_true + np.where(
        pirani,
        np.log(habits.pirani_factor),
        np.log(factor) + np.interp(x, np.log(GRID_S), np.log(bent)),
    )
    ln_p = ln_p + rng.normal(0, habits.noise, ln_p.size)
    pressure = np.exp(ln_p) / PASCAL[habits.unit]
    pressure = np.array([float(f"{v:.1e}") for v in pressure]) * PASCAL[habits.unit]
    pressure[ln_true > np.log(8e4)] = 1e5
    if hand:
        pressure = _typos(rng, habits, pressure)
    gauge = np.where(pirani, *habits.names).astype(object)
    form = str(meta["form"][i])
    shown_form = form
    if rng.random() < habits.missing:
        shown_form = ""
    elif rng.random() < 0.03:
        shown_form = str(rng.choice(FORMS))
    run = Run(
        f"{name}-{i:04d}",
        name,
        datetime(2025, 1, 6, 9, tzinfo=UTC) + timedelta(days=float(day)),
        shown_form,
        None if rng.random() < habits.missing else float(meta["samples"][i]),
        None if rng.random() < habits.missing else float(np.round(meta["vent"][i])),
        times,
        pressure,
        gauge,
        np.full(times.size, "manual" if hand else "logger", dtype=object),
        np.full(times.size, "", dtype=object),
    )
    return Sim(run, float(crossed), form, fault, strength, hand, seen)


def _bad_gauge(rng, strength, true):
    """Dirty: scaled; or frozen: it stops following below some pressure."""
    clear = strength == "clear"
    if rng.random() < 0.75:
        size = rng.uniform(0.7, 1.3) if clear else rng.uniform(0.3, 0.5)
        return np.full(true.size, np.exp(size * rng.choice([-1, 1])))
    start = true[np.searchsorted(GRID_S, rng.uniform(300, 900))]
    hold = start if clear else start * rng.uniform(0.3, 0.6)
    return np.maximum(1.0, hold / true)


def _cross(shown, threshold):
    below = np.flatnonzero(shown < threshold)
    below = below[GRID_S[below] > 60] if below.size else below
    if not below.size:
        return np.nan
    k = below[0]
    x, y = np.log(GRID_S[k - 1 : k + 1]), np.log(shown[k - 1 : k + 1])
    return float(np.exp(np.interp(-np.log(threshold), -y, x)))


def _times(rng, habits, crossed, hand):
    if not hand:
        step = rng.choice([10.0, 10.0, 30.0, 60.0])
        end = crossed * rng.uniform(1.02, 1.5)
        return np.arange(step, max(end, 600.0), step), ()
    n = int(rng.integers(3, 17))
    if rng.random() < habits.overnight:
        evening = np.sort(rng.uniform(120, 0.9 * crossed, min(n, 4)))
        morning = rng.uniform(11, 16) * 3600
        times = np.r_[evening, morning]
        seen = (float(evening[-1]), float(morning))
    else:
        end = crossed * (rng.uniform(0.5, 0.95) if rng.random() < 0.25 else rng.uniform(1.0, 1.25))
        times = np.sort(np.exp(rng.uniform(np.log(90), np.log(end), n)))
        times = np.sort(np.r_[times[:-1], end]) if n > 3 else times
        seen = ()
    if rng.random() < habits.whole_minutes:
        times = np.unique(np.maximum(np.round(times / 60), 1) * 60)
    else:
        times = np.unique(np.round(times))
    return times, seen


def _typos(rng, habits, pressure):
    pressure = pressure.copy()
    for k in np.flatnonzero(rng.random(pressure.size) < habits.typo):
        kind = rng.random()
        if kind < 0.75:
            pressure[k] *= 10.0 ** rng.choice([-1, 1])
        elif kind < 0.9:
            pressure[k] *= rng.choice([133.322, 1 / 133.322])
        else:
            pressure[k] *= rng.choice([0.1, 10]) * rng.uniform(0.5, 2)
    return pressure


def cut(sim, at_s):
    """The run as it was known at `at_s`."""
    return replace(sim, run=sim.run.until(at_s))


def write_csv(path, runs, unit):
    """The contract's table of these runs."""
    header = "run_id instrument started_at form samples vent_minutes t_s pressure unit gauge source event"
    with open(path, "w", newline="") as file:
        out = csv.writer(file)
        out.writerow(header.split())
        for run in runs:
            head = [
                run.run_id,
                run.instrument,
                run.started_at.isoformat(),
                run.form,
                "" if run.samples is None else f"{run.samples:g}",
                "" if run.vent_minutes is None else f"{run.vent_minutes:g}",
            ]
            if not run.t_s.size:
                out.writerow([*head, "", "", unit, "", "", ""])
            for k in range(run.t_s.size):
                value = (
                    ""
                    if np.isnan(run.pressure_pa[k])
                    else f"{run.pressure_pa[k] / PASCAL[unit]:.2g}"
                )
                out.writerow(
                    [
                        *head,
                        f"{run.t_s[k]:g}",
                        value,
                        unit,
                        run.gauge[k],
                        run.source[k],
                        run.event[k],
                    ]
                )
