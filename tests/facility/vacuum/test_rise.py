import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from facility.vacuum.rise import molar_rise, read_rise, rise_load

NEVER_SAID = ("invalid", "illegal", "forbidden", "error", "please", "sorry", "oops")
MINUTES = np.arange(0, 31, 2.0) * 60


def leak(start=1e-3, rate=1e-5, times=MINUTES):
    return start + rate * times


def outgassing(start=1e-3, size=5e-3, times=MINUTES):
    """Rises as the square root of time: the rate falls with time."""
    return start + size * np.sqrt(times / 60)


def two_digits(pressures):
    return np.array([float(f"{p:.1e}") for p in pressures])


def test_given_a_straight_line_when_read_then_it_is_like_a_leak_of_that_size():
    rise = read_rise(MINUTES, leak(), volume=0.02)

    assert rise.verdict == "leak"
    assert rise.ratio == pytest.approx(1.0, abs=1e-9)
    assert rise.load == pytest.approx(0.02 * 1e-5, rel=1e-9)
    assert rise.leak_at_most >= rise.load
    assert "2.0 × 10⁻⁶ mbar L/s" in rise.says


def test_given_a_rise_that_slows_when_read_then_it_is_outgassing_with_a_bound_on_the_leak():
    rise = read_rise(MINUTES, outgassing(), volume=0.02)

    assert rise.verdict == "outgassing"
    assert rise.ratio < 0.5
    assert rise.leak_at_most < rise.load
    assert "a leak is at most" in rise.says


def test_given_a_leak_under_outgassing_when_read_then_the_bound_holds_the_true_leak():
    rise = read_rise(MINUTES, outgassing() + 2e-6 * MINUTES, volume=0.02)

    assert rise.verdict == "outgassing"
    assert 2e-6 * 0.02 <= rise.leak_at_most < rise.load


@pytest.mark.parametrize("ratio", [0.86, 0.90, 0.94])
def test_given_a_ratio_between_when_read_then_it_is_undecided(ratio):
    slow = np.minimum(MINUTES, 900) + ratio * np.maximum(MINUTES - 900, 0)
    rise = read_rise(MINUTES, 1e-3 + 1e-4 * slow)

    assert rise.verdict == "undecided"
    assert rise.ratio == pytest.approx(ratio, abs=0.02)
    assert "Leave it isolated longer" in rise.says


def test_given_a_rise_that_speeds_up_when_read_then_no_leak_is_claimed():
    rise = read_rise(MINUTES, 1e-3 + 1e-9 * MINUTES**2)

    assert rise.verdict == "undecided"
    assert "speeds up" in rise.says


def test_given_a_tight_chamber_when_read_then_it_says_that_it_hardly_rose():
    steady = np.full(MINUTES.size, 5e-4)
    rise = read_rise(MINUTES, steady, volume=0.02)

    assert rise.verdict == "undecided"
    assert "hardly rose" in rise.says
    assert rise.ratio is None


def test_given_a_pumped_chamber_when_read_then_it_does_not_look_like_a_rise():
    rise = read_rise(MINUTES, 1e-3 * np.exp(-MINUTES / 600))

    assert rise.verdict == "undecided"
    assert "hardly rose" in rise.says


def test_given_a_pressure_that_fell_first_when_read_then_it_asks_whether_the_pump_was_isolated():
    pressures = 1e-3 * (1 + np.where(MINUTES < 900, -MINUTES / 9000, -0.1 + (MINUTES - 900) / 100))
    rise = read_rise(MINUTES, pressures)

    assert rise.verdict == "undecided"
    assert "was the pump isolated" in rise.says


@pytest.mark.parametrize(
    ("times", "pressures"),
    [([], []), ([0], [1e-3]), ([0, 300, 900], [1, 2, 3]), ([0, 60, 120, 180], [1, 2, 3, 4])],
)
def test_given_too_little_when_read_then_it_says_how_much_it_takes(times, pressures):
    rise = read_rise(times, pressures)

    assert rise.verdict == "undecided"
    assert rise.rate is None
    assert "at least 4 readings over 10 min" in rise.says


def test_given_readings_out_of_order_and_twice_when_read_then_the_answer_is_the_same():
    shuffled = np.random.default_rng(3).permutation(MINUTES.size)
    pressures = outgassing()
    usual = read_rise(MINUTES, pressures)

    mixed = read_rise(MINUTES[shuffled], pressures[shuffled])
    doubled = read_rise(np.repeat(MINUTES, 2), np.repeat(pressures, 2))

    assert (mixed.verdict, mixed.ratio) == (usual.verdict, pytest.approx(usual.ratio))
    assert (doubled.verdict, doubled.ratio) == (usual.verdict, pytest.approx(usual.ratio))


def test_given_all_times_equal_when_read_then_it_is_undecided():
    assert read_rise([5.0] * 6, [1.0] * 6).verdict == "undecided"


def test_given_two_digits_when_read_then_clear_rises_are_told_apart_nearly_always():
    random = np.random.default_rng(20_250_315)
    verdicts = {"leak": [], "outgassing": []}
    for _ in range(200):
        start, times = 10 ** random.uniform(-4, -1), np.sort(random.uniform(0, 1800, 12))
        grown = start * random.uniform(5, 30)
        verdicts["leak"].append(read_rise(times, two_digits(start + grown * times / 1800)).verdict)
        slowing = start + grown * np.sqrt(times / 1800)
        verdicts["outgassing"].append(read_rise(times, two_digits(slowing)).verdict)

    assert verdicts["leak"].count("outgassing") <= 4
    assert verdicts["leak"].count("leak") >= 120
    assert verdicts["outgassing"].count("leak") == 0
    assert verdicts["outgassing"].count("outgassing") >= 190


@settings(deadline=None)
@given(st.floats(1e-6, 1e3), st.floats(0.1, 10.0))
def test_the_verdict_does_not_depend_on_the_size_of_the_pressure(scale, stretch):
    usual = read_rise(MINUTES * max(stretch, 0.5), outgassing())
    scaled = read_rise(MINUTES * max(stretch, 0.5), outgassing() * scale)

    assert scaled.verdict == usual.verdict
    assert scaled.ratio == pytest.approx(usual.ratio, rel=1e-6)


def test_cautions_are_said():
    rise = read_rise(MINUTES, leak(), pumped_for=600, usual_rate=5e-6, cold_cathode=True)

    assert "pumped for 10 min only" in rise.says
    assert "2.0 times the last good rise" in rise.says
    assert "cold cathode pumps a little" in rise.says
    assert not any(word in rise.says.lower() for word in NEVER_SAID)


def test_without_a_volume_the_sentence_gives_a_rate_in_the_gauge_unit():
    rise = read_rise(MINUTES, leak(), unit="torr")

    assert rise.load is None
    assert "4.5 × 10⁻⁶ torr a minute" in rise.says


@pytest.mark.parametrize(
    ("times", "pressures", "says"),
    [
        ([0, 1], [1.0], "do not pair"),
        ([0, math.nan], [1.0, 2.0], "finite"),
        ([0, 1], [1.0, math.inf], "finite"),
        ([0, 1], [1.0, 0.0], "above zero"),
        ([0, 1], [1.0, -1.0], "above zero"),
    ],
)
def test_given_what_is_no_reading_when_read_then_it_is_refused(times, pressures, says):
    with pytest.raises(ValueError, match=says):
        read_rise(times, pressures)


def test_given_an_unknown_unit_when_read_then_it_is_refused():
    with pytest.raises(ValueError, match="not known"):
        read_rise(MINUTES, leak(), unit="furlong")


def test_loads_of_a_falling_pressure_are_negative():
    assert rise_load(0.02, 2.0, 1.0, 10.0) == pytest.approx(-0.002)


def test_warming_gas_is_not_counted_as_gas_that_came_in():
    assert molar_rise(1.0, 1000.0, 1000.0 * 303 / 293, 60, 293, 303) == pytest.approx(0, abs=1e-12)


@pytest.mark.parametrize(
    ("call", "says"),
    [
        (lambda: rise_load(0, 1, 2, 3), "volume must be above zero"),
        (lambda: rise_load(1, 1, 2, 0), "seconds must be above zero"),
        (lambda: molar_rise(1, 1, 2, 3, 0, 293), "first temperature must be above zero"),
    ],
)
def test_given_what_cannot_be_when_asked_then_the_bound_is_named(call, says):
    with pytest.raises(ValueError, match=says):
        call()
