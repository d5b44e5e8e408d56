"""Kinetics of a dilute gas: how far molecules fly, how many arrive, how soon a surface is covered."""

import math
from dataclasses import dataclass

import numpy as np

BOLTZMANN = 1.380649e-23  # J/K, exact (SI Brochure 2019; scipy.constants.k)
AVOGADRO = 6.02214076e23  # 1/mol, exact
GAS_CONSTANT = BOLTZMANN * AVOGADRO  # J/(mol K), exact

ROOM = 293.15  # K, 20 °C: where the trade quotes conductances
MONOLAYER = 1e19  # sites/m², the round figure of 1e15 per cm² (textbook convention, from memory)
LANGMUIR = 101325 / 760 * 1e-6  # Pa s: 1e-6 torr for 1 s (definition)


def above_zero(**quantities):
    """Refuses, by name and value, quantities that are not all above zero (NaN included)."""
    for name, value in quantities.items():
        if not np.all(np.asarray(value) > 0):
            raise ValueError(f"{name.replace('_', ' ')} must be above zero, not {value}")


def not_below_zero(**quantities):
    """Refuses, by name and value, quantities below zero (NaN included)."""
    for name, value in quantities.items():
        if not np.all(np.asarray(value) >= 0):
            raise ValueError(f"{name.replace('_', ' ')} must not be below zero, not {value}")


@dataclass(frozen=True)
class Gas:
    """One gas; `viscosity` at 273 K and `sutherland` are None where we have no number for it."""

    name: str
    molar_mass: float  # kg/mol
    viscosity: float | None = None  # Pa s at 273 K
    sutherland: float | None = None  # K


# Molar masses: IUPAC conventional weights. Viscosities and Sutherland's constants: White, Viscous
# Fluid Flow, table 1-2 (from memory); within 2 % of CoolProp 8.0.0 from 253 K to 323 K.
GASES = {
    gas.name: gas
    for gas in (
        Gas("air", 28.96e-3, 1.716e-5, 111.0),
        Gas("argon", 39.948e-3, 2.125e-5, 144.0),
        Gas("carbon dioxide", 44.010e-3, 1.370e-5, 222.0),
        Gas("helium", 4.0026e-3, 1.870e-5, 79.4),
        Gas("hydrogen", 2.016e-3, 8.411e-6, 97.0),
        Gas("krypton", 83.798e-3),
        Gas("methane", 16.043e-3),
        Gas("neon", 20.180e-3),
        Gas("nitrogen", 28.0134e-3, 1.663e-5, 107.0),
        Gas("oxygen", 31.998e-3, 1.919e-5, 139.0),
        Gas("water", 18.015e-3),
        Gas("xenon", 131.293e-3),
    )
}
AIR = GASES["air"]


def gas_named(name):
    """The gas of that name.

    Takes:   name, any case; "water vapour" and "carbon dioxide" as well as the plain names.
    Returns: Gas.   Raises: ValueError naming the gases there are.
    >>> gas_named("Argon").molar_mass
    0.039948
    """
    key = str(name).strip().lower().removesuffix(" vapour").removesuffix(" vapor")
    if key not in GASES:
        raise ValueError(f"No data for the gas “{name}”; there are {', '.join(GASES)}.")
    return GASES[key]


def mean_speed(molar_mass, temperature=ROOM):
    """Mean speed of the molecules of a gas at rest.

    Takes:   molar_mass [kg/mol]; temperature [K].   Returns: speed [m/s].
    Raises:  ValueError unless both are above zero.
    Source:  Maxwell distribution, v = sqrt(8 R T / (pi M)).   Valid: any dilute gas.
    >>> round(mean_speed(28.0134e-3))
    471
    """
    above_zero(molar_mass=molar_mass, temperature=temperature)
    return (8 * GAS_CONSTANT * temperature / (math.pi * molar_mass)) ** 0.5


def number_density(pressure, temperature=ROOM):
    """Molecules in a cubic metre.

    Takes:   pressure [Pa], number or array; temperature [K].   Returns: density [1/m³], same shape.
    Raises:  ValueError for a temperature not above zero or a pressure below zero.
    Source:  n = p / (k T).   Valid: ideal gas, below about 1 bar.
    >>> f"{number_density(101325, 273.15):.4e}"
    '2.6868e+25'
    """
    above_zero(temperature=temperature)
    not_below_zero(pressure=pressure)
    return pressure / (BOLTZMANN * temperature)


def viscosity(gas, temperature=ROOM):
    """Viscosity of a dilute gas by Sutherland's law.

    Takes:   gas, Gas or name; temperature [K].   Returns: viscosity [Pa s].
    Raises:  ValueError for a gas without constants or a temperature outside 250 to 350 K.
    Source:  Sutherland; constants beside GASES.   Valid: 250 to 350 K, within 2 % of CoolProp.
    >>> f"{viscosity('air'):.2e}"
    '1.81e-05'
    """
    gas = gas if isinstance(gas, Gas) else gas_named(gas)
    if gas.viscosity is None:
        raise ValueError(f"no viscosity on file for {gas.name}")
    if not np.all((np.asarray(temperature) >= 250) & (np.asarray(temperature) <= 350)):
        raise ValueError(f"viscosities hold from 250 to 350 K, not at {temperature} K")
    shape = (273 + gas.sutherland) / (temperature + gas.sutherland)
    return gas.viscosity * (temperature / 273) ** 1.5 * shape


def mean_free_path(pressure, gas="air", temperature=ROOM):
    """How far a molecule flies between two collisions.

    Takes:   pressure [Pa], number or array; gas, Gas or name; temperature [K].
    Returns: path [m], same shape as pressure.
    Raises:  ValueError as `viscosity`, and for a pressure not above zero.
    Source:  viscosity route, path x pressure = viscosity x sqrt(pi R T / (2 M)).
    Valid:   250 to 350 K; definitions of the path differ by up to 10 %.
    >>> f"{mean_free_path(0.1):.3f}"
    '0.066'
    """
    gas = gas if isinstance(gas, Gas) else gas_named(gas)
    above_zero(pressure=pressure)
    thermal = (math.pi * GAS_CONSTANT * temperature / (2 * gas.molar_mass)) ** 0.5
    return viscosity(gas, temperature) * thermal / pressure


def knudsen(path, width):
    """Knudsen number: mean free path against the width of the pipe.

    Takes:   path [m], number or array; width [m].   Returns: ratio, same shape.
    Raises:  ValueError unless both are above zero.   Source: definition.   Valid: always.
    >>> knudsen(0.066, 0.04) > 0.5
    True
    """
    above_zero(path=path, width=width)
    return path / width


def flow_regime(knudsen_number):
    """Name of the flow regime.

    Takes:   knudsen_number, above zero.   Returns: "viscous", "transitional" or "molecular".
    Raises:  ValueError unless above zero.
    Source:  limits 0.01 and 0.5, Pfeiffer know-how 1.2.6.   Valid: round tubes.
    >>> flow_regime(1.7e-4), flow_regime(0.1), flow_regime(2)
    ('viscous', 'transitional', 'molecular')
    """
    above_zero(knudsen_number=knudsen_number)
    if knudsen_number < 0.01:
        return "viscous"
    return "transitional" if knudsen_number <= 0.5 else "molecular"


def impingement(pressure, molar_mass, temperature=ROOM):
    """Molecules that arrive on a square metre in a second.

    Takes:   pressure [Pa], number or array; molar_mass [kg/mol]; temperature [K].
    Returns: rate [1/(m² s)], same shape.
    Raises:  ValueError for a negative pressure, or a mass or temperature not above zero.
    Source:  Hertz-Knudsen, p / sqrt(2 pi m k T).   Valid: molecular flow.
    >>> f"{impingement(101325 / 760 * 1e-6, 28.0134e-3, 295) * 1e-4:.2e}"
    '3.86e+14'
    """
    above_zero(molar_mass=molar_mass, temperature=temperature)
    not_below_zero(pressure=pressure)
    mass = molar_mass / AVOGADRO
    return pressure / (2 * math.pi * mass * BOLTZMANN * temperature) ** 0.5


def monolayer_time(rate, sticking=1.0, sites=MONOLAYER):
    """Time until a clean surface carries one layer.

    Takes:   rate of arrival [1/(m² s)]; sticking, 0 to 1; sites [1/m²].   Returns: time [s].
    Raises:  ValueError unless rate, sites and sticking are above zero and sticking at most 1.
    Source:  sites / (sticking x rate).   Valid: constant sticking, so a shortest time.
    >>> round(monolayer_time(3.86e18), 1)
    2.6
    """
    above_zero(rate=rate, sticking=sticking, sites=sites)
    if np.any(np.asarray(sticking) > 1):
        raise ValueError(f"sticking is a fraction up to 1, not {sticking}")
    return sites / (sticking * rate)


def langmuirs(pressure, seconds):
    """Exposure in langmuir.

    Takes:   pressure [Pa]; seconds [s]; numbers or arrays.   Returns: exposure [L], 1e-6 torr s.
    Raises:  ValueError where either is below zero.
    Source:  definition of the langmuir.   Valid: constant pressure.
    >>> round(langmuirs(101325 / 760 * 1e-8, 100), 9)
    1.0
    """
    not_below_zero(pressure=pressure, seconds=seconds)
    return pressure * seconds / LANGMUIR


def evaporation_flux(vapour_pressure, molar_mass, temperature=ROOM):
    """Molecules leaving a square metre of surface into vacuum: an upper bound.

    Takes:   vapour_pressure [Pa] at temperature [K]; molar_mass [kg/mol] of the vapour.
    Returns: flux [1/(m² s)].
    Raises:  ValueError as `impingement`.
    Source:  Hertz-Knudsen-Langmuir, evaporation coefficient 1.
    Valid:   clean surface at that temperature; real fluxes are smaller.
    >>> f"{evaporation_flux(1.0, 65.38e-3, 610):.1e}"
    '1.3e+22'
    """
    return impingement(vapour_pressure, molar_mass, temperature)


def ice_pressure(temperature):
    """Vapour pressure of ice: where a wet load holds the pressure while it dries.

    Takes:   temperature [K].   Returns: pressure [Pa].
    Raises:  ValueError outside 190 K to the triple point, 273.16 K.
    Source:  IAPWS R14-08(2011), sublimation equation (coefficients from memory).
    Valid:   pure ice, 190 to 273.16 K.
    >>> round(ice_pressure(253.15), 1)
    103.2
    """
    if not 190 <= temperature <= 273.16:
        raise ValueError(f"ice is covered from 190 to 273.16 K, not at {temperature} K")
    cold = temperature / 273.16
    terms = (
        (-21.2144006, 0.00333333333),
        (27.3203819, 1.20666667),
        (-6.10598130, 1.70333333),
    )
    return 611.657 * math.exp(sum(a * cold**b for a, b in terms) / cold)


def gas_quantity(mass, molar_mass, temperature=273.15):
    """Amount of gas as pressure times volume.

    Takes:   mass [kg]; molar_mass [kg/mol]; temperature [K].   Returns: quantity [Pa m³].
    Raises:  ValueError for a negative mass, or the others not above zero.
    Source:  ideal gas, m R T / M.   Valid: below about 1 bar.
    >>> round(gas_quantity(0.010, 0.102))
    223
    """
    above_zero(molar_mass=molar_mass, temperature=temperature)
    not_below_zero(mass=mass)
    return mass * GAS_CONSTANT * temperature / molar_mass


def burst_on_opening(intro_pressure, intro_volume, main_pressure, main_volume):
    """Pressure in both chambers the moment the gate valve opens, before any pump acts.

    Takes:   pressures [Pa]; volumes [m³].   Returns: pressure [Pa].
    Raises:  ValueError for negative pressures or volumes not above zero.
    Source:  gas is conserved, (p1 V1 + p2 V2) / (V1 + V2), own calculation.
    Valid:   isothermal, both pumps ignored; gas freed by the valve itself comes on top.
    >>> f"{burst_on_opening(1e-6, 5e-3, 1e-9, 50e-3):.1e}"
    '9.2e-08'
    """
    above_zero(intro_volume=intro_volume, main_volume=main_volume)
    not_below_zero(intro_pressure=intro_pressure, main_pressure=main_pressure)
    gas = intro_pressure * intro_volume + main_pressure * main_volume
    return gas / (intro_volume + main_volume)


def steady_when_open(intro_load, main_load, intro_speed, main_speed):
    """Pressure both chambers settle at while the gate valve stays open.

    Takes:   gas loads [Pa m³/s]; effective speeds [m³/s], 0 for a pump that is isolated.
    Returns: pressure [Pa].
    Raises:  ValueError for negative values or no speed at all.
    Source:  Q = p S for the two together.   Valid: wide gate valve, steady loads.
    >>> round(steady_when_open(1e-7, 1e-8, 0.05, 0.06), 9)
    1e-06
    """
    not_below_zero(intro_load=intro_load, main_load=main_load)
    not_below_zero(intro_speed=intro_speed, main_speed=main_speed)
    above_zero(speed=intro_speed + main_speed)
    return (intro_load + main_load) / (intro_speed + main_speed)


def vacuum_class(pressure, ultra_high_below=1e-5):
    """Name of the vacuum range.

    Takes:   pressure [Pa], above zero; ultra_high_below [Pa]: 1e-5 (1e-7 mbar, older ISO and DIN)
             or 1e-6 (ISO 3529-1:2019, from memory); the facility chooses.
    Returns: "rough", "fine", "high" or "ultra-high" vacuum.
    Raises:  ValueError unless above zero.
    Source:  rough to 1 mbar, fine to 1e-3, high below; table at leakdetection-technology.com.
    Valid:   up to atmosphere.
    >>> vacuum_class(5e-7)
    'ultra-high vacuum'
    """
    above_zero(pressure=pressure)
    if pressure < ultra_high_below:
        return "ultra-high vacuum"
    if pressure < 0.1:
        return "high vacuum"
    return "fine vacuum" if pressure < 100 else "rough vacuum"
