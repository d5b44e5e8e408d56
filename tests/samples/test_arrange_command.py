import json
import os
import subprocess
import sys
from pathlib import Path

import pytest
from django.core.management import call_command

from samples import geometry
from samples.layout import read_layout

ROOT = Path(__file__).parents[2]


def document(*sizes, **changes):
    mounts = [
        {"id": f"p{n}", "footprint": {"shape": "disc", "diameter_mm": size}}
        for n, size in enumerate(sizes)
    ]
    holder = {"shape": "disc", "diameter_mm": 25.4, "edge_margin_mm": 2}
    return {"holder": holder, "rules": {"min_gap_mm": 0.5}, "mounts": mounts} | changes


def run(tmp_path, capsys, given, *options):
    """Exit code, standard output and standard error of the command."""
    file = tmp_path / "layout.json"
    file.write_text(given if isinstance(given, str) else json.dumps(given), encoding="utf-8")
    code = 0
    try:
        call_command("arrange", str(file), *options)
    except SystemExit as ended:
        code = ended.code
    printed = capsys.readouterr()
    return code, printed.out, printed.err


def test_given_samples_that_fit_when_arranged_then_the_same_document_has_their_places(
    tmp_path, capsys
):
    given = document(5, 4, 3, comment="kept")
    given["mounts"][1] |= {"form": "film", "own field": [1, 2]}
    given["mounts"][2]["footprint"] |= {"x_mm": 99, "y_mm": 99, "rotation_deg": 5}

    code, out, err = run(tmp_path, capsys, given, "--json")

    answer = json.loads(out)
    assert (code, err) == (0, "")
    layout = read_layout(answer)
    assert (
        geometry.outside(layout) == geometry.narrow_gaps(layout) == geometry.overlaps(layout) == []
    )
    for row in [*answer["mounts"], *given["mounts"]]:
        for name in ("x_mm", "y_mm", "rotation_deg"):
            row["footprint"].pop(name, None)
    assert answer == given


def test_given_a_powder_beside_a_film_when_arranged_then_they_end_up_far_apart(tmp_path, capsys):
    given = document(4, 4, 4, 4, 4, 4)
    given["mounts"][0] |= {"form": "powder", "composition": "ZnO"}
    given["mounts"][1] |= {"form": "film", "composition": "TiO2"}

    _, out, _ = run(tmp_path, capsys, given, "--json")

    gaps = geometry.gaps(read_layout(json.loads(out)))
    assert gaps["p0", "p1"] > 0.8 * (21.4 - 8)


def test_given_people_when_arranged_then_each_place_and_the_smallest_gap_stand_in_words(
    tmp_path, capsys
):
    code, out, _ = run(tmp_path, capsys, document(5, 5))

    lines = out.strip().splitlines()
    assert code == 0
    assert [line.split()[0] for line in lines] == ["p0", "p1", "Smallest"]
    assert lines[-1] == "Smallest gap 11.40 mm, between p0 and p1."


def test_given_samples_that_do_not_fit_when_arranged_then_exit_1_says_what_would_help(
    tmp_path, capsys
):
    given = document(6.4, 6.4, 6.4, 6.4, 6.4, 6.4, 6.4, rules={"min_gap_mm": 1.5})

    code, out, err = run(tmp_path, capsys, given)
    code_json, out_json, _ = run(tmp_path, capsys, given, "--json")

    answer = json.loads(out_json)
    assert (code, code_json, err) == (1, 1, "")
    assert out.strip() == answer["says"]
    assert "It would fit with gaps of 1.09 mm instead of 1.5 mm" in answer["says"]
    assert answer["possible"] is False
    assert answer["would_fit_with"]["min_gap_mm"] == pytest.approx(1.1, abs=0.02)
    assert answer["would_fit_with"]["usable_area_wider_mm"] > 0


REFUSED = {
    "footprint of mount p0 is missing": document(mounts=[{"id": "p0"}]),
    "thickness_mm of mount p0 is -1": document(
        mounts=[{"id": "p0", "footprint": {"shape": "disc", "diameter_mm": 4}, "thickness_mm": -1}]
    ),
    "diameter_mm of the footprint of mount p0 is NaN": document(float("nan")),
    "mounts holds 1000 mounts": document(*[1] * 1000),
    "The layout is not JSON at line 1": "{",
}


@pytest.mark.parametrize("sentence", REFUSED)
def test_given_a_layout_that_cannot_be_read_when_arranged_then_exit_2_and_one_sentence(
    tmp_path, capsys, sentence
):
    code, out, err = run(tmp_path, capsys, REFUSED[sentence], "--json")

    assert (code, out) == (2, "")
    assert sentence in err
    assert len(err.strip().splitlines()) == 1


def test_given_no_such_file_when_arranged_then_exit_2_names_it(capsys):
    with pytest.raises(SystemExit) as ended:
        call_command("arrange", "/no/such/layout.json")

    assert ended.value.code == 2
    assert "/no/such/layout.json cannot be read" in capsys.readouterr().err


def test_given_a_bare_environment_when_run_as_a_program_then_it_needs_no_variable_or_database(
    tmp_path,
):
    file = tmp_path / "layout.json"
    file.write_text(json.dumps(document(5, 5)), encoding="utf-8")

    done = subprocess.run(
        [sys.executable, str(ROOT / "manage.py"), "arrange", str(file), "--json"],
        cwd=tmp_path,
        env={"PATH": os.environ["PATH"]},
        capture_output=True,
        text=True,
        timeout=60,
    )

    assert (done.returncode, done.stderr) == (0, "")
    assert len(json.loads(done.stdout)["mounts"]) == 2
    assert sorted(tmp_path.iterdir()) == [file]
