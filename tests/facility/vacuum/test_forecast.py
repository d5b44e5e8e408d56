import json
import math
from dataclasses import replace
from datetime import timedelta

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from facility.vacuum.forecast import (
    add,
    as_json,
    forecast,
    from_json,
    in_turn,
    learn,
    quantiles,
)
from tests.simulator.laboratory import laboratory

SEED = 77


@pytest.fixture(scope="module")
def lab():
    """One simulated instrument: 80 past runs and 25 that are asked about."""
    (case,) = laboratory(SEED, past=80, tests=25, faults=False, instruments=1)
    return case


@pytest.fixture(scope="module")
def learned(lab):
    return learn(past(lab), lab.threshold_pa)


def past(lab):
    return [sim.run for sim in lab.history]


def error(learned, sim, at_s):
    """ln of the time left as said, over the time left in truth."""
    said = forecast(learned, sim.run, at_s)
    return abs(math.log((said.ready_s - at_s) / (sim.true_s - at_s)))


def typed(run, rows, events=None):
    """The same run with other rows (seconds, pascal), typed by hand."""
    times, pressures = np.array(rows, dtype=float).reshape(-1, 2).T
    return replace(
        run,
        t_s=times,
        pressure_pa=pressures,
        gauge=np.full(times.size, "IG", dtype=object),
        source=np.full(times.size, "manual", dtype=object),
        event=np.array(events or [""] * times.size, dtype=object),
    )


def test_given_eighty_past_runs_when_asked_at_half_time_then_the_error_is_small(lab, learned):
    errors = [error(learned, sim, sim.true_s / 2) for sim in lab.tests if np.isfinite(sim.true_s)]

    assert np.median(errors) < 0.075
    assert np.max(errors) < 1.5


def test_given_eighty_past_runs_when_asked_then_about_four_in_five_intervals_hold(lab, learned):
    held = []
    for sim in lab.tests:
        for share in (0.0, 0.25, 0.5, 0.75):
            said = forecast(learned, sim.run, share * sim.true_s)
            held.append(said.low80_s <= sim.true_s <= said.high80_s)

    assert 0.68 <= np.mean(held) <= 0.92


def test_given_no_reading_yet_when_asked_then_there_is_an_answer(lab, learned):
    bare = lab.tests[0].run.until(-1.0)

    said = forecast(learned, bare, 0.0)

    assert 0 < said.low80_s < said.ready_s < said.high80_s
    assert "0 readings" in said.says
    assert "80 past runs" in said.says


@pytest.mark.parametrize("count", [0, 1, 2, 5, 13])
def test_given_little_history_when_asked_then_the_interval_is_wide_and_says_why(lab, count):
    few = learn(past(lab)[:count], lab.threshold_pa)
    sim = lab.tests[0]

    said = forecast(few, sim.run, 600.0)

    assert 600 < said.low80_s < said.ready_s < said.high80_s
    assert math.log(said.high80_s / said.low80_s) > 0.1
    assert ("published magnitudes" in said.says) == (count == 0)


def test_given_more_history_when_asked_then_the_error_shrinks(lab):
    middle = []
    for count in (0, 5, 80):
        some = learn(past(lab)[-count:] if count else [], lab.threshold_pa)
        middle.append(np.median([error(some, sim, 600.0) for sim in lab.tests]))

    assert middle[2] < middle[1] < middle[0]


@settings(max_examples=25, deadline=None)
@given(data=st.data())
def test_given_anything_later_when_asked_then_the_forecast_does_not_change(data):
    lab, known = shared()
    sim = data.draw(st.sampled_from(lab.tests))
    at_s = data.draw(st.floats(0.0, 4000.0))
    later = data.draw(
        st.lists(st.tuples(st.floats(0.01, 9e4), st.floats(1e-9, 1e5)), min_size=1, max_size=6)
    )
    events = data.draw(st.sampled_from(["", "restart", "isolated", "gate_open", "gauge_off"]))
    run = sim.run.until(at_s)
    longer = replace(
        run,
        t_s=np.append(run.t_s, [at_s + t for t, _ in later]),
        pressure_pa=np.append(run.pressure_pa, [p for _, p in later]),
        gauge=np.append(run.gauge, ["IG"] * len(later)),
        source=np.append(run.source, ["manual"] * len(later)),
        event=np.append(run.event, [events] * len(later)),
    )

    assert forecast(known, longer, at_s) == forecast(known, run, at_s)


def shared(made={}):  # noqa: B006 - hypothesis and module fixtures do not mix
    if not made:
        (case,) = laboratory(SEED + 1, past=40, tests=12, faults=False, instruments=1)
        made["lab"], made["learned"] = case, learn(past(case), case.threshold_pa)
    return made["lab"], made["learned"]


@settings(max_examples=10, deadline=None)
@given(late=st.lists(st.integers(0, 39), max_size=10), days=st.floats(0.0, 300.0))
def test_given_runs_that_ended_after_the_start_when_asked_then_they_change_nothing(late, days):
    lab, _ = shared()
    start = lab.tests[0].run.started_at
    overlapping = [
        replace(
            run, run_id=f"late-{i}", started_at=start + timedelta(days=days) - timedelta(minutes=1)
        )
        for i, run in enumerate(past(lab)[k] for k in late)
    ]
    run = lab.tests[0].run

    ((_, before),) = in_turn(past(lab), [run], lab.threshold_pa)
    ((_, after),) = in_turn(past(lab) + overlapping, [run], lab.threshold_pa)

    assert forecast(after, run, 900.0) == forecast(before, run, 900.0)


def test_given_a_run_that_is_named_as_running_when_the_next_starts_then_it_taught_nothing(lab):
    runs = [sim.run for sim in lab.tests[:4]]

    everything = {
        run.run_id: known.runs for run, known in in_turn(past(lab), runs, lab.threshold_pa)
    }
    without = {
        run.run_id: known.runs
        for run, known in in_turn(past(lab), runs, lab.threshold_pa, running={runs[0].run_id})
    }

    assert everything[runs[3].run_id] == without[runs[3].run_id] + 1


def test_given_another_instrument_when_learning_in_turn_then_it_teaches_nothing(lab):
    foreign = [replace(run, instrument="other") for run in past(lab)]

    ((_, known),) = in_turn(foreign, [lab.tests[0].run], lab.threshold_pa)

    assert known.runs == 0


def test_given_what_was_learned_when_kept_as_json_then_it_says_the_same(lab, learned):
    again = from_json(json.loads(json.dumps(as_json(learned))))

    for sim in lab.tests[:5]:
        assert forecast(again, sim.run, 1200.0) == forecast(learned, sim.run, 1200.0)


def test_given_another_format_when_read_then_it_says_learn_again(learned):
    with pytest.raises(ValueError, match="learn again"):
        from_json(as_json(learned) | {"version": 0})


def test_given_one_more_run_when_added_then_it_is_near_to_learning_all(lab):
    runs = past(lab)

    stepwise = learn(runs[:-3], lab.threshold_pa)
    for run in runs[-3:]:
        stepwise = add(stepwise, run)
    at_once = learn(runs, lab.threshold_pa)

    assert stepwise.runs == at_once.runs
    for sim in lab.tests[:6]:
        left = [forecast(known, sim.run, 900.0).ready_s - 900.0 for known in (stepwise, at_once)]
        assert abs(math.log(left[0] / left[1])) < 0.06


def test_given_twelve_past_runs_when_asked_then_intervals_hold_without_being_idle(lab):
    few = learn(past(lab)[-12:], lab.threshold_pa)
    held = []
    for sim in lab.tests:
        at_s = 0.4 * sim.true_s
        if math.isfinite(at_s):
            said = forecast(few, sim.run, at_s)
            held.append((said.low80_s <= sim.true_s <= said.high80_s, said))
    middle = np.median(
        [math.log((said.high80_s - at) / (said.low80_s - at)) for _, said in held for at in [0.0]]
    )

    assert np.mean([right for right, _ in held]) >= 0.75
    assert middle < 0.8


def test_given_a_slipped_last_reading_when_asked_then_it_is_left_out(lab, learned):
    sim = next(sim for sim in lab.tests if sim.form == "film" and sim.run.form == "film")
    times = np.array([300, 600, 900, 1200.0])
    curve = sim.run if not sim.hand else next(s.run for s in lab.tests if not s.hand)
    values = np.exp(np.interp(np.log(times), np.log(curve.t_s), np.log(curve.pressure_pa)))
    good = typed(sim.run, list(zip(times, values, strict=True)))
    bad = typed(sim.run, list(zip(times, values * [1, 1, 1, 0.1], strict=True)))

    said, fooled = forecast(learned, good, 1260.0), forecast(learned, bad, 1260.0)

    assert "left out" in fooled.says
    assert abs(math.log((fooled.ready_s - 1260) / (said.ready_s - 1260))) < 0.2


def test_given_isolation_when_asked_then_it_says_that_the_forecast_waits(lab, learned):
    run = typed(lab.tests[0].run, [(300, 10), (600, 5), (900, 5)], ["", "", "isolated"])

    early, late = forecast(learned, run, 900.0), forecast(learned, run, 2700.0)

    assert "paused" in late.says
    assert late.ready_s - 2700 == pytest.approx(early.ready_s - 900, rel=1e-6)


def test_given_a_restart_when_asked_then_the_time_counts_from_there(lab, learned):
    run = typed(lab.tests[0].run, [(300, 10), (1800, 1e5)], ["", "restart"])

    said = forecast(learned, run, 1800.0)
    bare = forecast(learned, run.until(-1.0), 0.0)

    assert said.ready_s == pytest.approx(1800 + bare.ready_s, rel=0.02)


def test_given_a_reading_below_the_threshold_when_asked_then_it_is_ready(lab, learned):
    sim = next(s for s in lab.tests if not s.hand and s.run.t_s[-1] > s.true_s * 1.01)

    said = forecast(learned, sim.run, float(sim.run.t_s[-1]))

    assert said.ready_s == pytest.approx(sim.true_s, rel=0.05)
    assert said.says.startswith("Below the threshold")


@pytest.mark.parametrize(
    "rows",
    [
        [(600, 1e-2)],
        [(60, 1.0)] * 5,
        [(60, 5.0), (120, 5.0), (180, 5.0), (240, 5.0)],
        [(60, 1.0), (120, 2.0), (180, 4.0), (240, 9.0), (300, 20.0)],
        [(300, 1.0), (60, 4.0), (120, 2.0)],
        [(60, math.nan), (120, math.nan)],
        [(-50, 1.0), (0, 1.0), (1, 1.0)],
        [(600, 1e-300), (700, 1e300)],
        [(5e6, 1.0)],
    ],
)
def test_given_odd_readings_when_asked_then_there_is_an_answer(lab, learned, rows):
    run = typed(lab.tests[0].run, rows)
    at_s = max(max(t for t, _ in rows), 0.0)

    for known in (learned, learn([], lab.threshold_pa)):
        said = forecast(known, run, at_s)
        assert math.isfinite(said.ready_s)
        assert said.low80_s <= said.ready_s <= said.high80_s
        json.dumps(said.ready_s)


def test_given_odd_past_runs_when_learned_then_forecasts_still_come(lab):
    odd = [typed(run, [(60, 5.0)] * (i % 4)) for i, run in enumerate(past(lab)[:20])]
    known = learn(odd + past(lab)[20:], lab.threshold_pa)

    assert np.median([error(known, sim, 900.0) for sim in lab.tests]) < 0.15


def test_given_history_without_forms_when_asked_then_the_answer_is_wider(lab, learned):
    blank = learn([replace(run, form="") for run in past(lab)], lab.threshold_pa)
    bare = replace(lab.tests[0].run, form="film").until(-1.0)

    wide, sharp = forecast(blank, bare, 0.0), forecast(learned, bare, 0.0)

    assert wide.high80_s / wide.low80_s > sharp.high80_s / sharp.low80_s


@pytest.mark.parametrize("threshold", [0.0, -1.0, math.inf, math.nan])
def test_given_a_threshold_that_is_none_when_learning_then_it_is_refused(threshold):
    with pytest.raises(ValueError, match="above zero"):
        learn([], threshold)


@pytest.mark.parametrize("factor", [133.322, 1 / 133.322])
def test_given_a_whole_run_in_another_unit_when_asked_then_it_is_seen_and_asked_back(
    lab, learned, factor
):
    sim = next(s for s in lab.tests if not s.hand and s.form == "film")
    wrong = replace(sim.run, pressure_pa=sim.run.pressure_pa * factor)

    said, right = forecast(learned, wrong, 1200.0), forecast(learned, sim.run, 1200.0)

    assert "which unit is it" in said.says
    assert abs(math.log((said.ready_s - 1200) / (right.ready_s - 1200))) < 0.2
    assert not any("which unit" in forecast(learned, s.run, 1200.0).says for s in lab.tests)


def test_given_quantiles_that_fall_together_when_learned_then_factors_are_finite_and_wide(
    lab, monkeypatch
):
    plain = learn(past(lab)[-20:], lab.threshold_pa)
    monkeypatch.setattr(
        "facility.vacuum.forecast.quantiles", lambda *about: np.full(3, quantiles(*about)[1])
    )

    found = learn(past(lab)[-20:], lab.threshold_pa)

    assert np.isfinite(found.by_stage).all()
    assert (found.by_stage >= plain.by_stage).all()
    assert found.by_stage.max() > plain.by_stage.max()
