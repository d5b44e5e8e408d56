import pytest

from facility.vacuum.drift import alarms
from tests.simulator.laboratory import drift_case


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
