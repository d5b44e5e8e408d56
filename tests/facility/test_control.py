"""Control charts: what they say, and how often they cry wolf."""

import random

from facility import control


def series(rng, count, shift_from=None, shift=0.0):
    return [rng.gauss(shift if shift_from is not None and n >= shift_from else 0.0, 1.0) for n in range(count)]  # fmt: skip


def test_given_few_values_when_charted_then_limits_are_absent_and_then_provisional():
    rng = random.Random(3)

    assert control.chart_of([1.0] * 4).limits is None
    assert control.chart_of(series(rng, 12)).limits.provisional
    assert not control.chart_of(series(rng, 20)).limits.provisional


def test_given_one_odd_value_when_charted_then_it_waits_for_a_repeat():
    values = [0.0, 1.0, 0.2, 0.8, 0.1, 0.9] * 4

    once = control.chart_of([*values, 9.0], what="Carbon")
    twice = control.chart_of([*values, 9.0, 9.2], what="Carbon")

    assert (once.waits, once.confirmed) == (True, False)
    assert "Repeat it" in once.says
    assert twice.confirmed
    assert "The repeat says the same" in twice.says


def test_given_a_new_phase_when_charted_then_the_old_level_is_no_measure():
    old, new = [0.0, 1.0] * 12, [9.0, 10.0] * 6

    chart = control.chart_of(old + new, begins=(24,))

    assert chart.signals == ()
    assert 9 < chart.limits.centre < 10


def test_given_a_creep_of_one_spread_when_charted_then_the_weighted_mean_finds_it():
    rng, found = random.Random(11), 0
    for _ in range(200):
        chart = control.chart_of(series(rng, 60, shift_from=30, shift=1.5))
        found += any(s.place >= 30 and s.high for s in chart.signals)

    assert found >= 180


def test_given_quiet_series_when_every_value_is_judged_then_confirmed_signals_are_rare():
    # A confirmed signal is what a person is told; measured here: 200 series of 60 values judged
    # value by value, limits from their own first 20.
    rng, told, looked = random.Random(7), 0, 0
    for _ in range(200):
        values = series(rng, 60)
        limits = control.limits_of(values)
        places = [(s.place, s.high) for s in control.signals(values, limits)]
        fresh = [p for p, high in places if (p - 1, high) in places and (p - 2, high) not in places]
        told += sum(p >= 20 for p in fresh)
        looked += 40

    assert looked / max(told, 1) > 200  # values for one false alarm
