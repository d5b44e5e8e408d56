import csv
import json
import math
import os
import subprocess
import sys
from pathlib import Path

import pytest

from tests.simulator.laboratory import PASCAL, laboratory, write_csv

ROOT = Path(__file__).resolve().parents[3]


def pumpdown(*arguments):
    """manage.py pumpdown in a process of its own, with no environment to speak of."""
    return subprocess.run(
        [sys.executable, "manage.py", "pumpdown", *map(str, arguments)],
        cwd=ROOT,
        env={"PATH": os.environ["PATH"]},
        capture_output=True,
        text=True,
        timeout=120,
    )


@pytest.fixture(scope="module")
def files(tmp_path_factory):
    """A history, a file of runs, the moments asked about, and the case behind them."""
    folder = tmp_path_factory.mktemp("pumpdown")
    (case,) = laboratory(31, past=60, tests=6, faults=False, instruments=1)
    write_csv(folder / "history.csv", [sim.run for sim in case.history], case.unit)
    write_csv(folder / "runs.csv", [sim.run for sim in case.tests], case.unit)
    with (folder / "at.csv").open("w", newline="") as file:
        out = csv.writer(file)
        out.writerow(["run_id", "at_s"])
        out.writerows(
            [sim.run.run_id, at_s] for sim in case.tests[:3] for at_s in (0, 600, sim.true_s / 2)
        )
    return folder, case


@pytest.fixture(scope="module")
def answer(files):
    folder, case = files
    done = pumpdown(
        folder / "runs.csv",
        *("--history", folder / "history.csv", "--at", folder / "at.csv", "--json"),
        *("--threshold", f"{case.threshold_pa / PASCAL[case.unit]:.3g}", "--unit", case.unit),
    )
    assert (done.returncode, done.stderr) == (0, "")
    return json.loads(done.stdout)


def test_given_runs_when_asked_in_json_then_each_is_answered_in_the_order_of_the_file(
    files, answer
):
    _, case = files

    assert list(answer) == ["runs"]
    assert [run["run_id"] for run in answer["runs"]] == [sim.run.run_id for sim in case.tests]
    assert {"run_id", "crossed_s", "forecasts", "says"} <= set(answer["runs"][0])


def test_given_moments_when_asked_then_there_is_a_forecast_for_each(files, answer):
    _, case = files
    counts = [len(run["forecasts"]) for run in answer["runs"]]

    assert counts == [3, 3, 3, 1, 1, 1]
    for sim, run in zip(case.tests[:3], answer["runs"], strict=False):
        for said in run["forecasts"]:
            assert set(said) == {"at_s", "ready_s", "low80_s", "high80_s"}
            assert said["at_s"] <= said["low80_s"] <= said["ready_s"] <= said["high80_s"]
            assert abs(math.log(said["ready_s"] / sim.true_s)) < 0.7


def test_given_runs_that_crossed_when_asked_then_the_crossing_is_near_the_truth(files, answer):
    _, case = files
    seen = [
        (run["crossed_s"], sim.true_s)
        for run, sim in zip(answer["runs"], case.tests, strict=True)
        if run["crossed_s"] is not None
    ]

    assert seen
    for crossed, true in seen:
        assert abs(math.log(crossed / true)) < 0.06


def test_given_no_history_when_asked_then_it_is_answered_in_words(files):
    folder, case = files

    done = pumpdown(folder / "runs.csv", "--threshold", "1e-12", "--unit", case.unit)

    assert done.returncode == 0
    assert done.stdout.count("\n") == len(case.tests)
    assert "published magnitudes" in done.stdout


HEAD = "run_id,instrument,started_at,form,samples,vent_minutes,t_s,pressure,unit,gauge,source\n"
ROW = "r1,A,2026-03-02T09:00:00Z,film,3,10,60,1e-3,mbar,IG,manual\n"


@pytest.mark.parametrize(
    ("text", "arguments", "sentence"),
    [
        ("", (), "empty"),
        (HEAD, (), "no rows"),
        (HEAD.replace("pressure,", "") + ROW, (), "column pressure is missing"),
        (HEAD + ROW.replace("mbar", "parsec"), (), "Row 2: "),
        (HEAD + ROW, ("--threshold", "low"), "--threshold"),
        (HEAD + ROW, ("--threshold", "1e-7", "--unit", "parsec"), "parsec"),
        (HEAD + ROW, ("--at", "missing.csv"), "missing.csv cannot be opened"),
        (HEAD + ROW, ("--history", "missing.csv"), "missing.csv cannot be opened"),
    ],
)
def test_given_input_that_cannot_be_read_when_asked_then_one_sentence_and_exit_2(
    tmp_path, text, arguments, sentence
):
    file = tmp_path / "runs.csv"
    file.write_text(text)

    done = pumpdown(file, *arguments)

    assert done.returncode == 2
    assert done.stdout == ""
    assert sentence in done.stderr
    assert done.stderr.count("\n") == 1
    assert "Traceback" not in done.stderr


def test_given_a_moment_of_an_unknown_run_when_asked_then_its_row_is_named(tmp_path):
    (tmp_path / "runs.csv").write_text(HEAD + ROW)
    (tmp_path / "at.csv").write_text("run_id,at_s\nr1,60\nr9,60\n")

    done = pumpdown(tmp_path / "runs.csv", "--at", tmp_path / "at.csv")

    assert done.returncode == 2
    assert "row 3" in done.stderr


def test_given_a_run_with_metadata_only_when_asked_then_it_is_forecast_from_the_start(tmp_path):
    (tmp_path / "runs.csv").write_text(HEAD + "r1,A,2026-03-02T09:00:00Z,powder,,,,,,,\n")

    done = pumpdown(tmp_path / "runs.csv", "--json")

    (run,) = json.loads(done.stdout)["runs"]
    assert run["crossed_s"] is None
    assert run["forecasts"][0]["at_s"] == 0
    assert run["forecasts"][0]["ready_s"] > 0


@pytest.mark.parametrize("damaged", ["runs.csv", "at.csv"])
def test_given_text_that_is_not_utf8_when_asked_then_its_row_is_named_and_exit_is_2(
    tmp_path, damaged
):
    name = "Kühl"
    (tmp_path / "runs.csv").write_text(HEAD + ROW.replace("r1", name), encoding="utf-8")
    (tmp_path / "at.csv").write_text(f"run_id,at_s\n{name},60\n", encoding="utf-8")
    path = tmp_path / damaged
    path.write_bytes(path.read_text(encoding="utf-8").encode("latin-1"))

    done = pumpdown(tmp_path / "runs.csv", "--at", tmp_path / "at.csv")

    assert (done.returncode, done.stdout) == (2, "")
    assert done.stderr.strip() == (
        f"{damaged}: Row 2: the text is not UTF-8; save the file as UTF-8."
    )


# the highest memory of the process itself; what a parent counts begins with the parent's own
THEN_MEMORY = """
import re, runpy, sys
runpy.run_path("manage.py", run_name="__main__")
print(re.search(r"VmHWM:\\s+(\\d+)", open("/proc/self/status").read())[1], file=sys.stderr)
"""


@pytest.mark.soak
@pytest.mark.parametrize("runs", [1, 100])
def test_given_a_million_rows_when_answered_then_memory_stays_small(tmp_path, runs):
    table, rows = tmp_path / "runs.csv", 1_000_000 // runs
    with table.open("w") as file:
        file.write(HEAD)
        for run in range(runs):
            start = f"r{run},A,20{20 + run // 12}-{1 + run % 12:02d}-02T09:00:00Z,film,3,10"
            for t_s in range(1, rows + 1):
                file.write(f"{start},{t_s},{4e-4 * (1 + run % 7 / 30) / t_s:.2g},mbar,IG,logger\n")

    done = subprocess.run(
        [sys.executable, "-c", THEN_MEMORY, "pumpdown", table, "--json"],
        cwd=ROOT, env={"PATH": os.environ["PATH"]}, capture_output=True, text=True,
    )  # fmt: skip

    assert done.returncode == 0, done.stderr
    assert len(json.loads(done.stdout)["runs"]) == runs
    highest = int(done.stderr) / 1024
    print(f"{runs} runs: {highest:.0f} MB at most")
    assert highest < 110  # 64 of them before the first row
