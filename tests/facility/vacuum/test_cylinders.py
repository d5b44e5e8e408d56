import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from facility.vacuum import cylinders, oxygen

NEVER_SAID = ("invalid", "illegal", "forbidden", "error", "please", "sorry", "oops")
gases = st.sampled_from(sorted(cylinders.COMPRESSIBILITY))
kelvin = st.floats(255.0, 325.0)
VOLUME = 0.050


@pytest.mark.parametrize("gas", sorted(cylinders.COMPRESSIBILITY))
def test_a_dilute_gas_is_ideal(gas):
    assert cylinders.compressibility(gas, 0.0, 300.0) == pytest.approx(1.0, abs=1e-12)
    assert cylinders.compressibility(gas, 1e5, 300.0) == pytest.approx(1.0, abs=1e-3)


@settings(deadline=None)
@given(gases, st.floats(1e3, 290e5), kelvin)
def test_more_pressure_is_more_gas_and_warmer_is_less(gas, pressure, temperature):
    here = cylinders.density(gas, pressure, temperature)

    assert cylinders.density(gas, pressure * 1.02, temperature) > here
    assert cylinders.density(gas, pressure, temperature + 2) < here


@settings(deadline=None)
@given(gases, st.floats(1e5, 200e5), kelvin, kelvin)
def test_warming_a_closed_bottle_keeps_its_gas(gas, pressure, temperature, other):
    later = cylinders.at_temperature(gas, pressure, temperature, other)

    assert cylinders.density(gas, later, other) == pytest.approx(
        cylinders.density(gas, pressure, temperature), rel=1e-9
    )


def test_cold_argon_near_the_end_of_the_table_is_still_found():
    found = cylinders.at_temperature("argon", 290e5, 260.0, 260.0)

    assert found == pytest.approx(290e5, rel=1e-12)


@settings(deadline=None)
@given(gases, st.floats(1e5, 250e5), kelvin)
def test_gas_let_out_and_weighed_again_is_the_same(gas, pressure, temperature):
    mass = cylinders.content(gas, VOLUME, pressure, temperature)
    out = cylinders.free_volume(gas, mass, 101325.0, 293.15)

    assert out * cylinders.density(gas, 101325.0, 293.15) == pytest.approx(mass, rel=1e-12)


def test_the_ideal_law_overstates_nitrogen_and_understates_argon():
    nitrogen, argon = (cylinders.compressibility(g, 200e5) for g in ("nitrogen", "argon"))

    assert nitrogen == pytest.approx(1.05, abs=0.01)
    assert argon == pytest.approx(0.94, abs=0.01)


def test_vents_agree_with_letting_the_gas_out_one_by_one():
    left = cylinders.content("nitrogen", VOLUME, 200e5, 293.15)
    rest = cylinders.content("nitrogen", VOLUME, cylinders.EMPTY, 293.15)
    vents = 0
    while left - (each := cylinders.use_of_vents("nitrogen", 1, 0.020)) >= rest:
        left, vents = left - each, vents + 1

    assert math.floor(cylinders.vents_left("nitrogen", VOLUME, 200e5, 0.020)) == vents == 456


def test_ten_minutes_of_flushing_cost_more_than_the_vent_itself():
    # 5 L chamber and 10 min at 5 L/min: about 160 vents from 50 L at 200 bar (own calculation)
    vents = cylinders.vents_left("nitrogen", VOLUME, 200e5, 0.005, purge=0.050)

    assert vents == pytest.approx(166, abs=5)


def test_an_empty_bottle_vents_nothing():
    assert cylinders.vents_left("nitrogen", VOLUME, 3e5, 0.005) == 0.0


def test_given_a_steady_fall_when_asked_then_run_out_is_in_gas_not_in_bar():
    days = np.arange(0, 40, 10.0)
    start = cylinders.density("nitrogen", 200e5, cylinders.ROOM)
    levels = start * (1 - days / 100)  # as mass: empty on day 100, at rest a little before
    pressures = [cylinders._pressure_of("nitrogen", level) for level in levels]

    found = cylinders.run_out(days, pressures, VOLUME)

    rest = cylinders.density("nitrogen", cylinders.EMPTY, cylinders.ROOM)
    assert found.likely == pytest.approx(100 * (1 - rest / start) - 30, rel=1e-3)
    assert found.soonest < found.likely < found.latest
    assert found.use_per_day == pytest.approx(start * VOLUME / 100, rel=1e-3)
    assert "80 % between" in found.says


def bottle(random, vents_a_day):
    """Mass of gas [kg] at each day's end: some vents on five days of seven, until it is empty."""
    left = [cylinders.content("nitrogen", VOLUME, 200e5, cylinders.ROOM)]
    while left[-1] > 0.2:
        vents = random.poisson(vents_a_day) if len(left) % 7 < 5 else 0
        left.append(left[-1] - cylinders.use_of_vents("nitrogen", vents, 0.012))
    return np.array(left)


@pytest.mark.parametrize(("readings", "every", "vents"), [(3, 14, 6), (8, 7, 6), (20, 7, 6)])
def test_given_bottles_emptied_at_random_when_asked_then_the_interval_holds_at_least_75_percent(
    readings, every, vents
):
    random = np.random.default_rng(20_250_317)
    rest = cylinders.content("nitrogen", VOLUME, cylinders.EMPTY, cylinders.ROOM)
    inside = []
    for _ in range(80):
        left = bottle(random, vents)
        empty = int(np.argmax(left <= rest))
        days = np.arange(readings) * every
        days = days[days < empty - 1]
        shown = [cylinders._pressure_of("nitrogen", m / VOLUME) for m in left[days]]
        shown = np.maximum(shown + random.uniform(-5e5, 5e5, days.size), 2e5)
        found = cylinders.run_out(days, shown, VOLUME)
        latest = math.inf if found.latest is None else found.latest
        soonest = math.inf if found.soonest is None else found.soonest
        inside.append(soonest <= empty - days[-1] <= latest)

    assert np.mean(inside) >= 0.75


def test_given_no_use_when_asked_then_the_bottle_lasts():
    found = cylinders.run_out([0, 30, 60], [150e5, 150e5, 150e5], VOLUME)

    assert found.likely is None
    assert "lasts" in found.says


def test_given_an_empty_bottle_when_asked_then_change_it():
    found = cylinders.run_out([0, 30], [20e5, 5e5], VOLUME)

    assert (found.soonest, found.likely, found.latest) == (0.0, 0.0, 0.0)
    assert "change it" in found.says


def test_given_a_cold_morning_when_compared_then_the_drop_is_not_a_loss():
    cold = cylinders.at_temperature("argon", 180e5, 298.15, 285.15)

    seen = cylinders.loss(
        [0, 10], [180e5, cold], VOLUME, 0.0, gas="argon", temperatures=[298.15, 285.15]
    )

    assert cold < 180e5 - 10e5
    assert not seen.alarm
    assert seen.drop == pytest.approx(0, abs=1e3)


def test_given_use_that_explains_the_fall_when_compared_then_there_is_no_alarm():
    used = cylinders.use_of_vents("nitrogen", 200, 0.012)
    level = cylinders.density("nitrogen", 200e5, cylinders.ROOM) - used / VOLUME
    seen = cylinders.loss([0, 30], [200e5, cylinders._pressure_of("nitrogen", level)], VOLUME, used)

    assert not seen.alarm
    assert seen.explained == pytest.approx(seen.drop, rel=1e-6)


@pytest.mark.parametrize(("fall", "alarm"), [(14e5, False), (16e5, True)])
def test_given_an_argon_bottle_that_falls_when_compared_then_three_readings_off_is_the_limit(
    fall, alarm
):
    gun = cylinders.use_of_gun("argon", 10, 15e-3, 0.050)
    seen = cylinders.loss([0, 7], [180e5, 180e5 - fall], VOLUME, gun, gas="argon")

    assert seen.alarm is alarm
    assert seen.limit == 15e5
    assert ("look for a leak" in seen.says) is alarm


def test_given_less_than_a_week_when_compared_then_no_loss_is_claimed_yet():
    assert not cylinders.loss([0, 6.9], [200e5, 150e5], VOLUME, 0.0).alarm


def test_given_a_bottle_that_will_not_reach_the_delivery_when_compared_then_order_earlier():
    used = cylinders.content("nitrogen", VOLUME, 60e5) - cylinders.content("nitrogen", VOLUME, 30e5)
    seen = cylinders.loss([0, 30], [60e5, 30e5], VOLUME, used, delivery_in=60)

    assert seen.alarm
    assert "order earlier" in seen.says


def test_a_filling_in_the_explained_use_below_nothing_is_not_more_than_the_bottle():
    assert cylinders.loss([0, 30], [60e5, 30e5], VOLUME, 99.0).explained == pytest.approx(60e5)


@settings(deadline=None)
@given(st.floats(0, 200), st.floats(10, 500))
def test_oxygen_is_never_below_nothing_and_mixing_leaves_more_than_displacing(gas, room):
    displaced, mixed = oxygen.oxygen_left(gas, room), oxygen.oxygen_mixed(gas, room)

    assert 0 <= displaced <= mixed <= 20.9


@pytest.mark.parametrize(
    ("gas", "severity", "says"),
    [
        (1, None, "20.6 %"),
        (5, "staff", "competent person must assess"),
        (10, "staff", "leave at once"),
        (100, "staff", "0.0 %"),
    ],
)
def test_the_worst_case_of_a_room_says_what_to_do(gas, severity, says):
    case = oxygen.worst_oxygen(gas, 60)

    assert case.severity == severity
    assert says in case.says
    assert "screening sum" in case.says
    assert not any(word in case.says.lower() for word in NEVER_SAID)


def test_ventilation_stronger_than_a_leak_leaves_oxygen():
    assert oxygen.oxygen_with_ventilation(0, 60) == 20.9
    assert oxygen.oxygen_with_ventilation(90, 60) == 0.0


def test_a_dial_shows_what_is_above_the_air_around():
    assert cylinders.from_dial(0) == 101325.0


@pytest.mark.parametrize(
    ("call", "says"),
    [
        (lambda: cylinders.compressibility("xenon", 1e5), "no table for xenon"),
        (lambda: cylinders.compressibility("nitrogen", 301e5), "0 to 300 bar"),
        (lambda: cylinders.compressibility("nitrogen", -1), "0 to 300 bar"),
        (lambda: cylinders.compressibility("nitrogen", math.nan), "0 to 300 bar"),
        (lambda: cylinders.compressibility("nitrogen", 1e5, 200), "250 to 330 K"),
        (lambda: cylinders.at_temperature("nitrogen", 290e5, 280, 320), "0 to 300 bar"),
        (lambda: cylinders.content("nitrogen", 0, 1e5), "volume must be above zero"),
        (lambda: cylinders.free_volume("nitrogen", -1), "mass must not be below zero"),
        (lambda: cylinders.free_volume("nitrogen", 1, 0), "pressure must be above zero"),
        (lambda: cylinders.vents_left("nitrogen", 0.05, 1e7, 0), "chamber volume must be above"),
        (lambda: cylinders.use_of_gun("argon", -1, 1, 1), "hours must not be below zero"),
        (lambda: cylinders.from_dial(-1), "dial must not be below zero"),
        (lambda: cylinders.run_out([0], [1e7], 0.05), "two different days"),
        (lambda: cylinders.run_out([3, 3], [1e7, 1e7], 0.05), "two different days"),
        (lambda: cylinders.run_out([0, 1], [1e7], 0.05), "do not pair"),
        (lambda: cylinders.run_out([0, math.nan], [2e7, 1e7], 0.05), "must be finite"),
        (lambda: cylinders.run_out([0, 1], [2e7, math.nan], 0.05), "0 to 300 bar"),
        (lambda: cylinders.run_out([0, 1], [2e7, 1e7], 0.05, reading=0), "reading must be above"),
        (lambda: cylinders.loss([0, 9], [2e7, 1e7], 0.05, -1), "explained use must not be below"),
        (lambda: cylinders.loss([0, 9], [2e7, 1e7], 0.05, 0, unit="stone"), "not known"),
        (lambda: oxygen.oxygen_left(-1, 60), "gas volume must not be below zero"),
        (lambda: oxygen.oxygen_left(1, 0), "room volume must be above zero"),
        (lambda: oxygen.oxygen_mixed(1, 0), "room volume must be above zero"),
        (lambda: oxygen.oxygen_with_ventilation(1, 0), "ventilation must be above zero"),
        (lambda: oxygen.liquid_nitrogen_gas(-1), "volume must not be below zero"),
    ],
)
def test_given_what_cannot_be_when_asked_then_the_value_and_the_bound_are_named(call, says):
    with pytest.raises(ValueError, match=says):
        call()
