import json
import os
import subprocess
import sys
from pathlib import Path

import pytest

from tests.simulator.laboratory import PASCAL, drift_case, write_csv

ROOT = Path(__file__).resolve().parents[3]
HEADER = b"run_id,instrument,started_at,t_s,pressure,unit\n"


def drift(*arguments):
    """manage.py drift in a process of its own, with no environment to speak of."""
    return subprocess.run(
        [sys.executable, "manage.py", "drift", *map(str, arguments)],
        cwd=ROOT,
        env={"PATH": os.environ["PATH"]},
        capture_output=True,
        text=True,
        timeout=120,
    )


def test_given_a_growing_leak_when_asked_for_drift_then_it_is_named_once_with_its_beginning(
    tmp_path,
):
    case = drift_case(2, "leak", family="diffusion", past=50, runs=70)
    history, file = tmp_path / "history.csv", tmp_path / "file.csv"
    write_csv(history, [sim.run for sim in case.history], case.unit)
    write_csv(file, [sim.run for sim in case.tests], case.unit)

    said = drift(
        file,
        "--history",
        history,
        "--threshold",
        case.threshold_pa / PASCAL[case.unit],
        "--unit",
        case.unit,
        "--json",
    )

    assert said.returncode == 0, said.stderr
    alarms = json.loads(said.stdout)["instruments"][case.name]["alarms"]
    assert alarms
    assert set(alarms[0]) == {"run_id", "since_run_id", "change", "per_week", "says"}
    assert alarms[0]["change"] == "slower"
    assert alarms[0]["per_week"] > 0
    assert alarms[0]["since_run_id"] < alarms[0]["run_id"]
    assert len({alarm["run_id"] for alarm in alarms}) == len(alarms)


@pytest.mark.parametrize(
    ("rows", "code"),
    [
        (b"", 2),
        (HEADER, 2),
        (b"run_id,instrument,t_s\n1,a,60\n", 2),
        (HEADER + b"1,a,2026-01-01T00:00:00Z,60,1e-3,furlong\n", 2),
        (HEADER + b"1,a,2026-01-01T00:00:00Z,x,1e-3,mbar\n", 2),
        (b"\xff\xfe\x00\x01", 2),
        (HEADER + b"1,a,2026-01-01T00:00:00Z,60,1e-3,mbar\n", 0),
        (HEADER + b"1,a,2026-01-01T00:00:00Z,,,mbar\n", 0),
        (HEADER + b"1,a,2026-01-01T00:00:00Z,60,OFF,mbar\n", 0),
    ],
)
def test_given_any_table_when_asked_for_drift_then_it_answers_or_says_one_sentence(
    tmp_path, rows, code
):
    file = tmp_path / "file.csv"
    file.write_bytes(rows)

    said = drift(file, "--json")

    assert said.returncode == code
    assert "Traceback" not in said.stderr
    if code:
        assert said.stdout == ""
        assert len(said.stderr.strip().splitlines()) == 1
    else:
        assert json.loads(said.stdout) == {"instruments": {"a": {"alarms": []}}}
