"""Energy scale and control charts against published values; the source beside each check."""

import math

import pytest

from facility import calibration, control


def test_given_the_reference_metals_when_looked_up_then_they_are_those_of_the_standard():
    # ISO 15472 as quoted by xpsfitting.com 2008/10, "Spectrometer Calibration", monochromatic Al Kα
    assert calibration.REFERENCES == {"Au 4f7/2": 83.96, "Ag 3d5/2": 368.21, "Cu 2p3/2": 932.62}


@pytest.mark.parametrize("tolerance", [0.03, 0.025, 0.0, -1.0, math.nan])
def test_given_a_tolerance_that_the_standard_excludes_when_kept_then_it_is_refused(tolerance):
    # "not applicable to instruments requiring tolerance limits of ±0.03 eV or less": summary of
    # ISO 15472:2001, Surf. Interface Anal. 31 (2001) 721
    with pytest.raises(calibration.NotAScale):
        calibration.refuse_tolerance(tolerance)


def test_given_a_worked_scale_when_found_then_errors_slope_and_linearity_are_as_by_hand():
    # by hand: errors 0.02, 0.03, 0.14; slope 0.12/848.66; Ag's share (368.21-83.96)/848.66 = 0.33494
    measured = {"Au 4f7/2": [83.98], "Ag 3d5/2": [368.24], "Cu 2p3/2": [932.76]}

    found = calibration.scale_found(measured, 0.10)

    assert [round(line.error, 6) for line in found.lines] == [0.02, 0.03, 0.14]
    assert found.scale == pytest.approx(0.12 / 848.66)
    assert found.linearity == pytest.approx(0.03 - (0.02 + 0.33494 * 0.12), abs=1e-5)
    assert found.verdict == "staff"
    assert "Without uncertainty" in found.says


def test_given_the_constants_of_individuals_when_recomputed_then_they_are_the_published_ones():
    # NIST/SEMATECH e-Handbook of Statistical Methods 6.3.2.2: centre ± 3 MR/1.128, that is 2.66 MR;
    # d2 for two values is 2/sqrt(pi)
    assert pytest.approx(2 / math.sqrt(math.pi), abs=5e-4) == control.D2
    assert pytest.approx(3 / 1.128, abs=5e-3) == control.LIMIT


def test_given_the_flow_rates_of_the_handbook_when_limited_then_the_limits_are_those_printed():
    # The same page, from memory: ten flow rates, mean 50.81, MR 1.8778, limits 45.81 and 55.81
    rates = [49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1]

    found = control.limits_of(rates)

    assert found.centre == pytest.approx(50.81)
    assert found.spread * control.D2 == pytest.approx(1.8778, abs=1e-4)
    assert found.high == pytest.approx(50.81 + 3 * 1.8778 / 1.128, abs=0.01)
    assert found.provisional


@pytest.mark.parametrize(
    ("weight", "width", "shift", "length"),
    [(0.2, 2.962, 0.0, 500), (0.2, 2.962, 1.0, 10.5), (0.1, 2.814, 0.0, 500), (1.0, 3.0, 0.0, 370.4)],
)  # fmt: skip
def test_given_a_published_design_when_the_chain_runs_then_its_run_length_is_the_published_one(
    weight, width, shift, length
):
    # Lucas and Saccucci, Technometrics 32 (1990) 1, table 3, from memory; the last row is the
    # three-sigma chart's 1/0.0027
    assert control.run_length(weight, width, shift) == pytest.approx(length, rel=0.03)
