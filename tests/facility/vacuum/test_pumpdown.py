import math

import numpy as np
import pytest
from scipy import stats

from facility.vacuum import chances
from facility.vacuum.pumpdown import KNOTS, Seen, basis, expected_curve, expected_time, seen
from facility.vacuum.usual import fit_curves, prior_curves
from tests.facility.vacuum.test_runs import falling, run


def test_the_basis_is_straight_interpolation():
    heights = np.random.default_rng(1).normal(size=KNOTS.size)
    x = np.linspace(KNOTS[0], KNOTS[-1], 300)

    assert np.allclose(basis(x) @ heights, np.interp(x, KNOTS, heights))


@pytest.mark.parametrize("threshold", [1e-7, 1e-4, 1e-2, 10.0])
def test_the_expected_curve_reaches_the_threshold_at_the_expected_time(threshold):
    typical = expected_time(threshold)

    height = (basis(np.array([math.log(typical)])) @ expected_curve(typical))[0]

    assert height == pytest.approx(0, abs=0.05)


def test_the_published_load_lock_is_met_where_the_limits_allow_it():
    # MAX IV Bloch beamline: 1e-7 mbar after 2 h (blochdocs.maxiv.lu.se/loadlock.html)
    assert expected_time(1e-5) == pytest.approx(7200, rel=0.15)


def test_given_a_logger_when_seen_then_steps_of_the_clock_are_put_together():
    times = np.arange(10.0, 3610.0, 10.0)

    points = seen(run(falling(times)), 1e-4)

    assert points.x.size < 50
    assert points.count.sum() == (times >= 40).sum()
    assert np.allclose(points.y, math.log(3600) - points.x, atol=0.02)


def test_given_few_readings_when_seen_then_each_stays_itself():
    points = seen(run(falling([120, 600, 1800])), 1e-4)

    assert np.allclose(np.exp(points.x), [120, 600, 1800])


def test_the_normal_function_against_scipy():
    z = np.linspace(-8, 8, 401)

    assert np.allclose(chances._normal(z), stats.norm.cdf(z), atol=2e-7)


def test_conditioning_on_readings_against_the_textbook_formula():
    """One candidate, a few readings: odds against scipy's own conditional normal."""
    curves = prior_curves(1e-4)
    points = Seen(np.log([300.0, 900.0]), np.array([2.6, 1.5]), np.full(2, 4.0), np.ones(2))
    spread = curves.spread[None]

    left, odds = chances.chances(curves, points, 900.0, curves.mean[None], spread, np.ones(1))

    read, noise = basis(points.x), np.diag(chances.noise_of(curves, points))
    gain = spread[0] @ read.T @ np.linalg.inv(read @ spread[0] @ read.T + noise)
    mean = curves.mean + gain @ (points.y - read @ curves.mean)
    cov = spread[0] - gain @ read @ spread[0]
    at = basis(np.log(900.0 + np.r_[0.0, left]))
    alive = stats.norm.cdf(at @ mean / np.sqrt(np.einsum("gk,kl,gl->g", at, cov, at)))
    alive = np.minimum.accumulate(alive)
    assert np.allclose(odds, alive[1:] / alive[0], atol=1e-5)


def test_given_many_runs_of_a_known_kind_when_fitted_then_their_mean_and_spread_come_back():
    rng = np.random.default_rng(3)
    truth = expected_curve(3000.0)
    seens = []
    for _ in range(120):
        x = np.sort(rng.uniform(math.log(60), math.log(6000), 12))
        y = basis(x) @ truth + rng.normal(0, 0.3) + rng.normal(0, 0.02, 12)
        seens.append(Seen(x, y, np.full(12, 1.0), np.ones(12)))

    curves, heights, _ = fit_curves(1e-4, seens)

    at = basis(np.log([600.0, 1500.0, 3000.0]))
    assert np.allclose(at @ curves.mean, at @ truth, atol=0.09)
    assert np.allclose(np.sqrt(np.einsum("gk,kl,gl->g", at, curves.spread, at)), 0.3, atol=0.05)
    assert np.std((heights - truth) @ at.T, axis=0) == pytest.approx([0.3] * 3, abs=0.05)


def test_given_slow_runs_alone_read_late_when_fitted_then_the_usual_curve_keeps_its_slope():
    rng, seens = np.random.default_rng(2), []
    for level in rng.normal(0, 0.3, 40):  # each run ends soon after it is below the threshold
        x = np.log(np.geomspace(120, 3000 * np.exp(level) * 1.2, 10))
        y = -1.0 * (x - np.log(3000)) + level + rng.normal(0, 0.02, x.size)
        seens.append(Seen(x, y, np.full(x.size, 4.0), np.ones(x.size)))

    curves, _, _ = fit_curves(1e-4, seens)

    late = np.interp(np.log([3000.0, 7000.0]), KNOTS, curves.mean)
    assert (late[1] - late[0]) / np.log(7 / 3) == pytest.approx(-1.0, abs=0.12)
