import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from facility.vacuum import flow

positive = st.floats(1e-6, 1e3)


def clausing(slender, cells=400):
    """Transmission of a round tube, length / radius = slender, by solving Clausing's equation.

    w(x) is the chance that a molecule hitting the wall at x leaves at the far end; what the wall
    sends to a ring and to a disc follows from view factors of coaxial discs.
    """
    edges = np.linspace(0, slender, cells + 1)
    centres = (edges[:-1] + edges[1:]) / 2

    def disc_to_disc(gap):
        return 1 + gap**2 / 2 - gap * np.sqrt(gap**2 / 4 + 1)

    def ring_to_disc(gap):  # per unit of wall area, from a ring at that distance to an end disc
        return (gap**2 / 2 + 1) / np.sqrt(gap**2 + 4) - gap / 2

    # ring i to ring j: what passes the disc at one edge of j but not the other
    near, far = np.abs(centres[:, None] - edges[:-1]), np.abs(centres[:, None] - edges[1:])
    kernel = np.abs(ring_to_disc(near) - ring_to_disc(far))
    own = np.eye(cells, dtype=bool)
    kernel[own] = 1 - 2 * ring_to_disc(np.diff(edges) / 2)
    leaves = ring_to_disc(slender - centres)
    chance = np.linalg.solve(np.eye(cells) - kernel, leaves)
    first_hit = disc_to_disc(edges[:-1]) - disc_to_disc(edges[1:])
    return disc_to_disc(slender) + (first_hit * chance).sum()


def test_the_solved_equation_gives_the_published_transmission_of_a_tube_as_long_as_wide():
    # Clausing's value for length = 2 radii: 0.5136 as printed by Dushman (from memory); 0.5142 (Cole).
    assert clausing(2.0) == pytest.approx(0.514, abs=1e-3)


@pytest.mark.parametrize("slender", [0.05, 0.2, 0.5, 1.0, 2.0, 4.0, 10.0, 20.0, 60.0])
def test_transmission_is_within_1_percent_of_clausings_equation(slender):
    assert flow.transmission(2.0, slender) == pytest.approx(clausing(slender), rel=0.01)


def test_a_short_tube_is_an_orifice_and_a_long_one_the_long_tube_formula():
    area = math.pi * 0.05**2 / 4

    assert flow.tube_conductance(0.05, 0.0) == pytest.approx(flow.orifice_conductance(area))
    assert flow.tube_conductance(0.05, 50.0) == pytest.approx(
        flow.long_tube_conductance(0.05, 50.0), rel=0.003
    )


def test_molecular_and_viscous_constants_of_air():
    assert flow.long_tube_conductance(0.01, 0.01) * 1e3 == pytest.approx(12.1, rel=0.005)
    assert flow.viscous_tube_conductance(0.01, 0.01, 100.0) * 1e3 == pytest.approx(135, rel=0.01)


def test_a_half_shut_valve_costs_more_in_molecular_flow():
    wide = flow.effective_speed(0.05, flow.viscous_tube_conductance(0.02, 0.3, 1e4))
    thin = flow.effective_speed(0.05, flow.tube_conductance(0.02, 0.3))

    assert wide > 0.9 * 0.05
    assert thin < 0.1 * 0.05


@settings(deadline=None)
@given(st.lists(positive, min_size=1, max_size=5))
def test_a_series_is_smaller_than_its_smallest_and_parallel_larger_than_its_largest(pieces):
    assert flow.in_series(*pieces) <= min(pieces) * (1 + 1e-12)
    assert flow.in_parallel(*pieces) >= max(pieces)


@settings(deadline=None)
@given(positive, positive, st.floats(10, 1e4), st.floats(1.01, 10))
def test_pump_times_add_up(volume, speed, end, step):
    there = flow.pump_time(volume, speed, end * step**2, end * step)
    on = flow.pump_time(volume, speed, end * step, end)

    assert there + on == pytest.approx(flow.pump_time(volume, speed, end * step**2, end), rel=1e-9)


def test_pump_time_agrees_with_stepping_the_gas_balance():
    volume, speed, ultimate, pressure, seconds, step = 0.02, 0.005, 2.0, 1e5, 0.0, 1e-3
    while pressure > 100.0:
        middle = pressure - (pressure - ultimate) * speed / volume * step / 2
        pressure -= (middle - ultimate) * speed / volume * step
        seconds += step

    assert flow.pump_time(volume, speed, 1e5, 100.0, ultimate) == pytest.approx(seconds, rel=1e-3)


@settings(deadline=None)
@given(st.floats(1e-10, 1e-3), st.floats(0.3, 1.2), st.floats(60, 1e6), st.floats(1.5, 20))
def test_a_power_law_gives_its_exponent_and_its_time_back(rate, exponent, seconds, later):
    first = flow.outgassing_rate(rate, exponent, seconds)
    second = flow.outgassing_rate(rate, exponent, seconds * later)

    found = flow.exponent_between(seconds, first, seconds * later, second)
    assert found == pytest.approx(exponent, rel=1e-6)
    reached = flow.time_on_power_law(seconds, first, found, second)
    assert reached == pytest.approx(seconds * later, rel=1e-6)


def test_given_noise_when_fitted_then_the_exponent_comes_back_within_its_scatter():
    random = np.random.default_rng(20_250_314)
    times = np.geomspace(600, 36_000, 60)
    values = 1e-4 * (times / 3600) ** -0.93 * np.exp(random.normal(0, 0.02, 60))

    exponent, at_1h = flow.power_law_fit(times, values)

    assert exponent == pytest.approx(0.93, abs=0.01)
    assert at_1h == pytest.approx(1e-4, rel=0.01)


def test_one_square_centimetre_of_viton_counts_as_eighty_five_of_steel():
    steel, viton = flow.UNBAKED["stainless steel"], flow.UNBAKED["Viton A"]

    assert viton.rate_1h / steel.rate_1h == pytest.approx(85, rel=0.02)


def test_every_table_row_has_a_source_and_baked_is_cleaner_than_unbaked():
    assert all(row.source for row in flow.UNBAKED.values())
    assert all(source for _, source in flow.BAKED.values())
    dirtiest_baked = max(rate for rate, _ in flow.BAKED.values())
    assert dirtiest_baked < min(row.rate_1h for row in flow.UNBAKED.values())


@pytest.mark.parametrize(
    ("call", "says"),
    [
        (lambda: flow.orifice_conductance(0), "area must be above zero"),
        (lambda: flow.long_tube_conductance(0.1, 0), "length must be above zero"),
        (lambda: flow.transmission(0.1, -1), "length must not be below zero"),
        (lambda: flow.viscous_tube_conductance(0.1, 1, 0), "mean pressure must be above zero"),
        (lambda: flow.in_series(), "at least one"),
        (lambda: flow.in_series(1.0, 0.0), "above zero"),
        (lambda: flow.in_parallel(1.0, -1.0), "above zero"),
        (lambda: flow.ultimate_pressure(-1.0, 1.0), "gas load must not be below zero"),
        (lambda: flow.ultimate_pressure(1.0, 0.0), "speed must be above zero"),
        (lambda: flow.pump_time(1, 1, 1e5, 1e-4), "outgassing decides"),
        (lambda: flow.pump_time(1, 1, 100, 1000), "falls from start"),
        (lambda: flow.pump_time(1, 1, 1e5, 20, ultimate=20), "ultimate pressure"),
        (lambda: flow.pump_time(0, 1, 1e5, 100), "volume must be above zero"),
        (lambda: flow.outgassing_rate(1e-5, -0.1, 10), "does not grow"),
        (lambda: flow.outgassing_rate(1e-5, 1.0, 0), "seconds must be above zero"),
        (lambda: flow.exponent_between(10, 1, 10, 2), "two different times"),
        (lambda: flow.exponent_between(0, 1, 10, 2), "time must be above zero"),
        (lambda: flow.power_law_fit([1.0], [1.0]), "at least two pairs"),
        (lambda: flow.power_law_fit([1.0, 2.0], [1.0, 0.0]), "values must be above zero"),
        (lambda: flow.power_law_fit([1.0, 2.0], [1.0, math.nan]), "values must be above zero"),
    ],
)
def test_given_what_cannot_be_when_asked_then_the_value_and_the_bound_are_named(call, says):
    with pytest.raises(ValueError, match=says):
        call()
