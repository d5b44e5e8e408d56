import json
import os
import subprocess
import sys
from pathlib import Path

import pytest
from django.core.management import call_command

ROOT = Path(__file__).parents[2]


def write(tmp_path, document):
    file = tmp_path / "layout.json"
    file.write_text(document if isinstance(document, str) else json.dumps(document))
    return file


def disc(id_, x_mm, **fields):
    footprint = {"shape": "disc", "diameter_mm": 5, "x_mm": x_mm, "y_mm": 0}
    return {"id": id_, "footprint": footprint} | fields


def document(*mounts, **fields):
    holder = {"shape": "disc", "diameter_mm": 25.4, "edge_margin_mm": 2, "max_thickness_mm": 6}
    return {"holder": holder, "mounts": list(mounts)} | fields


def assess(file, capsys, *options):
    call_command("assess", str(file), *options)
    return capsys.readouterr().out


def refused(file, capsys):
    with pytest.raises(SystemExit) as ended:
        call_command("assess", str(file), "--json")
    printed = capsys.readouterr()
    assert ended.value.code == 2
    assert printed.out == ""
    assert len(printed.err.strip().splitlines()) == 1
    return printed.err


def test_given_a_layout_when_assessed_then_one_json_document_answers(tmp_path, capsys):
    instrument = {
        "photon_energy_ev": 1486.6,
        "z_ref_mm": 20.0,
        "free_distance_mm": 8.0,
        "margin_mm": 1.5,
        "tape_mm": 0.08,
    }
    mounts = [
        disc("p1", -5, thickness_mm=0.5, form="film", composition="TiO2", wants=["Ti 2p"]),
        disc("p2", 1.37, thickness_mm=0.5, form="powder", composition="ZnO"),
    ]
    mounts[0]["mounting"] = "indium foil"

    answer = json.loads(
        assess(write(tmp_path, document(*mounts, instrument=instrument)), capsys, "--json")
    )

    assert set(answer) == {"findings", "gaps_mm", "height"}
    assert answer["gaps_mm"] == {"p1|p2": 1.37}
    assert answer["height"] == {"z_focus_mm": {"p1": 19.5, "p2": 19.42}, "z_max_mm": 25.92}
    by_rule = {one["rule"]: one for one in answer["findings"]}
    assert {"PWD-01", "MNT-01", "XCN-01"} <= set(by_rule)
    for one in answer["findings"]:
        keys = {"rule", "mounts", "severity", "value", "limit", "unit", "says", "source"}
        assert set(one) == keys
        assert one["severity"] in ("note", "warn", "staff", "stop")
    assert "In 3d3/2" in by_rule["MNT-01"]["says"]
    assert by_rule["PWD-01"]["mounts"] == ["p2"]


def test_given_two_that_overlap_when_assessed_then_their_gap_is_zero(tmp_path, capsys):
    file = write(tmp_path, document(disc("a", 0), disc("b", 2)))

    answer = json.loads(assess(file, capsys, "--json"))

    assert answer["gaps_mm"] == {"a|b": 0.0}
    assert answer["height"] == {"z_focus_mm": {"a": None, "b": None}, "z_max_mm": None}


def test_given_a_layout_when_assessed_for_people_then_each_finding_is_a_line(tmp_path, capsys):
    file = write(tmp_path, document(disc("p1", 0, form="powder"), disc("p2", 8)))

    lines = assess(file, capsys).splitlines()

    assert lines[0].startswith("stop  PWD-01  p1: loose powder is not off yet.")


def test_given_nothing_to_say_when_assessed_then_it_says_so(tmp_path, capsys):
    assert assess(write(tmp_path, document(disc("p1", 0))), capsys) == "Nothing found on 1 mount.\n"


def test_given_what_people_declare_when_assessed_then_its_rules_speak(tmp_path, capsys):
    file = write(tmp_path, document(disc("p1", 0, form="pellet", ion_gun=True, hazards=["toxic"])))

    answer = json.loads(assess(file, capsys, "--json"))

    assert {one["rule"] for one in answer["findings"]} == {"PWD-02", "HAZ-01"}


@pytest.mark.parametrize(
    ("wrong", "says"),
    [
        ("{", "The layout is not JSON"),
        ("[]", "a JSON object"),
        ({"mounts": []}, "holder of the layout is missing"),
        (document(disc("p1", 0, composition="Xx")), "composition of mount p1"),
        (document(disc("p1", 0, wants=["Cu 7p"])), "copper has no 7p line"),
        (document(disc("p1", 0, mounting="glue")), "mounting of mount p1"),
        (document(disc("p1", 0, thickness_mm=-1)), "thickness_mm of mount p1 is -1"),
        (document({"id": "p1"}), "footprint of mount p1 is missing"),
        (document(disc("p1", 0, ion_gun="yes")), "ion_gun of mount p1 must be true or false"),
        (document(disc("p1", 0, hazards="toxic")), "hazards of mount p1 must be a list"),
        (document(disc("p1", 0, particle_nm=-1)), "particle_nm of mount p1 must be a number"),
        (document(disc("p1", 0, question="why")), "question of mount p1 must be one of"),
    ],
)
def test_given_a_wrong_layout_when_assessed_then_it_is_refused_in_one_sentence(
    wrong, says, tmp_path, capsys
):
    assert says in refused(write(tmp_path, wrong), capsys)


def test_given_no_file_when_assessed_then_it_is_refused(tmp_path, capsys):
    assert "cannot be read" in refused(tmp_path / "none.json", capsys)
    assert "cannot be read" in refused(tmp_path, capsys)


def test_given_a_bare_environment_when_run_then_it_needs_no_database_and_no_setting(tmp_path):
    file = write(tmp_path, document(disc("p1", 0, composition="Hg")))
    bare = {"PATH": os.environ["PATH"], "DATABASE_URL": "postgres://nobody@127.0.0.1:1/none"}

    done = subprocess.run(
        [sys.executable, "manage.py", "assess", str(file), "--json"],
        cwd=ROOT,
        env=bare,
        capture_output=True,
        text=True,
        check=False,
    )

    assert done.returncode == 0, done.stderr
    assert json.loads(done.stdout)["findings"][0]["rule"] == "VOL-01"


def test_given_a_refusal_when_run_then_the_exit_status_is_two_and_there_is_no_traceback(tmp_path):
    file = write(tmp_path, document(disc("p1", 0, composition="Xx")))

    done = subprocess.run(
        [sys.executable, "manage.py", "assess", str(file)],
        cwd=ROOT,
        capture_output=True,
        text=True,
        check=False,
    )

    assert done.returncode == 2
    assert done.stdout == ""
    assert done.stderr.strip() == (
        "composition of mount p1, 'Xx': 'Xx' at character 1 is not an element."
    )
