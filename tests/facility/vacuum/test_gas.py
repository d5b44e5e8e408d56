import math
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from facility.vacuum import gas

kelvin = st.floats(255.0, 345.0)


def test_mean_speed_is_the_mean_of_the_maxwell_distribution():
    mass, temperature = 28.0134e-3 / gas.AVOGADRO, 293.15
    speeds = np.linspace(0, 4000, 40_001)
    weight = speeds**2 * np.exp(-mass * speeds**2 / (2 * gas.BOLTZMANN * temperature))

    mean = np.trapezoid(speeds * weight, speeds) / np.trapezoid(weight, speeds)

    assert gas.mean_speed(28.0134e-3, temperature) == pytest.approx(mean, rel=1e-6)


@settings(deadline=None)
@given(st.floats(1e-10, 1e5), kelvin, st.sampled_from(sorted(gas.GASES)))
def test_arrivals_are_a_quarter_of_density_times_speed(pressure, temperature, name):
    mass = gas.GASES[name].molar_mass
    quarter = gas.number_density(pressure, temperature) * gas.mean_speed(mass, temperature) / 4

    assert gas.impingement(pressure, mass, temperature) == pytest.approx(quarter, rel=1e-12)


@settings(deadline=None)
@given(st.floats(1e-8, 1e5), kelvin)
def test_the_path_of_air_is_inverse_to_pressure(pressure, temperature):
    path = gas.mean_free_path(pressure, "air", temperature)

    assert path * pressure == pytest.approx(gas.mean_free_path(1.0, "air", temperature), rel=1e-12)


def test_path_times_pressure_of_air_is_66_micrometres_pascal_hundred():
    # vacuum trade: 6.6e-3 mbar cm at 20 °C
    assert gas.mean_free_path(1.0) == pytest.approx(6.6e-3, rel=0.01)


def test_an_array_of_pressures_keeps_its_shape():
    assert gas.mean_free_path(np.array([[1.0, 2.0]])).shape == (1, 2)


@pytest.mark.parametrize(
    ("number", "regime"),
    [(0.0099, "viscous"), (0.01, "transitional"), (0.5, "transitional"), (0.51, "molecular")],
)
def test_regimes_meet_at_their_limits(number, regime):
    assert gas.flow_regime(number) == regime


def test_a_monolayer_at_a_hundredth_of_a_langmuir_takes_a_hundred_times_as_long():
    one, hundredth = (gas.impingement(p * gas.LANGMUIR, 28e-3) for p in (1, 0.01))

    assert gas.monolayer_time(hundredth) == pytest.approx(100 * gas.monolayer_time(one))
    assert gas.monolayer_time(one, sticking=0.5) == pytest.approx(2 * gas.monolayer_time(one))


def test_evaporation_balances_arrival_at_the_vapour_pressure():
    assert gas.evaporation_flux(1.0, 0.065, 600) == gas.impingement(1.0, 0.065, 600)


@settings(deadline=None)
@given(st.floats(1e-8, 1e3), st.floats(1e-8, 1e3), st.floats(1e-3, 1), st.floats(1e-3, 1))
def test_the_burst_lies_between_the_two_pressures_and_keeps_the_gas(p1, p2, v1, v2):
    both = gas.burst_on_opening(p1, v1, p2, v2)

    assert min(p1, p2) * (1 - 1e-12) <= both <= max(p1, p2) * (1 + 1e-12)
    assert both * (v1 + v2) == pytest.approx(p1 * v1 + p2 * v2, rel=1e-12)


def test_chambers_pumped_together_settle_between_their_own_pressures():
    alone = (1e-7 / 0.05, 1e-9 / 0.3)

    assert min(alone) < gas.steady_when_open(1e-7, 1e-9, 0.05, 0.3) < max(alone)


@pytest.mark.parametrize(
    ("pascal", "name"),
    [
        (1e5, "rough vacuum"),
        (100, "rough vacuum"),
        (99, "fine vacuum"),
        (0.09, "high vacuum"),
        (5e-6, "ultra-high vacuum"),
    ],
)
def test_vacuum_classes(pascal, name):
    assert gas.vacuum_class(pascal) == name


def test_given_the_newer_limit_when_classed_then_5e_8_mbar_is_high_vacuum():
    assert gas.vacuum_class(5e-6, ultra_high_below=1e-6) == "high vacuum"


def test_ice_is_drier_the_colder_it_is():
    pressures = [gas.ice_pressure(t) for t in np.linspace(190, 273.16, 50)]

    assert all(cold < warm for cold, warm in pairwise(pressures))


def test_gases_are_found_by_the_names_people_use():
    assert gas.gas_named(" Water vapour ").name == "water"
    assert gas.gas_named("ARGON").name == "argon"


@pytest.mark.parametrize(
    ("call", "says"),
    [
        (lambda: gas.gas_named("phlogiston"), "phlogiston"),
        (lambda: gas.mean_speed(0), "molar mass must be above zero"),
        (lambda: gas.mean_speed(0.028, -1), "temperature must be above zero"),
        (lambda: gas.mean_speed(math.nan), "above zero"),
        (lambda: gas.number_density(-1.0), "pressure must not be below zero"),
        (lambda: gas.viscosity("xenon"), "no viscosity on file for xenon"),
        (lambda: gas.viscosity("air", 400), "250 to 350 K"),
        (lambda: gas.mean_free_path(0.0), "pressure must be above zero"),
        (lambda: gas.mean_free_path(np.array([1.0, math.nan])), "above zero"),
        (lambda: gas.knudsen(1.0, 0.0), "width must be above zero"),
        (lambda: gas.flow_regime(0.0), "above zero"),
        (lambda: gas.impingement(-1e-6, 0.028), "below zero"),
        (lambda: gas.monolayer_time(1.0, sticking=2), "fraction up to 1"),
        (lambda: gas.langmuirs(-1, 1), "below zero"),
        (lambda: gas.ice_pressure(280), "273.16 K"),
        (lambda: gas.gas_quantity(-1, 0.1), "mass must not be below zero"),
        (lambda: gas.burst_on_opening(1, 0, 1, 1), "intro volume must be above zero"),
        (lambda: gas.steady_when_open(1, 1, 0, 0), "speed must be above zero"),
        (lambda: gas.vacuum_class(0), "above zero"),
    ],
)
def test_given_what_cannot_be_when_asked_then_the_value_and_the_bound_are_named(call, says):
    with pytest.raises(ValueError, match=says):
        call()
