"""Freeze values of two independent libraries as oracles_vacuum.csv, or check the frozen ones.

Run it by hand with an interpreter that has the two libraries (no dependency of the product):

    python -m venv /tmp/oracles && /tmp/oracles/bin/pip install CoolProp==8.0.0 chemicals==1.5.2
    /tmp/oracles/bin/python tests/published/make_oracles.py           # writes the table
    /tmp/oracles/bin/python tests/published/make_oracles.py --check   # exit 1 where a value moved
    /tmp/oracles/bin/python tests/published/make_oracles.py --table   # prints cylinders.py's table

`make soak` runs the check.
"""

import csv
import math
import sys
from importlib.metadata import version
from pathlib import Path

FILE = Path(__file__).with_name("oracles_vacuum.csv")
COLUMNS = (
    "library", "version", "quantity", "substance", "temperature_k", "pressure_pa", "value", "unit",
)  # fmt: skip
NAMES = {
    "nitrogen": "Nitrogen",
    "argon": "Argon",
    "oxygen": "Oxygen",
    "helium": "Helium",
    "air": "Air",
    "hydrogen": "Hydrogen",
    "carbon dioxide": "CarbonDioxide",
}
BOTTLED = ("nitrogen", "argon", "oxygen", "helium", "air")
FORMULAS = {
    "argon": "Ar", "carbon dioxide": "CO2", "helium": "He", "hydrogen": "H2", "krypton": "Kr",
    "methane": "CH4", "neon": "Ne", "nitrogen": "N2", "oxygen": "O2", "water": "H2O", "xenon": "Xe",
}  # fmt: skip
NODES = ((250, 270, 290, 310, 330), tuple(range(0, 301, 50)))  # K, bar: the product's own table
BETWEEN = ((253.15, 273.15, 288.15, 300.0, 323.15), (1, 5, 20, 75, 130, 200, 230, 285))


def rows():
    """Every oracle, in the order of the file."""
    import chemicals  # not at the top: the tests collect this file without the two libraries

    for name in BOTTLED:
        for temperature in NODES[0]:
            for bar in NODES[1]:
                yield coolprop("compressibility", "Z", name, temperature, max(bar, 1e-6) * 1e5, "1")
        for temperature in BETWEEN[0]:
            for bar in BETWEEN[1]:
                yield coolprop("density", "D", name, temperature, bar * 1e5, "kg/m3")
    for name in NAMES:
        for temperature in (253.15, 273.15, 293.15, 323.15):
            yield coolprop("viscosity", "V", name, temperature, 1e4, "Pa s")
    yield coolprop("triple_pressure", "PTRIPLE", "water", None, None, "Pa")
    for name, formula in FORMULAS.items():
        grams = chemicals.molecular_weight(chemicals.simple_formula_parser(formula))
        yield chemical("molar_mass", name, None, grams, "g/mol")
    for temperature in (193.15, 213.15, 233.15, 253.15, 268.15):
        value = chemicals.iapws.iapws11_Psub(temperature)
        yield chemical("ice_pressure", "water", temperature, value, "Pa")


def coolprop(quantity, key, name, temperature, pressure, unit):
    from CoolProp.CoolProp import PropsSI

    if temperature is None:
        value = PropsSI(key, NAMES.get(name, "Water"))
    else:
        value = PropsSI(key, "T", temperature, "P", pressure, NAMES[name])
    return ("CoolProp", version("CoolProp"), quantity, name, temperature, pressure, value, unit)


def chemical(quantity, name, temperature, value, unit):
    return ("chemicals", version("chemicals"), quantity, name, temperature, None, value, unit)


def as_text(row):
    return [
        "" if cell is None else f"{cell:.10g}" if isinstance(cell, float) else str(cell)
        for cell in row
    ]


def write():
    with FILE.open("w", encoding="utf-8", newline="") as out:
        table = csv.writer(out, lineterminator="\n")
        table.writerow(COLUMNS)
        table.writerows(as_text(row) for row in rows())


def moved():
    """What differs from the frozen table by more than its own rounding."""
    with FILE.open(encoding="utf-8", newline="") as lines:
        frozen = list(csv.reader(lines))[1:]
    fresh = [as_text(row) for row in rows()]
    if len(frozen) != len(fresh):
        return [f"{len(frozen)} values frozen, {len(fresh)} computed"]
    return [
        f"{' '.join(old)} is now {new[6]}"
        for old, new in zip(frozen, fresh, strict=True)
        if old[:6] != new[:6] or not math.isclose(float(old[6]), float(new[6]), rel_tol=1e-8)
    ]


def print_table():
    """The literal of COMPRESSIBILITY in facility/vacuum/cylinders.py."""
    from CoolProp.CoolProp import PropsSI

    for name in BOTTLED:
        print(f'    "{name}": (')
        for temperature in NODES[0]:
            cells = [
                PropsSI("Z", "T", temperature, "P", max(b, 1e-6) * 1e5, NAMES[name])
                for b in NODES[1]
            ]
            print("        (" + ", ".join(["1.0", *(f"{cell:.4f}" for cell in cells[1:])]) + "),")
        print("    ),")


if __name__ == "__main__":
    if "--check" in sys.argv:
        differences = moved()
        print("\n".join(differences) or "every frozen value is reproduced")
        sys.exit(1 if differences else 0)
    elif "--table" in sys.argv:
        print_table()
    else:
        write()
