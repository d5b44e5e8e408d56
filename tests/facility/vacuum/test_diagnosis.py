from dataclasses import replace
from datetime import UTC, datetime

import numpy as np
import pytest

from facility.vacuum.diagnosis import CAUSES, FREEDOM, diagnose, fit, limit_of, points_of
from facility.vacuum.forecast import learn
from facility.vacuum.runs import Run
from facility.vacuum.signatures import leak, signs, turbo_share
from tests.simulator.laboratory import laboratory


@pytest.fixture(scope="module")
def lab():
    """One instrument with its past runs, what they taught, and its limit."""
    case = laboratory(4, family="diffusion", past=70, tests=25, instruments=1)[0]
    past = [sim.run for sim in case.history]
    learned = learn(past, case.threshold_pa)
    return case, learned, limit_of(learned, past)


def run(pressure, t_s=None, **changes):
    pressure = np.array(pressure, dtype=float)
    t_s = np.linspace(60, 3000, pressure.size) if t_s is None else np.array(t_s, dtype=float)
    words = [np.full(pressure.size, word, dtype=object) for word in ("", "manual", "")]
    made = Run("r", "i", datetime(2025, 9, 1, tzinfo=UTC), "film", 2.0, 10.0, t_s, pressure, *words)
    return replace(made, **changes)


def falling(lab, size=1.0, leaks=0.0, n=12):
    """A run that follows the usual curve exactly, times `size`, with a leak in thresholds."""
    case, learned, _ = lab
    from facility.vacuum.pumpdown import basis

    t_s = np.geomspace(300, 8000, n)
    usual = np.exp(basis(np.log(t_s)) @ learned.curves.mean) * case.threshold_pa
    return run(usual * size + leaks * case.threshold_pa, t_s)


def test_given_the_usual_curve_when_diagnosed_then_it_is_as_usual(lab):
    said = diagnose(lab[1], falling(lab), lab[2])

    assert not said.unusual
    assert said.cause == "none"
    assert said.second_cause in CAUSES
    assert said.score < 0


def test_given_a_large_leak_when_diagnosed_then_it_is_named_with_what_separates_it(lab):
    said = diagnose(lab[1], falling(lab, leaks=1.5), lab[2])

    assert said.unusual
    assert "leak" in (said.cause, said.second_cause)
    assert said.cause == "leak"
    assert "rise test" in said.says
    assert "residual-gas scan" in said.says


def test_given_a_reading_far_too_good_when_diagnosed_then_the_gauge_is_named(lab):
    said = diagnose(lab[1], falling(lab, size=1 / 5), lab[2])

    assert said.unusual
    assert said.cause == "gauge"
    assert "second gauge" in said.says


def test_given_a_frozen_gauge_when_diagnosed_then_the_gauge_is_named(lab):
    made = falling(lab, n=40)
    stuck = np.maximum(made.pressure_pa, made.pressure_pa[12])

    said = diagnose(lab[1], replace(made, pressure_pa=stuck), lab[2])

    assert said.unusual
    assert said.cause == "gauge"


def test_given_later_readings_when_asked_before_them_then_nothing_changes(lab):
    made = falling(lab, leaks=1.5)
    middle = float(made.t_s[6])

    assert diagnose(lab[1], made, lab[2], at_s=middle) == diagnose(
        lab[1], made.until(middle), lab[2]
    )


def test_given_chances_when_summed_then_they_are_one(lab):
    said = diagnose(lab[1], falling(lab, leaks=0.4), lab[2])

    assert sum(said.chances.values()) == pytest.approx(1.0)


def test_given_a_laboratory_when_diagnosed_then_most_clear_faults_and_few_others_are_unusual(lab):
    case, learned, limit = lab

    said = [(sim, diagnose(learned, sim.run, limit)) for sim in case.tests]

    clear = [answer.unusual for sim, answer in said if sim.strength == "clear"]
    plain = [answer.unusual for sim, answer in said if sim.fault == "none"]
    assert np.mean(clear) >= 0.75
    assert np.mean(plain) <= 0.2


@pytest.mark.parametrize(
    "odd",
    [
        run([]),
        run([1e-3]),
        run([1e-3, 9e-4]),
        run([1e-3] * 8),
        run(np.geomspace(1e-5, 1e-2, 8)),
        run([1e-2, 1e-3, 5e-4, 4e-4], [600, 600, 60, 600]),
        run([np.nan] * 5),
        run([np.nan, 1e-3, np.nan, 5e-4, 4e-4]),
        run([1e5] * 6),
        run([1e-3, 5e-4], [-60, 1e9]),
        run([1e-3, 5e-4], form="", samples=None, vent_minutes=None),
        run([1e-3, 5e-4], form="never heard of", samples=0.0, vent_minutes=1e6),
    ],
)
def test_given_odd_readings_when_diagnosed_then_there_is_an_answer(lab, odd):
    for learned in (lab[1], learn([], 5e-5)):
        said = diagnose(learned, odd)

        assert np.isfinite(said.score)
        assert said.cause in ("none", *CAUSES)
        assert said.second_cause in CAUSES
        assert said.says.endswith(".")


def test_given_no_past_run_when_a_limit_is_asked_then_it_is_that_of_simulated_laboratories():
    from facility.vacuum.diagnosis import LIMIT

    assert limit_of(learn([], 5e-5)) == pytest.approx(LIMIT)


def test_given_a_million_readings_when_put_together_then_few_points_are_left():
    t_s = np.linspace(50, 9000, 200_000)

    points = points_of(run(1.0 / t_s, t_s), 5e-5)

    assert points.seen.x.size < 60


def test_shares_of_signatures_add_up_to_one_for_each_cause():
    x = np.log(np.geomspace(60, 6000, 9))
    from facility.vacuum.pumpdown import expected_curve

    rows = signs(x, expected_curve(3000.0), 3000.0, 5e-5, [(np.ones(9), 1.0)], -x)

    assert np.bincount(rows.cause, rows.share) == pytest.approx(np.ones(len(CAUSES)))


def test_bend_of_a_leak_is_what_adding_its_pressure_gives():
    usual = np.array([2.0, 0.0, -3.0])

    assert usual + leak(usual, 0.5) == pytest.approx(np.log(np.exp(usual) + 0.5))


def test_turbo_works_low_and_not_high():
    assert turbo_share(np.log([1e3, 1e-6]), 1.0) == pytest.approx([0.0, 1.0])


def test_fit_of_independent_readings_is_the_t_density_up_to_a_constant():
    off, total = np.array([[1.0, 2.0], [0.0, 0.0]]), np.eye(2)[None] * 4.0

    here, there = fit(off, np.repeat(total, 2, axis=0))

    assert here - there == pytest.approx(-0.5 * (FREEDOM + 2) * np.log1p((1 + 4) / 4 / FREEDOM))
