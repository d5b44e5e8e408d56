import numpy as np
import pytest
from scipy.stats import norm

from facility.vacuum import ramps
from facility.vacuum.ramps import Watch, series_of

DAYS = np.arange(120.0)


def noise(seed, n=120, spread=0.1):
    return np.random.default_rng(seed).normal(0, spread, n)


def series(values, first=60):
    days, flat = DAYS[: values.size], np.full(values.size, 0.01)
    return [series_of(days, values, flat, first), series_of(days, 0 * values, flat, first)]


def found(values, first=60):
    return Watch().over(series(values, first), first, values.size)


def said(told):
    return [(one.end, one.way, one.start, round(one.per_week, 9)) for one in told]


def rising(seed, per_week=0.1, start=70, spread=0.1):
    return noise(seed, spread=spread) + per_week * np.maximum(DAYS - start, 0) / 7


def test_given_a_ramp_when_watched_then_its_beginning_and_size_are_near_the_truth():
    (told, *_) = found(rising(1, 0.15))

    assert told.per_week > 0
    assert ramps.WAYS[told.way] == "speed"
    assert abs(told.start - 70) < 20
    assert told.per_week == pytest.approx(0.15, rel=0.7)


def test_given_a_falling_ramp_when_watched_then_it_is_told_as_faster():
    seen = found(rising(2, -0.2))

    assert seen
    assert all(told.per_week < 0 for told in seen)


def test_given_one_steady_ramp_when_watched_on_then_it_is_told_once():
    assert [len(found(rising(seed, 0.15))) for seed in range(6)] == [1] * 6


def test_given_white_noise_when_watched_then_little_is_told():
    told = sum(len(found(noise(seed))) for seed in range(30))

    assert told <= 15  # of 1,800 runs watched; about 0.7 of a hundred, see the method page


def test_given_one_far_out_run_when_watched_then_nothing_is_told():
    values = noise(3, spread=0.05)
    values[90] += 3.0

    assert found(values) == []


@pytest.mark.parametrize("cut", [75, 90, 101, 119])
def test_given_later_runs_when_left_out_then_what_was_told_before_is_the_same(cut):
    values = rising(4, 0.15)

    assert said(found(values[:cut])) == [row for row in said(found(values)) if row[0] < cut]


@pytest.mark.parametrize("cut", [70, 88, 100])
def test_given_a_watch_when_it_goes_on_later_then_it_tells_what_one_watch_tells(cut):
    values, watch = rising(5, 0.15), Watch()

    parted = watch.over(series(values), 60, cut) + watch.over(series(values), cut, values.size)

    assert said(parted) == said(found(values))


def test_given_far_tails_when_the_normal_distribution_is_asked_then_it_is_near_scipys():
    z = np.linspace(-30, 8, 400)

    assert ramps.ln_normal(z) == pytest.approx(norm.logcdf(z), abs=0.06)
