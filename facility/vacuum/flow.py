"""Pumping: conductances, effective speed, the volume part of a pump-down, outgassing laws."""

import math
from dataclasses import dataclass

import numpy as np

from facility.vacuum.gas import AIR, ROOM, above_zero, mean_speed, not_below_zero, viscosity

HOUR = 3600.0  # s
VOLUME_PART_ENDS = (
    10.0  # Pa (0.1 mbar): below, walls set the pressure (Venables, notes 2.2; own limit)
)

# Units of the trade in SI. Source: definitions; sccm at 0 °C and 101325 Pa (liwo.com/leak-rate).
THROUGHPUT_UNITS = {  # Pa m³/s
    "Pa m3/s": 1.0,
    "mbar L/s": 0.1,
    "torr L/s": 101325 / 760 * 1e-3,
    "sccm": 101325 * 1e-6 / 60,
}
SPEED_UNITS = {  # m³/s
    "m3/s": 1.0,
    "L/s": 1e-3,
    "L/min": 1e-3 / 60,
    "m3/h": 1 / 3600,
    "ft3/min": 0.3048**3 / 60,
}
OUTGASSING_UNITS = {  # Pa m/s
    "Pa m/s": 1.0,
    "Pa L/(s cm2)": 10.0,
    "mbar L/(s cm2)": 1000.0,
    "torr L/(s cm2)": 101325 / 760 * 10,
}


def orifice_conductance(area, molar_mass=AIR.molar_mass, temperature=ROOM):
    """Molecular conductance of a thin opening.

    Takes:   area [m²]; molar_mass [kg/mol]; temperature [K].   Returns: conductance [m³/s].
    Raises:  ValueError unless all are above zero.
    Source:  kinetic theory, area x mean speed / 4.   Valid: molecular flow, wall thin.
    >>> round(orifice_conductance(1e-4) * 1e3, 1)  # litres per second and cm², air
    11.6
    """
    above_zero(area=area)
    return area * mean_speed(molar_mass, temperature) / 4


def long_tube_conductance(diameter, length, molar_mass=AIR.molar_mass, temperature=ROOM):
    """Molecular conductance of a round tube far longer than wide.

    Takes:   diameter, length [m]; molar_mass [kg/mol]; temperature [K].
    Returns: conductance [m³/s].
    Raises:  ValueError unless all are above zero.
    Source:  Knudsen, pi d³ v / (12 l); for air 12.1 d³/l in L/s and cm.
    Valid:   molecular flow, length above 20 diameters for 7 %; else `tube_conductance`.
    >>> round(long_tube_conductance(0.05, 0.30) * 1e3, 1)
    50.5
    """
    above_zero(diameter=diameter, length=length)
    return math.pi * diameter**3 * mean_speed(molar_mass, temperature) / (12 * length)


def transmission(diameter, length):
    """Chance that a molecule entering a round tube leaves at the other end.

    Takes:   diameter, length [m].   Returns: probability, 0 to 1.
    Raises:  ValueError unless diameter is above and length not below zero.
    Source:  Santeler, J. Vac. Sci. Technol. A 4 (1986) 338 (formula from memory).
    Valid:   molecular flow; within 1 % of the solved Clausing equation for any length.
    >>> round(transmission(1.0, 0.0), 3), round(transmission(1.0, 1.0), 2)
    (1.0, 0.51)
    """
    above_zero(diameter=diameter)
    not_below_zero(length=length)
    slender = length / (diameter / 2)
    return 1 / (1 + 3 / 8 * slender * (1 + 1 / (3 * (1 + slender / 7))))


def tube_conductance(diameter, length, molar_mass=AIR.molar_mass, temperature=ROOM):
    """Molecular conductance of a round tube of any length, its entrance included.

    Takes:   diameter, length [m]; molar_mass [kg/mol]; temperature [K].
    Returns: conductance [m³/s].   Raises: as `transmission`.
    Source:  orifice conductance x transmission.   Valid: molecular flow, between large vessels.
    >>> tube_conductance(0.05, 0.30) < long_tube_conductance(0.05, 0.30)
    True
    """
    opening = orifice_conductance(math.pi * diameter**2 / 4, molar_mass, temperature)
    return opening * transmission(diameter, length)


def viscous_tube_conductance(diameter, length, mean_pressure, gas="air", temperature=ROOM):
    """Conductance of a long round tube for a gas that flows as a liquid does.

    Takes:   diameter, length [m]; mean_pressure [Pa] of both ends; gas, name; temperature [K].
    Returns: conductance [m³/s].
    Raises:  ValueError unless all are above zero; as `viscosity` for gas and temperature.
    Source:  Poiseuille, pi d⁴ p / (128 viscosity l); for air 135 d⁴ p/l in L/s, mbar, cm.
    Valid:   laminar, Knudsen number below 0.01.
    >>> round(viscous_tube_conductance(0.01, 0.01, 100) * 1e3)
    135
    """
    above_zero(diameter=diameter, length=length, mean_pressure=mean_pressure)
    return math.pi * diameter**4 * mean_pressure / (128 * viscosity(gas, temperature) * length)


def in_series(*conductances):
    """Conductance of pieces one behind the other.

    Takes:   conductances [m³/s], at least one.   Returns: conductance [m³/s].
    Raises:  ValueError for none, or one that is not above zero.
    Source:  resistances add.   Valid: pieces joined by wide vessels.
    >>> in_series(1.0, 1.0)
    0.5
    """
    if not conductances:
        raise ValueError("a series needs at least one conductance")
    for conductance in conductances:
        above_zero(conductance=conductance)
    return 1 / sum(1 / conductance for conductance in conductances)


def in_parallel(*conductances):
    """Conductance of pieces side by side.

    Takes:   conductances [m³/s].   Returns: their sum [m³/s].
    Raises:  ValueError for one that is not above zero.   Source: flows add.   Valid: always.
    >>> in_parallel(1.0, 0.5)
    1.5
    """
    for conductance in conductances:
        above_zero(conductance=conductance)
    return sum(conductances)


def effective_speed(speed, *conductances):
    """Pumping speed that the chamber sees behind valves and pipes.

    Takes:   speed [m³/s] of the pump; conductances [m³/s] between.   Returns: speed [m³/s].
    Raises:  ValueError as `in_series`.
    Source:  1/S_eff = 1/S + sum 1/C.   Valid: one flow regime throughout.
    >>> round(effective_speed(0.029722, 0.017123), 6)
    0.010864
    """
    return in_series(speed, *conductances)


def throughput(pressure, speed):
    """Gas that a pump takes away.

    Takes:   pressure [Pa]; speed [m³/s].   Returns: flow [Pa m³/s].
    Source:  Q = p S.   Valid: pressure at the pump's mouth.
    >>> throughput(1e-3, 0.05)
    5e-05
    """
    return pressure * speed


def ultimate_pressure(gas_load, speed):
    """Pressure at which the pump just keeps up with a steady gas load.

    Takes:   gas_load [Pa m³/s], not below zero; speed [m³/s].   Returns: pressure [Pa].
    Raises:  ValueError for a negative load or a speed not above zero.
    Source:  Q / S.   Valid: load and speed constant; no pumping time improves a leak's floor.
    >>> f"{ultimate_pressure(1e-7, 0.05):.0e}"
    '2e-06'
    """
    above_zero(speed=speed)
    not_below_zero(gas_load=gas_load)
    return gas_load / speed


def pump_down_ratio(start, end, ultimate=0.0):
    """How many times the pressure above the pump's own limit has to fall.

    Takes:   start, end, ultimate [Pa].   Returns: (start - ultimate) / (end - ultimate).
    Raises:  ValueError unless start >= end > ultimate >= 0.
    Source:  leybold.com, "Calculating pump-down time".   Valid: constant speed.
    >>> round(pump_down_ratio(101300, 1, 0.3))
    144714
    """
    if not start >= end > ultimate >= 0:
        raise ValueError(
            f"a pump-down falls from start ({start} Pa) to end ({end} Pa), "
            f"and end stays above the ultimate pressure ({ultimate} Pa)"
        )
    return (start - ultimate) / (end - ultimate)


def pump_time(volume, speed, start, end, ultimate=0.0):
    """Time to pump out the gas that fills a chamber: the volume part alone.

    Takes:   volume [m³]; speed [m³/s]; start, end, ultimate [Pa].   Returns: time [s].
    Raises:  ValueError as `pump_down_ratio`, and for an end below 10 Pa, where gas from the walls
             decides and this formula would promise minutes for hours.
    Source:  V/S ln[(p0 - pu)/(p1 - pu)]; limit: Venables, lecture notes 2.2 (10 Pa: own choice).
    Valid:   constant speed, end at 10 Pa (0.1 mbar) or above.
    >>> round(pump_time(1.0, 0.1, 1e5, 5e4), 2)
    6.93
    """
    above_zero(volume=volume, speed=speed)
    ratio = pump_down_ratio(start, end, ultimate)
    if end < VOLUME_PART_ENDS:
        raise ValueError(
            f"the volume part ends at {VOLUME_PART_ENDS:g} Pa; at {end:g} Pa outgassing decides"
        )
    return volume / speed * math.log(ratio)


def decade_time(volume, speed):
    """Time for one decade of pressure in the volume part.

    Takes:   volume [m³]; speed [m³/s].   Returns: time [s].
    Raises:  ValueError unless both are above zero.
    Source:  ln(10) V/S.   Valid: above about 10 Pa.
    >>> round(decade_time(20e-3, 5e-3), 2)
    9.21
    """
    above_zero(volume=volume, speed=speed)
    return math.log(10) * volume / speed


def sizing_speed(volume, seconds, start, end):
    """Speed needed to pump the volume part in a given time.

    Takes:   volume [m³]; seconds [s]; start, end [Pa].   Returns: speed [m³/s].
    Raises:  ValueError as `pump_time`.   Source, Valid: as `pump_time`.
    >>> round(sizing_speed(1000, 600, 1e5, 2e4) * 60)  # m³/min
    161
    """
    above_zero(seconds=seconds)
    return pump_time(volume, 1.0, start, end) / seconds


def wall_load(area, rate):
    """Gas that walls give off.

    Takes:   area [m²]; rate [Pa m/s] (Pa m³/s from each m²).   Returns: load [Pa m³/s].
    Source:  area x rate.   Valid: one material in one state.
    >>> round(wall_load(6.0, 1e-6), 9)
    6e-06
    """
    return area * rate


def outgassing_rate(rate_1h, exponent, seconds):
    """Outgassing rate at a time, from the rate after one hour.

    Takes:   rate_1h [Pa m/s]; exponent (about 1 for metals, 0.5 for seals); seconds under vacuum
             [s], number or array.
    Returns: rate [Pa m/s], same shape.
    Raises:  ValueError unless rate_1h and seconds are above zero and exponent is 0 or more.
    Source:  q = q(1 h) (t / 1 h)^-exponent; Pfeiffer know-how 1.3.3, formula 1-32.
    Valid:   unbaked, from some minutes to some days.
    >>> round(outgassing_rate(1e-5, 1.0, 36000.0), 8)
    1e-06
    """
    above_zero(rate_1h=rate_1h, seconds=seconds)
    if exponent < 0:
        raise ValueError(f"outgassing does not grow with time; exponent is {exponent}")
    return rate_1h * (seconds / HOUR) ** -exponent


def exponent_between(time_1, value_1, time_2, value_2):
    """Exponent of the power law through two points of a falling curve.

    Takes:   times [s] and values (pressures or rates), each above zero.
    Returns: exponent, positive for a falling curve.
    Raises:  ValueError for values not above zero or equal times.
    Source:  ln(value_1/value_2) / ln(time_2/time_1).   Valid: any two points.
    >>> round(exponent_between(15, 1e-6, 120, 1e-7), 2)
    1.11
    """
    above_zero(time=min(time_1, time_2), value=min(value_1, value_2))
    if time_1 == time_2:
        raise ValueError(f"an exponent needs two different times, not {time_1} s twice")
    return math.log(value_1 / value_2) / math.log(time_2 / time_1)


def time_on_power_law(time_1, value_1, exponent, value):
    """Time at which a power law through one point reaches a value.

    Takes:   time_1 [s] where value_1 held; exponent above zero; value wanted.
    Returns: time [s].
    Raises:  ValueError unless all are above zero.
    Source:  time_1 (value_1/value)^(1/exponent).   Valid: no floor in reach.
    >>> round(time_on_power_law(15, 1e-6, 1.107, 5e-7))
    28
    """
    above_zero(time=time_1, value_1=value_1, exponent=exponent, value=value)
    return time_1 * (value_1 / value) ** (1 / exponent)


def power_law_fit(times, values):
    """Least squares of ln value on ln time.

    Takes:   times [s], values, each (n,), above zero, n at least 2.
    Returns: (exponent, value at one hour); positive exponent for a falling curve.
    Raises:  ValueError for fewer points or one not above zero.
    Source:  ordinary least squares, noise relative.   Valid: one power law in the window.
    >>> exponent, at_1h = power_law_fit([3600.0, 36000.0], [1e-4, 1e-5])
    >>> round(exponent, 6), round(at_1h, 9)
    (1.0, 0.0001)
    """
    times, values = np.asarray(times, float), np.asarray(values, float)
    if times.size < 2 or times.size != values.size:
        raise ValueError(f"a fit needs at least two pairs, not {times.size} and {values.size}")
    above_zero(times=times.min(), values=values.min())
    slope, level = np.polyfit(np.log(times / HOUR), np.log(values), 1)
    return float(-slope), float(np.exp(level))


@dataclass(frozen=True)
class Outgassing:
    """A published outgassing rate; scatter between samples is a factor of two or more."""

    material: str
    rate_1h: float  # Pa m/s
    exponent: float
    source: str
    from_memory: bool


ELSEY = "Elsey, Vacuum 25 (1975) 299 and 347, as in O'Hanlon App. C"
TORR_L = OUTGASSING_UNITS["torr L/(s cm2)"]

# Unbaked, one hour after pumping starts. For ranking and for a first guess, not for design.
UNBAKED = {
    row.material: row
    for row in (
        Outgassing("aluminium", 6.3e-9 * TORR_L, 1.0, ELSEY, True),
        Outgassing("stainless steel", 1.35e-8 * TORR_L, 0.96, ELSEY, True),
        Outgassing("stainless steel, electropolished", 4.3e-9 * TORR_L, 1.0, ELSEY, True),
        Outgassing("OFHC copper", 1.9e-8 * TORR_L, 1.0, ELSEY, True),
        Outgassing("Viton A", 1.14e-6 * TORR_L, 0.8, ELSEY, True),
        Outgassing("neoprene", 3.0e-5 * TORR_L, 0.4, ELSEY, True),
        Outgassing("nitrile", 3.5e-6 * TORR_L, 0.3, ELSEY, True),
        Outgassing("nylon", 1.2e-5 * TORR_L, 0.5, ELSEY, True),
        Outgassing("polyethylene", 2.3e-7 * TORR_L, 0.5, ELSEY, True),
        Outgassing("PTFE", 3.0e-7 * TORR_L, 0.5, ELSEY, True),
        Outgassing("moulded epoxy", 1.16e-6 * TORR_L, 0.8, ELSEY, True),
    )
}

YOUNG = "abstract at scilit.com (Young, J. Vac. Sci. Technol. 6 (1969) 398)"
MODERATE = "abstract, “Attainment of outgassing rates below 10-13 Torr liters/sec cm2 ...”"

# After a bake: (material, bake) -> (rate [Pa m/s], source); steady, no power law.
BAKED = {
    ("stainless steel", "250 °C, 15 to 30 h"): (2e-12 * TORR_L, YOUNG),
    ("aluminium", "250 °C, 15 h"): (4e-13 * TORR_L, YOUNG),
    ("stainless steel", "100 °C, 20 h"): (1e-12 * TORR_L, MODERATE),
    ("aluminium", "100 °C, 20 h"): (4e-14 * TORR_L, MODERATE),
    ("stainless steel", "125 to 150 °C, hydrogen"): (
        4e-11 * OUTGASSING_UNITS["Pa L/(s cm2)"],
        "Fedchak et al., arXiv:2009.10560, lower bound",
    ),
}
