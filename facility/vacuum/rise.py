"""Rate of rise: what the pressure of an isolated chamber says about leaks and outgassing."""

from dataclasses import dataclass

import numpy as np

from facility.vacuum.gas import GAS_CONSTANT, above_zero
from facility.vacuum.units import PASCAL_PER, from_pascal, in_words, unit_named

# Second-half slope against first-half slope. Own proposal, supported by two measured rises: 1.006
# for a controlled leak, 0.81 where outgassing contributed.
LEAK_ABOVE, OUTGASSING_BELOW = 0.95, 0.85
FASTER_ABOVE = 1.15  # a leak does not speed up; own proposal
SHORTEST = 600.0  # s, common practice, no source
PUMPED_AT_LEAST = 1800.0  # s of pumping before; common practice, no source
FEWEST = 4  # readings
READ_TO = (
    0.003  # relative standard uncertainty of a two-digit reading at its best (0.1/9.9/sqrt 12)
)
ONE_IN_TEN = 1.2816  # standard deviations that leave a tenth on one side


@dataclass(frozen=True)
class Rise:
    """What an isolated rise says; `load` and `leak_at_most` are None without a volume."""

    verdict: str  # "leak", "outgassing" or "undecided"
    ratio: float | None  # slope of the second half / slope of the first
    ratio_low: float | None  # 80 % interval
    ratio_high: float | None
    rate: float | None  # Pa/s over the whole rise
    late_rate_at_most: float | None  # Pa/s; no leak can be larger than the late rate allows
    load: float | None  # Pa m³/s
    leak_at_most: float | None  # Pa m³/s
    says: str


@dataclass(frozen=True)
class Slope:
    value: float  # Pa/s
    uncertainty: float  # Pa/s, one standard deviation


def rise_load(volume, first, last, seconds):
    """Gas that enters a closed chamber.

    Takes:   volume [m³]; first and last pressure [Pa]; seconds between [s].
    Returns: load [Pa m³/s], negative where the pressure fell.
    Raises:  ValueError unless volume and seconds are above zero.
    Source:  V dp/dt, Pfeiffer know-how 7.1.2.   Valid: one temperature, pump isolated.
    >>> round(rise_load(4e-3, 0, 1e5, 30 * 86400), 6)
    0.000154
    """
    above_zero(volume=volume, seconds=seconds)
    return volume * (last - first) / seconds


def molar_rise(volume, first, last, seconds, first_temperature, last_temperature):
    """Gas that enters a closed chamber, in moles.

    Takes:   volume [m³]; first, last [Pa]; seconds [s]; temperatures [K] at both ends.
    Returns: rate [mol/s].
    Raises:  ValueError unless volume, seconds and temperatures are above zero.
    Source:  (V/R)(p2/T2 - p1/T1)/dt, 40 CFR 1065.644.   Valid: ideal gas.
    >>> f"{molar_rise(2e-3, 25300, 50600, 70, 293.15, 293.15):.3e}"
    '2.966e-04'
    """
    above_zero(volume=volume, seconds=seconds)
    above_zero(first_temperature=first_temperature, last_temperature=last_temperature)
    gained = last / last_temperature - first / first_temperature
    return volume / GAS_CONSTANT * gained / seconds


def read_rise(
    times,
    pressures,
    *,
    volume=None,
    pumped_for=None,
    usual_rate=None,
    cold_cathode=False,
    unit="mbar",
):
    """Reads an isolated rise: leak, outgassing, or not yet decided.

    Takes:   times [s], pressures [Pa], each (n,), in any order (repeated times are
             averaged); volume [m³] if known; pumped_for,
             seconds of pumping before; usual_rate [Pa/s] of this chamber's last good rise;
             cold_cathode, whether such a gauge was on; unit for the sentence.
    Returns: Rise.
    Raises:  ValueError for arrays of different length, pressures not above zero, or anything not
             finite; an unknown unit.
    Source:  a leak is constant, outgassing slows down; thresholds beside LEAK_ABOVE.
    Valid:   pump isolated, chamber at one temperature, 10 min or longer.
    >>> rise = read_rise([0, 300, 600, 900], [1e-3, 2e-3, 3e-3, 4e-3], volume=0.02)
    >>> rise.verdict, round(rise.ratio, 3)
    ('leak', 1.0)
    """
    unit = unit_named(unit)
    times, pressures = _checked(times, pressures)
    length = float(np.ptp(times)) if times.size else 0.0
    if times.size < FEWEST or length < SHORTEST:
        return _nothing(
            f"The rise has {times.size} readings over {length / 60:.1f} min; it takes at least "
            f"{FEWEST} readings over {SHORTEST / 60:.0f} min to tell a leak from outgassing."
        )
    scatter = _scatter(times, pressures)
    first, second = (_slope(times[h], pressures[h], scatter) for h in _halves(times))
    whole = _slope(times, pressures, scatter)
    verdict, ratio, low, high, says = _judge(whole, first, second, length, unit)
    late = max(second.value, 0.0) + ONE_IN_TEN * second.uncertainty
    load = None if volume is None else volume * whole.value
    at_most = None if volume is None else volume * late
    says += _amounts(whole.value, late, load, at_most, unit)
    says += _cautions(whole.value, pumped_for, usual_rate, cold_cathode)
    return Rise(verdict, ratio, low, high, whole.value, late, load, at_most, says)


def _checked(times, pressures):
    times, pressures = np.asarray(times, float).ravel(), np.asarray(pressures, float).ravel()
    if times.size != pressures.size:
        raise ValueError(f"{times.size} times do not pair with {pressures.size} pressures")
    if not (np.isfinite(times).all() and np.isfinite(pressures).all()):
        raise ValueError("times and pressures of a rise must be finite")
    if times.size:
        above_zero(pressure=pressures.min())
    moments, places = np.unique(times, return_inverse=True)
    counts = np.bincount(places, minlength=moments.size)
    return moments, np.bincount(places, pressures, minlength=moments.size) / np.maximum(counts, 1)


def _scatter(times, pressures):
    """Standard uncertainty of one reading: what a parabola leaves, at least the rounding."""
    hours = (times - times[0]) / np.ptp(times)
    rest = pressures - np.polyval(np.polyfit(hours, pressures, 2), hours)
    freedom = max(times.size - 3, 1)
    return max(float(np.sqrt((rest**2).sum() / freedom)), READ_TO * float(np.median(pressures)))


def _halves(times):
    """Two masks, first and second half by time, at least two readings in each."""
    middle = (times[0] + times[-1]) / 2
    first, second = times <= middle, times >= middle
    first[:2] = True
    second[-2:] = True
    return first, second


def _slope(times, pressures, scatter):
    spread = float(((times - times.mean()) ** 2).sum())
    value = float(((times - times.mean()) * pressures).sum()) / spread
    return Slope(value, scatter / spread**0.5)


def _judge(whole, first, second, length, unit):
    """Verdict, ratio with its 80 % interval, and the sentence that says so."""
    if whole.value <= 0 or whole.value < 3 * whole.uncertainty:
        most = max(whole.value, 0) + ONE_IN_TEN * whole.uncertainty
        return (
            *("undecided", None, None, None),
            f"The pressure hardly rose in {length / 60:.0f} min, by less than "
            f"{in_words(from_pascal(most, unit) * length)} {unit}: nothing to tell apart. Wait longer if "
            "a smaller leak matters.",
        )
    if first.value <= 0:
        return (
            *("undecided", None, None, None),
            "The pressure fell or stood still before it rose; was the pump isolated from the "
            "start? Take the rise again.",
        )
    ratio = second.value / first.value
    doubt = np.hypot(second.uncertainty / first.value, ratio * first.uncertainty / first.value)
    low, high = float(ratio - ONE_IN_TEN * doubt), float(ratio + ONE_IN_TEN * doubt)
    verdict, says = _words(ratio, low, high)
    return verdict, float(ratio), low, high, says


def _words(ratio, low, high):
    measured = (
        f"the second half rose {ratio:.2f} times as fast as the first ({low:.2f} to {high:.2f})"
    )
    if ratio > FASTER_ABOVE and low > 1.0:
        return "undecided", (
            f"It speeds up: {measured}. Neither a leak nor outgassing does that; look for a "
            "warming chamber, a gauge handing over or a cold trap running dry."
        )
    if ratio > LEAK_ABOVE and low > OUTGASSING_BELOW:
        return "leak", (
            f"Like a leak: {measured}. A leak keeps its rate; a trapped pocket of gas looks the "
            "same at first. Compare with this chamber's last good rise, then search for the leak."
        )
    if ratio < OUTGASSING_BELOW and high < LEAK_ABOVE:
        return "outgassing", (
            f"Like outgassing: {measured}. Outgassing slows down; a small leak may hide under it."
        )
    return "undecided", f"Not decided: {measured}. Leave it isolated longer and read again."


def _amounts(rate, late, load, at_most, unit):
    if load is not None:
        litres = PASCAL_PER[unit] * 1e-3
        return (
            f" Gas load {in_words(load / litres)} {unit} L/s; a leak is at most "
            f"{in_words(at_most / litres)} {unit} L/s."
        )
    return (
        f" It rose {in_words(from_pascal(rate, unit) * 60)} {unit} a minute; a leak is at most "
        f"{in_words(from_pascal(late, unit) * 60)} {unit} a minute."
    )


def _cautions(rate, pumped_for, usual_rate, cold_cathode):
    says = ""
    if usual_rate is not None and usual_rate > 0:
        says += f" That is {rate / usual_rate:.1f} times the last good rise."
    if pumped_for is not None and pumped_for < PUMPED_AT_LEAST:
        says += (
            f" It was pumped for {pumped_for / 60:.0f} min only before; after 30 min outgassing "
            "stands out less."
        )
    if cold_cathode:
        says += " A cold cathode pumps a little itself, so the true rise is somewhat larger."
    return says


def _nothing(says):
    return Rise("undecided", None, None, None, None, None, None, None, says)
