"""Water on porous samples against published loads; sources in each row of water_loads.csv."""

import csv
from pathlib import Path

import pytest

from samples.matter.volatility import bare_disc_area_m2, bare_holders, sample_area_m2, water_load

with (Path(__file__).parent / "water_loads.csv").open(encoding="utf-8", newline="") as lines:
    ROWS = list(csv.DictReader(lines))


@pytest.mark.parametrize("row", ROWS, ids=lambda row: row["case"])
def test_published_water_loads_are_met(row):
    load = water_load(float(row["area_m2"]), speed_l_s=20)

    # the table is rounded to two or three digits
    assert load.gas_pa_l == pytest.approx(float(row["gas_pa_l"]), rel=0.01)
    assert load.molecules == pytest.approx(float(row["molecules"]), rel=0.03)
    assert load.hours == pytest.approx(float(row["hours"]), rel=0.03)


def test_areas_of_the_published_cases_are_met():
    assert bare_disc_area_m2() == pytest.approx(0.0507, rel=0.002)
    assert sample_area_m2(5, 50) == pytest.approx(0.25)
    assert sample_area_m2(10, 400) == pytest.approx(4.0)


def test_one_milligram_of_a_framework_carries_thirty_bare_holders_of_water():
    assert bare_holders(water_load(sample_area_m2(1, 1500)).gas_pa_l) == pytest.approx(30, rel=0.03)
