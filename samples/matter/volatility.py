"""What evaporates: vapour pressure at the hottest planned temperature, water in porous samples."""

import csv
import math
from dataclasses import dataclass
from functools import cache
from pathlib import Path

from samples.matter.substances import elements

DATA = Path(__file__).parent / "data"

TORR_PA = 133.322
"""Pascal in a torr. Definition (101325/760), rounded."""
ATM_PA = 101_325.0
KELVIN = 273.15
BOLTZMANN_J_K = 1.380649e-23

ROOM_C = 25.0
"""Every sample is at least as warm as the room it is loaded from."""

WATER_SITE_NM2 = 0.125
"""Area under one water molecule [nm²], from memory."""
WATER_K = 298.15
PUMPED_OFF_PA = 1e-6 * TORR_PA
"""Pressure at which the hours to pump water off are reckoned."""

END_SLACK_K = 2.0
"""Ends of published ranges are rounded; this much past them still counts. Own proposal."""
TRACE_SHARE = 0.01
"""Below this share of atoms a dopant is no compound of its own. Own proposal."""

LOW_MELTING_C = 80.0

VOLATILE_IN_COMPOUNDS = frozenset({"Hg", "I", "S", "Se", "Te", "P", "As", "Br", "Cd", "Zn"})
"""Elements whose compounds need their own fit. Own conservative rule."""

BOUND_IN = frozenset({"polymer", "biological", "framework", "ionic-liquid", "alloy", "chemisorbed"})
"""Classes of material that hold such an element without being one of its small compounds."""


class OutOfRange(ValueError):
    """A fit was asked outside the temperatures it was made for."""


@dataclass(frozen=True, slots=True)
class Fit:
    """A published fit of one phase's vapour pressure.

    `form` is alcock (log10 p[atm] = a + b/T + c log10 T + d T/1000), alcock full
    (ln p[Pa] = a + b/T + c ln T + d T), antoine (ln p[Pa] = a - b/(T + c)) or bound (p stays
    below 10^a torr).
    """

    substance: str
    phase: str
    form: str
    a: float
    b: float
    c: float
    d: float
    t_min_k: float
    t_max_k: float
    source: str

    def holds_at(self, temperature_k):
        return self.t_min_k - END_SLACK_K <= temperature_k <= self.t_max_k + END_SLACK_K

    def pressure_pa(self, temperature_k):
        """Vapour pressure [Pa].

        Takes:  temperature_k [K].
        Raises: OutOfRange outside the range of the fit.
        Source: the row's own; Alcock et al., Can. Metall. Q. 23 (1984) 309 for metals.
        Valid:  orders of magnitude; far below 1e-6 Pa fits may be wrong by much more than tens of
                percent.
        >>> zinc = fits("zinc")[0]
        >>> f"{zinc.pressure_pa(298.15) / TORR_PA:.1e}"
        '1.7e-14'
        """
        if not self.holds_at(temperature_k):
            raise OutOfRange(
                f"{self.substance} ({self.phase}): {temperature_k:g} K is outside "
                f"{self.t_min_k:g} to {self.t_max_k:g} K"
            )
        if self.form == "alcock":
            exponent = self.a + self.b / temperature_k + self.c * math.log10(temperature_k)
            return ATM_PA * 10 ** (exponent + self.d * temperature_k / 1000)
        if self.form == "alcock full":
            exponent = self.a + self.b / temperature_k + self.c * math.log(temperature_k)
            return math.exp(exponent + self.d * temperature_k)
        if self.form == "antoine":
            return math.exp(self.a - self.b / (temperature_k + self.c))
        return TORR_PA * 10**self.a


@dataclass(frozen=True, slots=True)
class Evaporation:
    """What one substance of a sample does at a temperature.

    `torr` is None where nothing published says (`why` tells what is missing); `at_most` marks an
    upper bound in place of a value.
    """

    substance: str
    temperature_c: float
    torr: float | None
    at_most: bool = False
    why: str = ""
    source: str = ""


# Fits


@cache
def _table():
    table = {}
    with (DATA / "vapour_pressures.csv").open(encoding="utf-8", newline="") as lines:
        for row in csv.DictReader(lines):
            numbers = (float(row[name]) for name in ("a", "b", "c", "d", "t_min_k", "t_max_k"))
            fit = Fit(row["substance"], row["phase"], row["form"], *numbers, row["source"])
            table.setdefault(fit.substance, []).append(fit)
    return {substance: tuple(found) for substance, found in table.items()}


def fits(substance):
    """Published fits of a substance by its name, solid before liquid; () where there is none."""
    return _table().get(substance, ())


def vapour_pressure_torr(substance, temperature_c):
    """Vapour pressure of a substance [torr].

    Takes:   substance, its name; temperature_c [°C].
    Raises:  OutOfRange where no fit of it holds at that temperature; KeyError for an unknown name.
    Source:  the fit's row.
    >>> f"{vapour_pressure_torr('mercury', 25):.1e}"
    '2.0e-03'
    """
    kelvin = temperature_c + KELVIN
    found = _table()[substance]
    for fit in sorted(found, key=lambda one: not one.t_min_k <= kelvin <= one.t_max_k):
        if fit.holds_at(kelvin):
            return fit.pressure_pa(kelvin) / TORR_PA
    raise OutOfRange(_outside(substance, found, temperature_c))


def _outside(substance, found, temperature_c):
    spans = ", ".join(
        f"{fit.t_min_k - KELVIN:.0f} to {fit.t_max_k - KELVIN:.0f} °C" for fit in found
    )
    return f"published values of {substance} span {spans}, not {temperature_c:g} °C"


# A sample


def evaporations(composition, temperature_c=None):
    """What each elemental or molecular substance of a sample does when it is hottest.

    Takes:   composition; temperature_c, the hottest planned [°C], or None for the room.
    Returns: list of Evaporation; empty where the sample holds no such substance (a compound is
             never judged by its element).
    >>> from samples.matter.composition import parse
    >>> [(one.substance, f"{one.torr:.1e}") for one in evaporations(parse("Zn"), 150)]
    [('zinc', '9.5e-08')]
    >>> evaporations(parse("ZnO"), 150)
    []
    """
    hottest = max(temperature_c if temperature_c is not None else ROOM_C, ROOM_C)
    if "alloy" in composition.classes or _is_metals_only(composition):
        return _of_alloy(composition, hottest)
    if composition.name in _table():
        return [_of(composition.name, hottest)]
    if "molecular" in composition.classes and "chemisorbed" not in composition.classes:
        why = f"no published vapour pressure of {composition.name} is known here"
        return [Evaporation(composition.name, hottest, None, why=why)]
    names = {elements()[piece[0][0]].name: None for piece in composition.pieces if len(piece) == 1}
    return [_of(name, hottest) for name in names if name in _table()]


def _is_metals_only(composition):
    table = elements()
    return len(composition.parts) > 1 and all(table[one].is_metal for one in composition.elements)


def _of(substance, temperature_c):
    source = fits(substance)[0].source
    try:
        torr = vapour_pressure_torr(substance, temperature_c)
    except OutOfRange as problem:
        return Evaporation(substance, temperature_c, None, why=str(problem), source=source)
    at_most = all(fit.form == "bound" for fit in fits(substance))
    return Evaporation(substance, temperature_c, torr, at_most, source=source)


def _of_alloy(composition, temperature_c):
    """The most volatile metal of an alloy: share times its own pressure, an upper bound."""
    worst = None
    for symbol, share in composition.parts:
        name = elements()[symbol].name
        if name not in _table() or share < TRACE_SHARE:
            continue
        one = _of(name, temperature_c)
        if one.torr is None:
            continue
        bound = Evaporation(
            f"{name} in {composition}", temperature_c, one.torr * share, True, source=one.source
        )
        if worst is None or bound.torr > worst.torr:
            worst = bound
    return [worst] if worst else []


def severity_of(evaporation, *, staff_torr, stop_torr):
    """stop, staff or None (passes) for an Evaporation, by the two limits [torr].

    An unknown pressure is for staff; so is an upper bound above the first limit.
    """
    if evaporation.torr is None:
        return "staff"
    if evaporation.torr <= staff_torr:
        return None
    return "stop" if evaporation.torr > stop_torr and not evaporation.at_most else "staff"


def melts_low(composition, limit_c=LOW_MELTING_C):
    """Whether this is a molecular film that melts below the limit [°C].

    Not for chemisorbed monolayers, salts that are liquid, or metals.
    >>> from samples.matter.composition import parse
    >>> melts_low(parse("stearic acid")), melts_low(parse("anthracene")), melts_low(parse("Ga"))
    (True, False, False)
    """
    if "molecular" not in composition.classes or "chemisorbed" in composition.classes:
        return False
    return composition.melting_c is not None and composition.melting_c < limit_c


def unknown_compound(composition, temperature_c=None):
    """Elements of a compound whose vapour pressure nobody published here; () where none.

    >>> from samples.matter.composition import parse
    >>> unknown_compound(parse("HgCl2")), unknown_compound(parse("ZnO"))
    (('Hg', 'Cl'), ())
    """
    hottest = max(temperature_c if temperature_c is not None else ROOM_C, ROOM_C)
    if composition.classes & BOUND_IN or composition.name in _table():
        return ()
    if _is_metals_only(composition):
        return ()
    suspects = []
    pieces = composition.pieces or (composition.parts,)
    for piece in pieces:
        amounts = dict(piece)
        whole = sum(amounts.values())
        large = {one: n / whole for one, n in amounts.items() if n / whole >= TRACE_SHARE}
        if len(large) == 1 and elements()[next(iter(large))].name in _table():
            continue
        suspects += [one for one in large if _is_suspect(one, large, hottest)]
    return tuple(dict.fromkeys(suspects))


def _is_suspect(symbol, amounts, temperature_c):
    """Whether this element makes its compound one to ask about."""
    is_halide = symbol == "Cl" and any(elements()[one].is_metal for one in amounts)
    if symbol not in VOLATILE_IN_COMPOUNDS and not is_halide:
        return False
    return not any(_excuses(row, symbol, amounts, temperature_c) for row in _steady())


def _excuses(row, symbol, amounts, temperature_c):
    """Whether one row of the steady compounds covers this element in this company."""
    if symbol not in row["excuses"] or temperature_c > row["up_to_c"]:
        return False
    if amounts.get("O", 0.0) < row["oxygen_per_atom"] * amounts[symbol]:
        return False
    metals = {one for one in amounts if elements()[one].is_metal}
    return bool(metals) and (row["needs"] == {"O"} or metals <= row["needs"])


@cache
def _steady():
    with (DATA / "steady_compounds.csv").open(encoding="utf-8", newline="") as lines:
        return [
            {
                "excuses": frozenset(row["excuses"].split()),
                "needs": frozenset(row["needs"].split()),
                "oxygen_per_atom": float(row["oxygen_per_atom"]),
                "up_to_c": float(row["up_to_c"]),
            }
            for row in csv.DictReader(lines)
        ]


# Water in porous samples


@dataclass(frozen=True, slots=True)
class WaterLoad:
    """Water on a surface: molecules, as gas at room temperature [Pa·L], hours to pump it off."""

    area_m2: float
    molecules: float
    gas_pa_l: float
    hours: float


def water_load(area_m2, speed_l_s=20.0):
    """One layer of water on an inner surface, and how long a pump works on it.

    Takes:   area_m2 [m²], total, not projected; speed_l_s, pumping speed at the sample [L/s].
    Returns: WaterLoad.
    Raises:  ValueError unless area is 0 or more and speed above 0.
    Source:  N = A / 0.125 nm², Q = N k T at 298.15 K, t = Q / (p S) at p = 1e-6 torr; the area of
             a molecule is from memory.
    Valid:   one layer; real powders hold more in narrow pores and give it off more slowly.
    >>> load = water_load(1.5)
    >>> round(load.gas_pa_l, 1), round(load.hours, 1)
    (49.4, 5.1)
    """
    if not area_m2 >= 0 or not speed_l_s > 0:
        raise ValueError(f"area ({area_m2} m²) must be 0 or more, speed ({speed_l_s} L/s) above 0")
    molecules = area_m2 / (WATER_SITE_NM2 * 1e-18)
    gas_pa_l = molecules * BOLTZMANN_J_K * WATER_K * 1000
    return WaterLoad(area_m2, molecules, gas_pa_l, gas_pa_l / (PUMPED_OFF_PA * speed_l_s) / 3600)


def sample_area_m2(mass_mg, surface_m2_g):
    """Inner surface of a porous sample [m²].

    >>> sample_area_m2(1, 1500)
    1.5
    """
    return mass_mg * surface_m2_g / 1000


def bare_disc_area_m2(diameter_mm=25.4, roughness=10.0, layers=10.0):
    """Surface of a bare holder that holds water, layers counted as area [m²].

    >>> round(bare_disc_area_m2(), 4)
    0.0507
    """
    return math.pi * (diameter_mm / 2000) ** 2 * roughness * layers


def bare_holders(gas_pa_l):
    """How many bare 25.4 mm holders carry as much water.

    >>> round(bare_holders(water_load(1.5).gas_pa_l))
    30
    """
    return gas_pa_l / water_load(bare_disc_area_m2()).gas_pa_l
