"""Vacuum functions against CoolProp and chemicals, frozen in oracles_vacuum.csv by make_oracles.py."""

import csv
import subprocess
import venv
from pathlib import Path

import pytest

from facility.vacuum import cylinders, gas

HERE = Path(__file__).parent
with (HERE / "oracles_vacuum.csv").open(encoding="utf-8", newline="") as lines:
    ORACLES = list(csv.DictReader(lines))


def oracles(quantity):
    """(substance, temperature [K], pressure [Pa], value) of every frozen row of a quantity."""
    return [
        (
            row["substance"],
            *(float(row[c]) if row[c] else None for c in ("temperature_k", "pressure_pa", "value")),
        )
        for row in ORACLES
        if row["quantity"] == quantity
    ]


def test_the_compressibility_table_holds_what_coolprop_computes():
    table = {
        (name, temperature, pressure): value
        for name, rows in cylinders.COMPRESSIBILITY.items()
        for temperature, row in zip(cylinders.TEMPERATURES, rows, strict=True)
        for pressure, value in zip(cylinders.PRESSURES, row, strict=True)
    }
    frozen = {
        (name, temperature, pressure if pressure > 1 else 0.0): value
        for name, temperature, pressure, value in oracles("compressibility")
    }

    assert table.keys() == frozen.keys()
    assert all(abs(table[place] - frozen[place]) < 5.1e-5 for place in table)


@pytest.mark.parametrize("name", list(cylinders.COMPRESSIBILITY))
def test_density_between_the_places_of_the_table_is_within_003_percent_of_coolprop(name):
    wanted = [row for row in oracles("density") if row[0] == name]

    assert len(wanted) == 40
    for _, temperature, pressure, value in wanted:
        # molar masses differ in the fifth place (air by 2e-4), so compare per mole
        mass = {"air": 28.96546e-3, "oxygen": 31.9988e-3}.get(name, gas.gas_named(name).molar_mass)
        found = cylinders.density(name, pressure, temperature) / gas.gas_named(name).molar_mass
        assert found == pytest.approx(value / mass, rel=3e-4)


@pytest.mark.parametrize(("name", "temperature", "pressure", "value"), oracles("viscosity"))
def test_viscosity_is_within_2_percent_of_coolprop(name, temperature, pressure, value):
    assert gas.viscosity(name, temperature) == pytest.approx(value, rel=0.02)


@pytest.mark.parametrize(("name", "_", "__", "grams"), oracles("molar_mass"))
def test_molar_mass_is_that_of_chemicals(name, _, __, grams):
    assert gas.GASES[name].molar_mass * 1e3 == pytest.approx(grams, rel=1e-4)


@pytest.mark.parametrize(("_", "temperature", "__", "value"), oracles("ice_pressure"))
def test_ice_pressure_is_that_of_the_iapws_equation_in_chemicals(_, temperature, __, value):
    assert gas.ice_pressure(temperature) == pytest.approx(value, rel=1e-6)


def test_ice_meets_liquid_at_the_triple_pressure_of_coolprop():
    ((_, _, _, value),) = oracles("triple_pressure")

    assert gas.ice_pressure(273.16) == pytest.approx(value, rel=1e-5)


@pytest.mark.soak
def test_the_libraries_still_give_the_frozen_values(tmp_path):
    wanted = sorted({f"{row['library']}=={row['version']}" for row in ORACLES})
    venv.create(tmp_path / "oracles", with_pip=True)
    python = tmp_path / "oracles" / "bin" / "python"
    subprocess.run([python, "-m", "pip", "install", "-q", *wanted], check=True)

    checked = subprocess.run(
        [python, HERE / "make_oracles.py", "--check"], capture_output=True, text=True, check=False
    )

    assert checked.returncode == 0, checked.stdout + checked.stderr
