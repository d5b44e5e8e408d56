"""Open pressure records, 40 readings each (MIT licence; see open_records.md beside them)."""

import csv
import json
from pathlib import Path

import numpy as np
import pytest

from facility.vacuum import flow, gauges

HERE = Path(__file__).parent
EMPTY = ("ref_20230515_154824", "ref_20230616_134420")
GASSY = "20230803_131526_WAAM1_Cube"
EXPECTED = {
    case["id"]: case["expected"][0]
    for case in json.loads(
        Path(__file__).with_name("vacuum_cases.json").read_text(encoding="utf-8")
    )["cases"]
}


def record(name):
    """Seconds since the first row and both channels in pascal."""
    with (HERE / "open_records.csv").open(encoding="utf-8") as lines:
        rows = [row for row in csv.DictReader(lines) if row["record"] == name]
    assert len(rows) == 40
    times = np.array([float(row["t_s"]) for row in rows])
    return times, *(np.array([float(row[c]) for row in rows]) * 100 for c in ("CH2", "CH3"))


def between_1_and_10_hours(times, pressures):
    window = (times >= 3600) & (times <= 36000)
    return flow.power_law_fit(times[window], pressures[window])


@pytest.mark.parametrize(("name", "number"), [(EMPTY[0], "P18"), (EMPTY[1], "P22")])
def test_exponent_of_an_unbaked_chamber(name, number):
    times, sample, _ = record(name)

    exponent, _ = between_1_and_10_hours(times, sample)

    assert exponent == pytest.approx(EXPECTED[number], abs=0.01)


@pytest.mark.parametrize("name", [*EMPTY, GASSY])
def test_every_channel_falls_with_an_exponent_between_088_and_105(name):
    times, *channels = record(name)

    for pressures in channels:
        usable = ~gauges.clamped(pressures, "combined")
        exponent, _ = between_1_and_10_hours(times[usable], pressures[usable])
        assert 0.875 <= exponent <= 1.055


def test_a_gassy_sample_lifts_the_curve_by_1_7_at_the_same_slope():
    times, sample, reference = record(GASSY)

    sample_exponent, _ = between_1_and_10_hours(times, sample)
    reference_exponent, _ = between_1_and_10_hours(times, reference)
    ratios = [np.interp(t, times, sample) / np.interp(t, times, reference) for t in (3600, 36000)]

    assert ratios[0] == pytest.approx(EXPECTED["P24"], abs=0.03)
    assert ratios[1] == pytest.approx(1.77, abs=0.03)
    assert sample_exponent == pytest.approx(reference_exponent, abs=0.05)


@pytest.mark.parametrize("principle", ["combined", "pirani", None])
def test_the_vent_at_the_end_is_a_clamp_at_1000_and_nothing_else_is(principle):
    _, sample, reference = record(GASSY)

    for pressures in (sample, reference):
        marks = gauges.clamped(pressures, principle)
        assert marks[37:].all()
        assert not marks[:37].any()


@pytest.mark.parametrize("name", EMPTY)
def test_a_record_without_a_vent_has_no_clamp(name):
    _, *channels = record(name)

    assert not any(gauges.clamped(pressures).any() for pressures in channels)


def test_aluminium_rates_fall_with_exponents_of_073_to_099_where_no_background_limits_them():
    with (HERE / "outgassing_rates_1h_10h.csv").open(encoding="utf-8") as lines:
        rows = list(csv.DictReader(lines))
    exponents = {
        (row["sample_material"], row["sample_no"], row["run"]): flow.exponent_between(
            1, float(row["q_1h_Pa_m_per_s"]), 10, float(row["q_10h_Pa_m_per_s"])
        )
        for row in rows
    }

    printed = [value for key, value in exponents.items() if key[0] == "WAAM"]
    assert len(printed) == 12
    assert min(printed) >= 0.73
    assert max(printed) <= 0.99
