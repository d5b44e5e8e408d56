"""Pressure gauges: what each principle can see, what its reading means, when it is no reading."""

from dataclasses import dataclass

import numpy as np

from facility.vacuum.gas import above_zero
from facility.vacuum.units import MMHG, TORR

MBAR = 100.0  # Pa
MBAR_HOUR = MBAR * 3600  # Pa s


@dataclass(frozen=True)
class Principle:
    """How a gauge works, and between which pressures its reading means something."""

    key: str
    name: str
    lowest: float  # Pa, below it the reading is floor or noise
    highest: float  # Pa, above it the reading is a clamp or a guess
    floors: tuple[float, ...]  # Pa, values shown in place of a reading below the range
    ceilings: tuple[float, ...]  # Pa, values shown in place of a reading above the range
    other_names: tuple[str, ...]
    source: str


ATMOSPHERES = (1000 * MBAR, 1013 * MBAR, 101325.0, 1000 * TORR)
MAGNETRON_MANUAL = "INFICON MAG500/MPG500 manual tina83e1-d (2018-12) p. 34"

PRINCIPLES = {
    principle.key: principle
    for principle in (
        Principle(
            key="pirani",
            name="Pirani",
            lowest=1e-3 * MBAR,
            highest=1 * MBAR,
            floors=tuple(n * u for n in (1e-3, 5e-4, 1e-4) for u in (MBAR, TORR)),
            ceilings=ATMOSPHERES,
            other_names=("thermal", "thermocouple", "tc", "convection"),
            source="blind from about 1 mbar to atmosphere without convection; from memory",
        ),
        Principle(
            key="cold_cathode",
            name="cold cathode",
            lowest=1e-9 * MBAR,
            highest=1e-2 * MBAR,
            floors=tuple(n * u for n in (1e-9, 1e-10, 1e-11) for u in (MBAR, TORR)),
            ceilings=tuple(n * u for n in (1e-2, 1e-3) for u in (MBAR, TORR)),
            other_names=("cc", "ccg", "penning", "magnetron", "inverted magnetron"),
            source=MAGNETRON_MANUAL,
        ),
        Principle(
            key="hot_cathode",
            name="hot cathode",
            lowest=1e-10 * MBAR,
            highest=1e-2 * MBAR,
            floors=tuple(n * u for n in (1e-10, 1e-11, 1e-12) for u in (MBAR, TORR)),
            ceilings=tuple(n * u for n in (1e-2, 1e-3) for u in (MBAR, TORR)),
            other_names=("ion", "ion gauge", "ionisation", "ionization", "bayard-alpert", "ba"),
            source="common practice, no source",
        ),
        Principle(
            key="capacitance",
            name="capacitance manometer",
            lowest=0.1 * MBAR,
            highest=1100 * MBAR,
            floors=(),
            ceilings=(1100 * MBAR,),
            other_names=("capacitance", "manometer", "diaphragm", "piezo", "cdg"),
            source="four decades below a full scale of 1100 mbar; common practice, no source",
        ),
        Principle(
            key="combined",
            name="Pirani with cold cathode",
            lowest=1e-9 * MBAR,
            highest=1000 * MBAR,
            floors=tuple(n * u for n in (1e-9, 1e-10) for u in (MBAR, TORR)),
            ceilings=ATMOSPHERES,
            other_names=("full range", "wide range", "combination", "combi"),
            source=MAGNETRON_MANUAL,
        ),
    )
}

# A combined gauge blends its two heads between these; a kink or step there is normal.
HAND_OVER = (1e-3 * MBAR, 1e-2 * MBAR)  # Pa; source MAGNETRON_MANUAL
MAY_BE_UNLIT_BELOW = 3e-9 * MBAR  # Pa at switching on; INFICON MPG400 manual tina48e1-c p. 14
LINEAR_DOWN_TO = 5e-10 * MMHG  # Pa; axial-field cold-cathode abstract, scilit.net
LOW_END_POWER = 1.7  # current against pressure below that; same abstract
DIRTY_COLD_CATHODE_BELOW = 1e-3 * MBAR  # reads too low there; MPG400 manual p. 14
DIRTY_PIRANI_BELOW = 0.1 * MBAR  # reads too high between the two; MPG400 manual p. 14

# Sensitivity of an ionisation gauge relative to nitrogen, +-15 %; organics scatter far more
# (benzene 3.8 here, 5.9 in NASA TN D-5285). Source: CRC Handbook 15-26, Redhead's averages.
ION_SENSITIVITY = {
    "nitrogen": 1.0,
    "air": 1.0,
    "hydrogen": 0.43,
    "helium": 0.18,
    "neon": 0.31,
    "argon": 1.4,
    "krypton": 1.9,
    "carbon dioxide": 1.4,
    "water": 0.93,
    "methane": 1.6,
    "mercury": 3.5,
    "benzene": 3.8,
}
# Pirani: true pressure = factor x reading, 1e-2 to 1 mbar, +-20 %.
# Source: INFICON BCG450 manual tina40e1-b (2011-04) p. 54.
PIRANI_FACTOR = {
    "nitrogen": 1.0,
    "air": 1.0,
    "hydrogen": 0.5,
    "helium": 0.8,
    "argon": 1.7,
    "water": 0.5,
}

DOSE_WARN, DOSE_SERVICE = 0.5 * MBAR_HOUR, 1.0 * MBAR_HOUR
# Pa s; all tested cold cathodes went out of accuracy after about 1 mbar h (abstract,
# "Investigations of the long-term measuring stability of cold-cathode gauges"); 0.5 own proposal.

TOO_GOOD = 0.3  # times the 10th percentile of the last 30 idle readings; own proposal
IDLE_READINGS = 30


@dataclass(frozen=True)
class Offset:
    """How two gauges differ where both can see."""

    ratio: float  # coarse / fine, median
    spread: float  # 90th over 10th percentile of the ratio
    pairs: int
    says: str


@dataclass(frozen=True)
class TooGood:
    """A reading better than this chamber has been lately."""

    limit: float  # Pa
    says: str


def principle_named(text):
    """The principle that a gauge's name speaks of.

    Takes:   text, any name.   Returns: Principle, or None where the name does not say.
    Source:  words of the trade.   Valid: English names.
    >>> principle_named("Cold Cathode").key, principle_named("G-17") is None
    ('cold_cathode', True)
    """
    words = " ".join(str(text).lower().replace("_", " ").replace("-", " ").split())
    found = [
        (len(name), principle)
        for principle in PRINCIPLES.values()
        for name in (principle.key, principle.name.lower(), *principle.other_names)
        if f" {name.replace('_', ' ').replace('-', ' ')} " in f" {words} "
    ]
    if {"pirani", "cold_cathode"} <= {principle.key for _, principle in found}:
        return PRINCIPLES["combined"]
    return max(found, key=lambda pair: pair[0])[1] if found else None


def where_in_range(pressures, principle):
    """Whether a gauge can see what it shows.

    Takes:   pressures [Pa], number or array; principle, Principle or key.
    Returns: array of "under", "in" or "over", same shape.
    Raises:  ValueError for an unknown principle.
    Source:  beside PRINCIPLES.   Valid: typical gauges; a maker's manual comes first.
    >>> where_in_range([1e-9, 10.0, 5e4], "pirani").tolist()
    ['under', 'in', 'over']
    """
    principle = _principle(principle)
    pressures = np.asarray(pressures, float)
    below = np.where(pressures < principle.lowest, "under", "in")
    return np.where(pressures > principle.highest, "over", below)


def clamped(pressures, principle=None, run=3):
    """Marks readings that are a gauge's stop, not a pressure.

    Takes:   pressures [Pa], (n,), in order of time; principle, Principle, key or None; run, how
             many equal ones in a row it takes.
    Returns: bool, (n,): True for no reading.
    Raises:  ValueError for an unknown principle.
    Source:  Pirani stands at exactly 1000 or 1013 mbar, ion gauge at 1e-2; seen in logs.
    Valid:   the extreme value of the record, repeated, and one of the usual stops; a flat tail at
             an ordinary value is kept.
    >>> clamped([1e5, 1e5, 1e5, 40.0, 3.0]).tolist()
    [True, True, True, False, False]
    """
    pressures = np.asarray(pressures, float)
    if np.isfinite(pressures).sum() < run:
        return np.zeros(pressures.shape, bool)
    kinds = PRINCIPLES.values() if principle is None else [_principle(principle)]
    tops = [stop for kind in kinds for stop in kind.ceilings]
    # Without a principle 1e-3 mbar may be a Pirani's floor or a cold cathode's honest reading.
    floors = [s for k in kinds for s in k.floors if principle is not None or s < MAY_BE_UNLIT_BELOW]
    at_top = _equals_any(pressures, tops) & (pressures >= np.nanmax(pressures) * (1 - 1e-6))
    at_floor = _equals_any(pressures, floors) & (pressures <= np.nanmin(pressures) * (1 + 1e-6))
    return _in_runs(at_top, run) | _in_runs(at_floor, run)


def not_lit(pressures, floor, step=10.0):
    """Marks readings of a cold cathode that has not ignited or has gone out.

    Takes:   pressures [Pa], (n,), in order of time, zero allowed; floor [Pa] of the gauge; step,
             how many times the neighbours must stand above the floor.
    Returns: bool, (n,): True where the gauge sat at its floor beside readings far above it.
    Raises:  ValueError for a floor not above zero.
    Source:  an unlit gauge shows zero or its floor; MPG400 manual p. 14; step: own proposal.
    Valid:   records with at least one reading of the lit gauge.
    >>> not_lit([1e-7, 1e-7, 4e-4, 3e-4], floor=1e-7).tolist()
    [True, True, False, False]
    """
    above_zero(floor=floor)
    pressures = np.asarray(pressures, float)
    at_floor = pressures <= 1.05 * floor
    lit = np.flatnonzero(~at_floor)
    if not lit.size:
        return np.zeros(pressures.shape, bool)
    places = np.arange(pressures.size)
    after = lit[np.clip(np.searchsorted(lit, places), 0, lit.size - 1)]
    before = lit[np.clip(np.searchsorted(lit, places, "right") - 1, 0, lit.size - 1)]
    far = np.maximum(pressures[after], pressures[before]) >= step * floor
    return at_floor & far


def may_be_unlit(pressure):
    """Whether a cold cathode just switched on can tell that it has ignited.

    Takes:   pressure [Pa] shown or expected at switching on.   Returns: bool.
    Raises:  ValueError for a pressure below zero or not a number.
    Source:  INFICON MPG400 manual tina48e1-c (2017-10) p. 14: not below 3e-9 mbar.
    Valid:   that family; others start later still at low pressure.
    >>> may_be_unlit(1e-7), may_be_unlit(1e-5)
    (True, False)
    """
    if not pressure >= 0:
        raise ValueError(f"a pressure is zero or above, not {pressure} Pa")
    return bool(pressure < MAY_BE_UNLIT_BELOW)


def offset_between(coarse, fine):
    """How a Pirani and an ionisation gauge differ in the decade where both see.

    Takes:   coarse, fine [Pa], (n,), read at the same times.
    Returns: Offset, or None without a pair between 1e-3 and 1e-2 mbar on the coarse gauge.
    Raises:  ValueError for arrays of different length.
    Source:  hand-over range beside HAND_OVER; factors of 7 to 9 were seen on a student rig with
             the gauges at two ends of a pipe.   Valid: both gauges on, same gas.
    >>> offset_between([0.8, 0.4, 0.2], [0.1, 0.05, 0.025]).ratio
    8.0
    """
    coarse, fine = np.asarray(coarse, float), np.asarray(fine, float)
    if coarse.shape != fine.shape:
        raise ValueError(f"{coarse.size} readings do not pair with {fine.size}")
    both = (coarse >= HAND_OVER[0]) & (coarse <= HAND_OVER[1]) & (fine > 0) & np.isfinite(fine)
    if not both.any():
        return None
    ratios = coarse[both] / fine[both]
    ratio = float(np.median(ratios))
    spread = float(np.percentile(ratios, 90) / np.percentile(ratios, 10))
    return Offset(ratio, spread, int(both.sum()), _offset_sentence(ratio))


def true_pressure(reading, principle, gas, sensitivity=None):
    """Pressure of a gas other than nitrogen, from a reading in nitrogen equivalents.

    Takes:   reading [Pa], number or array; principle, Principle or key; gas, a name; sensitivity
             relative to nitrogen from the gauge's own manual, where it prints one.
    Returns: pressure [Pa], same shape.
    Raises:  ValueError for a gas without a factor, a reading below zero, a Pirani reading outside
             1e-2 to 1 mbar, or a combined gauge between its two heads.
    Source:  beside ION_SENSITIVITY and PIRANI_FACTOR.
    Valid:   +-15 % (ionisation), +-20 % (Pirani); keep the raw reading and the gas beside it.
    >>> f"{true_pressure(1e-4, 'cold_cathode', 'argon'):.2e}"
    '7.14e-05'
    """
    principle = _principle(principle)
    reading = np.asarray(reading, float)
    if not np.all(reading >= 0):
        raise ValueError(f"a reading is zero or above, not {reading} Pa")
    gas = str(gas).strip().lower().removesuffix(" vapour").removesuffix(" vapor")
    if principle.key == "capacitance":
        return reading[()]  # force on a membrane: the same for every gas
    thermal = principle.key == "pirani" or (
        principle.key == "combined" and bool(np.all(reading > HAND_OVER[1]))
    )
    if principle.key == "combined" and not thermal and not np.all(reading < HAND_OVER[0]):
        raise ValueError("between 1e-3 and 1e-2 mbar a combined gauge blends two heads")
    if thermal and not np.all((reading >= 1e-2 * MBAR) & (reading <= 1 * MBAR)):
        raise ValueError("Pirani gas factors hold from 1e-2 to 1 mbar")
    return (reading * _factor(gas, thermal, sensitivity))[()]


def low_end(reading):
    """True pressure behind a cold-cathode reading below its linear part.

    Takes:   reading [Pa], above zero.   Returns: pressure [Pa], larger than the reading there.
    Raises:  ValueError unless above zero.
    Source:  current linear down to 5e-10 mmHg, below that as pressure^1.7 (abstract).
    Valid:   one axial-field design, read on a linear scale; others bend elsewhere.
    >>> low_end(1e-6), low_end(1e-8) > 1e-8
    (1e-06, True)
    """
    above_zero(reading=reading)
    if reading >= LINEAR_DOWN_TO:
        return reading
    return LINEAR_DOWN_TO * (reading / LINEAR_DOWN_TO) ** (1 / LOW_END_POWER)


def dirt_reads(pressure):
    """Which way a contaminated combined gauge reads at a pressure.

    Takes:   pressure [Pa], above zero.   Returns: "low", "high" or None where dirt matters little.
    Raises:  ValueError unless above zero.
    Source:  INFICON MPG400 manual tina48e1-c p. 14.   Valid: that family.
    >>> dirt_reads(1e-5), dirt_reads(1.0), dirt_reads(1e4)
    ('low', 'high', None)
    """
    above_zero(pressure=pressure)
    if pressure < DIRTY_COLD_CATHODE_BELOW:
        return "low"
    return "high" if pressure < DIRTY_PIRANI_BELOW else None


def too_good(reading, idle_readings, second_gauge_agrees=False):
    """A pressure better than lately: usually a dirty gauge, seldom good vacuum.

    Takes:   reading [Pa]; idle_readings [Pa], those of the present phase, oldest first (since the
             last bake, vent or gauge change); second_gauge_agrees.
    Returns: TooGood, or None where the reading is ordinary, fewer than 30 idle readings are known
             or a second gauge agrees.
    Raises:  ValueError for readings not above zero.
    Source:  threshold own proposal; a contaminated cold cathode reads low (MPG400 manual p. 14).
    Valid:   cold cathodes.
    >>> too_good(2e-8, [1e-7] * 30).limit < 1e-7
    True
    """
    idle = np.asarray(idle_readings, float)[-IDLE_READINGS:]
    above_zero(reading=reading, idle_readings=idle)
    if second_gauge_agrees or idle.size < IDLE_READINGS:
        return None
    limit = TOO_GOOD * float(np.percentile(idle, 10))
    if reading >= limit:
        return None
    return TooGood(
        limit,
        f"This is {np.median(idle) / reading:.0f} times better than the usual idle pressure. A "
        "dirty cold cathode reads low, so compare with a second gauge before trusting it.",
    )


def dose(times, pressures):
    """Pressure dose that a cold cathode has burned through.

    Takes:   times [s], rising, and pressures [Pa], each (n,); NaN where the gauge was off.
    Returns: dose [Pa s]; divide by MBAR_HOUR for mbar h.
    Raises:  ValueError for times that run back, different lengths, or pressures not above zero.
    Source:  sum of p dt, exponential between readings; exact for a pump-down at constant speed.
    Valid:   readings close enough that the gauge was on all the time between two.
    >>> round(dose([0, 3600], [1.0, 1.0]) / MBAR_HOUR, 6)
    0.01
    """
    times, pressures = np.asarray(times, float), np.asarray(pressures, float)
    if times.shape != pressures.shape:
        raise ValueError(f"{times.size} times do not pair with {pressures.size} pressures")
    if np.any(np.diff(times) < 0):
        raise ValueError("times of a dose must not run back")
    above_zero(pressures=pressures[np.isfinite(pressures)])
    first, last = pressures[:-1], pressures[1:]
    with np.errstate(divide="ignore", invalid="ignore"):
        fall = np.log(first / last)
        mean = np.where(np.abs(fall) < 1e-6, (first + last) / 2, (first - last) / fall)
    return float(np.nansum(mean * np.diff(times)))


def hours_until(limit, pressure):
    """Hours at a pressure until a dose is reached.

    Takes:   limit [Pa s]; pressure [Pa].   Returns: time [h].
    Raises:  ValueError unless both are above zero.
    Source:  limit / pressure.   Valid: constant pressure.
    >>> round(hours_until(DOSE_SERVICE, 1e-4 * MBAR))
    10000
    """
    above_zero(limit=limit, pressure=pressure)
    return limit / pressure / 3600


def dose_sentence(amount):
    """What a cold cathode's dose since cleaning asks for, or None.

    Takes:   amount [Pa s].   Returns: sentence, or None below half the service dose.
    Source, Valid: beside DOSE_SERVICE; order of magnitude, hydrocarbon-rich vacuum.
    >>> dose_sentence(0.1 * MBAR_HOUR) is None
    True
    """
    if amount < DOSE_WARN:
        return None
    seen = f"The gauge has seen {amount / MBAR_HOUR:.2g} mbar h since cleaning"
    if amount < DOSE_SERVICE:
        return f"{seen}; readings drift after about 1 mbar h, so plan its cleaning."
    return f"{seen}; readings drift after about 1 mbar h: clean or change it, then compare."


def _principle(principle):
    if isinstance(principle, Principle):
        return principle
    if principle not in PRINCIPLES:
        raise ValueError(f"no gauge principle “{principle}”; there are {', '.join(PRINCIPLES)}")
    return PRINCIPLES[principle]


def _factor(gas, thermal, sensitivity):
    """True pressure over reading."""
    if sensitivity is not None:
        above_zero(sensitivity=sensitivity)
        return 1 / sensitivity
    table = PIRANI_FACTOR if thermal else ION_SENSITIVITY
    if gas not in table:
        raise ValueError(f"no gas factor for {gas}; there are {', '.join(table)}")
    return table[gas] if thermal else 1 / table[gas]


def _equals_any(pressures, stops):
    near = [np.isclose(pressures, stop, rtol=1e-6, atol=0) for stop in stops]
    return np.any(near, axis=0) if near else np.zeros(pressures.shape, bool)


def _in_runs(marks, run):
    """Keeps only marks that stand in a row of at least `run`."""
    padded = np.concatenate(([False], marks, [False]))
    edges = np.flatnonzero(padded[1:] != padded[:-1]).reshape(-1, 2)
    kept = np.zeros(marks.shape, bool)
    for start, end in edges:
        kept[start:end] = end - start >= run
    return kept


def _offset_sentence(ratio):
    times = max(ratio, 1 / ratio)
    if times <= 1.5:
        return f"The two gauges agree within a factor of {times:.1f} where both see."
    higher = "coarse" if ratio > 1 else "fine"
    return (
        f"The {higher} gauge reads {times:.1f} times higher where both see; a step at the change "
        "from one to the other is the gauges, not the chamber."
    )
