import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from facility.vacuum import gauges
from facility.vacuum.units import TORR

NEVER_SAID = ("invalid", "illegal", "forbidden", "error", "please", "sorry", "oops")


@pytest.mark.parametrize(
    ("text", "key"),
    [
        ("pirani", "pirani"),
        ("Pirani 1", "pirani"),
        ("cold cathode", "cold_cathode"),
        ("Cold-Cathode", "cold_cathode"),
        ("cold_cathode", "cold_cathode"),
        ("CC", "cold_cathode"),
        ("Penning", "cold_cathode"),
        ("ion gauge", "hot_cathode"),
        ("hot cathode", "hot_cathode"),
        ("capacitance manometer", "capacitance"),
        ("full range", "combined"),
        ("Pirani + cold cathode", "combined"),
    ],
)
def test_a_gauge_name_gives_its_principle(text, key):
    assert gauges.principle_named(text).key == key


@pytest.mark.parametrize("text", ["G-17", "", "vacc", "station"])
def test_a_mere_code_gives_no_principle(text):
    assert gauges.principle_named(text) is None


def test_readings_are_placed_in_the_range_of_their_gauge():
    shown = [1e-8, 1e-5, 0.5, 50.0, 1e5]

    assert gauges.where_in_range(shown, "pirani").tolist() == ["under", "under", "in", "in", "over"]
    assert gauges.where_in_range(shown, "cold_cathode").tolist() == [
        *("under", "in", "in", "over", "over")
    ]


@pytest.mark.parametrize("stop", [1e5, 101_300.0, 101_325.0, 1000 * TORR])
def test_given_a_pirani_at_its_stop_when_marked_then_the_fall_is_kept(stop):
    shown = [stop] * 5 + [400.0, 30.0, 2.0]

    assert gauges.clamped(shown, "pirani").tolist() == [True] * 5 + [False] * 3


def test_given_an_ion_gauge_at_its_stop_when_marked_then_it_is_no_reading():
    shown = [1.0, 1.0, 1.0, 0.4, 0.02]

    assert gauges.clamped(shown, "cold_cathode").tolist() == [True, True, True, False, False]


def test_given_a_flat_tail_when_marked_then_it_is_kept():
    shown = [2e-4, 9e-5, 6e-5, 5.1e-5, 5.1e-5, 5.1e-5, 5.1e-5]

    assert not gauges.clamped(shown, "cold_cathode").any()
    assert not gauges.clamped(shown).any()


def test_given_an_honest_1e_3_mbar_when_marked_then_only_a_pirani_calls_it_its_floor():
    shown = [50.0, 4.0, 0.1, 0.1, 0.1]

    assert gauges.clamped(shown, "pirani").tolist() == [False, False, True, True, True]
    assert not gauges.clamped(shown, "cold_cathode").any()
    assert not gauges.clamped(shown).any()


def test_given_one_reading_at_a_stop_when_marked_then_it_is_kept():
    assert not gauges.clamped([1e5, 400.0, 30.0, 2.0], "pirani").any()


@pytest.mark.parametrize("shown", [[], [1e5], [math.nan] * 4])
def test_given_next_to_nothing_when_marked_then_nothing_is_a_clamp(shown):
    assert gauges.clamped(shown).tolist() == [False] * len(shown)


@settings(deadline=None)
@given(st.lists(st.floats(1e-6, 9e4), min_size=1, max_size=40))
def test_readings_that_never_repeat_are_never_clamps(shown):
    assert not gauges.clamped(sorted(set(shown), reverse=True)).any()


def test_given_a_late_ignition_when_marked_then_the_time_before_is_no_reading():
    shown = [0.0, 1e-7, 1e-7, 4e-4, 3.5e-4]

    assert gauges.not_lit(shown, floor=1e-7).tolist() == [True, True, True, False, False]


def test_given_a_gauge_that_goes_out_when_marked_then_the_drop_is_no_reading():
    shown = [4e-4, 3e-4, 1e-7, 1e-7, 2.6e-4]

    assert gauges.not_lit(shown, floor=1e-7).tolist() == [False, False, True, True, False]


def test_given_a_pressure_that_creeps_to_the_floor_when_marked_then_it_is_kept():
    shown = [5e-7, 3e-7, 1.5e-7, 1e-7, 1e-7]

    assert not gauges.not_lit(shown, floor=1e-7).any()


def test_given_only_floor_readings_when_marked_then_nothing_is_known():
    assert not gauges.not_lit([1e-7, 1e-7], floor=1e-7).any()
    assert gauges.may_be_unlit(1e-7)


def test_given_two_gauges_a_pipe_apart_when_compared_then_the_offset_is_said():
    coarse = np.array([50.0, 0.9, 0.5, 0.3, 0.15, 0.01])
    offset = gauges.offset_between(coarse, coarse / 8)

    assert offset.ratio == pytest.approx(8)
    assert offset.pairs == 4
    assert "coarse gauge reads 8.0 times higher" in offset.says


def test_given_gauges_that_agree_when_compared_then_it_says_so():
    assert "agree" in gauges.offset_between([0.5, 0.3], [0.45, 0.31]).says


def test_given_no_common_range_when_compared_then_there_is_no_offset():
    assert gauges.offset_between([50.0, 0.5], [1.0, math.nan]) is None


def test_argon_reads_high_on_an_ion_gauge_and_low_on_a_pirani():
    assert gauges.true_pressure(1e-4, "cold_cathode", "argon") < 1e-4
    assert gauges.true_pressure(10.0, "pirani", "argon") > 10.0
    assert gauges.true_pressure(10.0, "combined", "argon") > 10.0
    assert gauges.true_pressure(10.0, "capacitance", "argon") == 10.0


def test_nitrogen_reads_true_everywhere():
    shown = np.array([2.0, 50.0])

    assert gauges.true_pressure(shown, "pirani", "nitrogen").tolist() == [2.0, 50.0]
    assert gauges.true_pressure(1e-6, "hot_cathode", "nitrogen") == 1e-6


def test_the_low_end_joins_the_linear_part():
    at = gauges.LINEAR_DOWN_TO

    assert gauges.low_end(at * (1 - 1e-9)) == pytest.approx(gauges.low_end(at), rel=1e-8)
    assert gauges.low_end(at / 100) > at / 100


def test_given_a_suspiciously_good_reading_when_judged_then_a_second_gauge_is_asked_for():
    found = gauges.too_good(1e-8, [1e-7] * 30)

    assert found.limit == pytest.approx(3e-8)
    assert "10 times better" in found.says
    assert "second gauge" in found.says


@pytest.mark.parametrize(
    ("reading", "idle", "agrees"),
    [
        (3e-8, [1e-7] * 30, False),
        (1e-8, [1e-7] * 29, False),
        (1e-8, [1e-7] * 30, True),
        (1e-8, [1e-6] * 5 + [2e-8] * 30, False),
    ],
)
def test_given_an_ordinary_or_quiet_case_when_judged_then_nothing_is_said(reading, idle, agrees):
    assert gauges.too_good(reading, idle, second_gauge_agrees=agrees) is None


def test_ordinary_scatter_is_never_too_good_in_a_thousand_readings():
    random = np.random.default_rng(20_250_316)
    idle = 1e-7 * np.exp(random.normal(0, 0.15, 1030))

    flags = [gauges.too_good(idle[n], idle[n - 30 : n]) for n in range(30, 1030)]

    assert not any(flags)


def test_the_dose_of_an_exponential_fall_is_exact_with_two_readings():
    speed, seconds, start = 1 / 600, 3000.0, 1.0
    exact = start / speed * (1 - math.exp(-speed * seconds))

    assert gauges.dose([0, seconds], [start, start * math.exp(-speed * seconds)]) == pytest.approx(
        exact, rel=1e-12
    )


@settings(deadline=None)
@given(st.lists(st.floats(1e-8, 1.0), min_size=3, max_size=20), st.integers(1, 18))
def test_doses_add_up(pressures, cut):
    times = np.arange(len(pressures)) * 60.0
    cut = min(cut, len(pressures) - 1)

    parts = gauges.dose(times[: cut + 1], pressures[: cut + 1]) + gauges.dose(
        times[cut:], pressures[cut:]
    )

    assert parts == pytest.approx(gauges.dose(times, pressures), rel=1e-9)


def test_time_while_the_gauge_was_off_counts_nothing():
    assert gauges.dose([0, 60, 120, 180], [1.0, 1.0, math.nan, 1.0]) == pytest.approx(60.0)
    assert gauges.dose([], []) == 0.0


@pytest.mark.parametrize(
    ("amount", "says"), [(0.4, None), (0.6, "plan its cleaning"), (1.2, "clean or change it")]
)
def test_the_dose_says_what_it_asks_for(amount, says):
    sentence = gauges.dose_sentence(amount * gauges.MBAR_HOUR)

    assert sentence is None if says is None else says in sentence
    assert not any(word in (sentence or "").lower() for word in NEVER_SAID)


@pytest.mark.parametrize(
    ("call", "says"),
    [
        (lambda: gauges.where_in_range([1.0], "sundial"), "no gauge principle “sundial”"),
        (lambda: gauges.not_lit([1.0], floor=0), "floor must be above zero"),
        (lambda: gauges.may_be_unlit(-1), "zero or above"),
        (lambda: gauges.may_be_unlit(math.nan), "zero or above"),
        (lambda: gauges.offset_between([1.0], [1.0, 2.0]), "do not pair"),
        (lambda: gauges.true_pressure(1e-4, "cold_cathode", "phlogiston"), "no gas factor"),
        (lambda: gauges.true_pressure(1e-3, "pirani", "argon"), "1e-2 to 1 mbar"),
        (lambda: gauges.true_pressure(0.5, "combined", "argon"), "blends two heads"),
        (lambda: gauges.true_pressure(-1, "pirani", "argon"), "zero or above"),
        (lambda: gauges.true_pressure(1e-4, "hot_cathode", "argon", 0), "above zero"),
        (lambda: gauges.low_end(0), "above zero"),
        (lambda: gauges.dirt_reads(0), "above zero"),
        (lambda: gauges.too_good(0, [1.0] * 30), "above zero"),
        (lambda: gauges.dose([0, 60, 30], [1, 1, 1]), "run back"),
        (lambda: gauges.dose([0, 60], [1.0, 0.0]), "above zero"),
        (lambda: gauges.dose([0, 60], [1.0]), "do not pair"),
        (lambda: gauges.hours_until(1, 0), "above zero"),
    ],
)
def test_given_what_cannot_be_when_asked_then_the_value_and_the_bound_are_named(call, says):
    with pytest.raises(ValueError, match=says):
        call()
