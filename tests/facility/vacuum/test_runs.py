import math
from datetime import UTC, datetime

import numpy as np
import pytest

from facility.vacuum.runs import Run, clean, clock_of, crossing

MORNING = datetime(2026, 3, 2, 9, tzinfo=UTC)


def run(rows, source="logger"):
    """A run of (seconds, pascal[, event[, gauge]]) rows."""
    rows = [(*row, *("", "IG")[len(row) - 2 :]) for row in rows]
    columns = list(zip(*rows, strict=True)) or [(), (), (), ()]
    words = [np.array(column, dtype=object) for column in (columns[3], columns[2])]
    return Run(
        "r1",
        "A",
        MORNING,
        "film",
        2.0,
        10.0,
        np.array(columns[0], dtype=float),
        np.array(columns[1], dtype=float),
        words[0],
        np.full(len(rows), source, dtype=object),
        words[1],
    )


def falling(times, level=1e-4, at=3600.0):
    """Pressures of a plain 1/t curve."""
    return [(t, level * at / t) for t in times]


TIMES = [120, 300, 600, 900, 1500, 2400, 3000, 3600, 4200]


def test_given_readings_in_any_order_when_cleaned_then_they_are_in_order():
    rows = falling(TIMES)

    readings = clean(run(rows[::-1]))

    assert readings.t_s.tolist() == TIMES
    assert np.allclose(np.exp(readings.ln_p), [p for _, p in rows])


@pytest.mark.parametrize("factor", [10.0, 0.1, 133.322, 1 / 133.322])
def test_given_a_slipped_reading_between_others_when_cleaned_then_it_is_named_and_left_out(factor):
    rows = falling(TIMES)
    rows[4] = (rows[4][0], rows[4][1] * factor)

    readings = clean(run(rows))

    assert TIMES[4] not in readings.t_s
    assert readings.t_s.size == len(TIMES) - 1
    ((row, kind, meant),) = readings.slips
    assert row == 4
    assert kind == ("decade" if factor in (10.0, 0.1) else "unit")
    assert math.log(meant / (rows[4][1] / factor)) == pytest.approx(0, abs=0.6)


def test_given_a_plain_curve_when_cleaned_then_nothing_is_called_a_slip():
    assert clean(run(falling(TIMES))).slips == ()


@pytest.mark.parametrize("clamp", [1e5, 1013e2, 101325.0])
def test_given_readings_above_the_range_when_cleaned_then_they_are_no_pressure(clamp):
    rows = [(30, clamp), (60, clamp), *falling(TIMES)]

    assert clean(run(rows)).t_s.tolist() == TIMES


def test_given_a_gauge_that_sticks_at_its_top_when_cleaned_then_the_stuck_part_goes():
    rows = [(40, 1.0), (60, 1.0), (80, 1.0), (110, 1.0), *falling(TIMES)]

    assert clean(run(rows)).t_s.tolist() == TIMES


def test_given_a_cold_cathode_that_lights_late_when_cleaned_then_its_floor_is_no_vacuum():
    rows = [(60, 1e-9), (80, 1e-9), (100, 1e-9), *falling(TIMES)]

    assert clean(run(rows)).t_s.tolist() == TIMES


def test_given_two_gauges_when_both_read_then_the_one_for_low_pressure_leads():
    pirani = [(t, 30 * p, "", "pirani") for t, p in falling([60, *TIMES])]
    cathode = [(t, p, "", "cathode") for t, p in falling(TIMES)]

    readings = clean(run(sorted(pirani + cathode)))

    assert readings.t_s.tolist() == [60, *TIMES]
    assert readings.gauge.tolist() == ["pirani"] + ["cathode"] * len(TIMES)


def test_given_a_logger_and_looks_at_a_second_gauge_when_cleaned_then_the_logger_leads():
    logged = [(t, p, "", "wide") for t, p in falling(range(100, 4000, 50))]
    looks = [(t + 7, 0.85 * p, "", "cathode") for t, p in falling([600, 1500, 3600])]

    readings = clean(run(sorted(logged + looks)))

    assert set(readings.gauge) == {"wide"}
    assert readings.t_s.size == len(logged)


def test_given_one_slipped_pirani_reading_when_two_gauges_read_then_it_does_not_lead():
    pirani = [(60, 1e-1, "", "pirani"), (90, 1e-6, "", "pirani"), (100, 6e-2, "", "pirani")]
    cathode = [(t, p, "", "cathode") for t, p in falling(TIMES)]

    assert set(TIMES) <= set(clean(run(pirani + cathode)).t_s)


def test_given_the_same_moment_twice_when_cleaned_then_one_reading_is_left():
    rows = falling(TIMES)

    assert clean(run([*rows, (600, rows[2][1] * 1.1)])).t_s.tolist() == TIMES


@pytest.mark.parametrize("value", [math.nan])
def test_given_no_number_at_all_when_cleaned_then_nothing_is_left_and_nothing_breaks(value):
    bare = run([(60, value), (120, value)])

    assert clean(bare).t_s.size == 0
    assert crossing(bare, 1e-4) is None


def test_given_a_pause_when_the_clock_is_asked_then_it_stands_still():
    paused = run([(0, 1e3), (600, 1e-3, "isolated"), (1200, 2e-3, "resumed"), (1800, 1e-4)])

    clock = clock_of(paused)

    assert clock.pumped([300.0, 600.0, 900.0, 1800.0]).tolist() == [300, 600, 600, 1200]
    assert not clock.paused


def test_given_a_restart_when_the_clock_is_asked_then_it_begins_again():
    again = run([(0, 1e3), (600, 1e-3), (900, 1e3, "restart"), (1800, 1e-4)])

    clock = clock_of(again)

    assert math.isnan(clock.pumped(600.0))
    assert clock.pumped(1800.0) == 900
    assert clean(again).t_s.tolist() == [900, 1800]


def test_given_isolation_that_lasts_when_the_clock_is_asked_then_it_is_paused():
    assert clock_of(run([(60, 1.0), (600, 1e-3, "isolated")])).paused


def test_given_readings_while_isolated_when_cleaned_then_they_are_no_pumping():
    rows = [*falling([120, 300, 600]), (700, 1e-3, "isolated"), (800, 5e-3), (900, 8e-3)]
    rows += [(1000, 9e-3, "resumed"), *falling([1500, 2000])]

    assert clean(run(rows)).t_s.tolist() == [120, 300, 600, 1500, 2000]


def test_given_a_burst_of_the_gate_when_cleaned_then_the_burst_is_left_out():
    rows = [*falling([120, 300, 600]), (700, 9e-2, "gate_open"), (760, 4e-3), *falling([900, 1500])]

    assert clean(run(rows)).t_s.tolist() == [120, 300, 600, 900, 1500]


def test_given_dense_readings_when_the_crossing_is_asked_then_noise_does_not_make_it_early():
    rng = np.random.default_rng(5)
    times = np.arange(60.0, 5000.0, 10.0)
    noisy = [(t, p * math.exp(rng.normal(0, 0.03))) for t, p in falling(times)]

    found = crossing(run(noisy), 1e-4)

    assert found.known_s == pytest.approx(3600, rel=0.012)


def test_given_sparse_readings_when_the_crossing_is_asked_then_it_lies_between_them():
    found = crossing(run(falling([600, 3000, 4000])), 1e-4)

    assert (found.low_s, found.high_s) == (3000, 4000)
    assert found.known_s == pytest.approx(3600, rel=1e-6)


def test_given_a_night_between_readings_when_the_crossing_is_asked_then_it_is_an_interval():
    found = crossing(run(falling([600, 1800, 52200])), 1e-4)

    assert (found.low_s, found.high_s) == (1800, 52200)
    assert found.known_s is None


def test_given_a_run_above_the_threshold_when_the_crossing_is_asked_then_it_was_not_seen():
    found = crossing(run(falling([600, 1800])), 1e-4)

    assert (found.low_s, found.high_s, found.known_s) == (1800, None, None)


def test_given_one_dip_below_when_the_next_reading_takes_it_back_then_it_is_no_crossing():
    rows = falling([600, 1200, 1800, 2400, 3000])
    rows[2] = (1800, 9e-5)

    assert crossing(run(rows), 1e-4).high_s is None


def test_given_a_later_cut_when_cleaned_then_earlier_readings_are_cleaned_the_same():
    rows = falling(TIMES)
    whole = run(rows)

    part = clean(whole.until(1500))

    assert part.t_s.tolist() == [t for t in TIMES if t <= 1500]
