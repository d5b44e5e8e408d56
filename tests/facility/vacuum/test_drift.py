import numpy as np
import pytest

from facility.vacuum.drift import alarms, ramp, series_of, watch
from tests.simulator.laboratory import drift_case

DAYS = np.arange(120.0)


def noise(seed, n=120, spread=0.1):
    return np.random.default_rng(seed).normal(0, spread, n)


def found(values, first=60):
    series = series_of(DAYS[: values.size], values, np.full(values.size, 0.01), first)
    flat = series_of(DAYS[: values.size], 0 * values, np.full(values.size, 0.01), first)
    return watch([series, flat], first)


def test_given_a_ramp_when_watched_then_its_beginning_and_size_are_near_the_truth():
    truth = 0.06
    values = noise(1) + truth * np.maximum(DAYS - 70, 0) / 7

    series = series_of(DAYS, values, np.full(120, 0.01), 60)
    height, start, per_week = ramp(series, 0, 0, 120)

    assert height > 4
    assert abs(start - 70) < 20
    assert per_week == pytest.approx(truth, rel=0.5)


def test_given_a_falling_ramp_when_watched_then_the_alarm_is_for_faster():
    values = noise(2) - 0.15 * np.maximum(DAYS - 70, 0) / 7

    seen = found(values)

    assert seen
    assert all(per_week < 0 for *_, per_week in seen)


def test_given_white_noise_when_watched_then_alarms_are_rare():
    alarmed = sum(len(found(noise(seed))) for seed in range(12))

    assert alarmed <= 8  # of 720 runs watched


def test_given_one_far_out_run_when_watched_then_no_alarm():
    values = noise(3, spread=0.05)
    values[90] += 3.0

    assert found(values) == []


def test_given_later_runs_when_left_out_then_alarms_before_them_are_the_same():
    values = noise(4) + 0.15 * np.maximum(DAYS - 70, 0) / 7

    whole = found(values)
    cut = found(values[:100])

    assert cut == [alarm for alarm in whole if alarm[0] < 100]
    assert cut


def test_given_real_runs_when_cut_then_no_alarm_changes():
    case = drift_case(3, "leak", family="desorption", past=45, runs=60)
    history, runs = [sim.run for sim in case.history], [sim.run for sim in case.tests]

    whole = alarms(history, runs, case.threshold_pa)
    cut = alarms(history, runs[:45], case.threshold_pa)

    early = {run.run_id for run in runs[:45]}
    assert [a for a in whole if a.run_id in early] == cut
    assert whole
    assert all(alarm.change in ("slower", "faster") for alarm in whole)


@pytest.mark.parametrize("count", [0, 1, 5, 20])
def test_given_few_runs_when_watched_then_nothing_is_said(count):
    case = drift_case(5, "stable", family="diffusion", past=1, runs=25)
    runs = [sim.run for sim in case.tests][:count]

    assert alarms([], runs, case.threshold_pa) == []
