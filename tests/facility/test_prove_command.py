import io
import json
import subprocess
import sys
from pathlib import Path

import pytest
from django.core.management import call_command

from facility import statespace
from tests.facility.test_interlocks import LOCK, lock

ROOT = Path(__file__).parents[2]
KEYS = [
    "safe",
    "hazards",
    "states",
    "never_possible",
    "states_with_no_way_to_rest",
    "listed_order_works",
    "listed_order_fails_at",
]


@pytest.fixture
def sheet(tmp_path):
    """Writes a document to a file and gives its path."""

    def write(document):
        path = tmp_path / "sheet.json"
        text = document if isinstance(document, str) else json.dumps(document)
        path.write_text(text, encoding="utf-8")
        return str(path)

    return write


def prove(*arguments):
    """(exit code, standard output, standard error) of `manage.py prove`."""
    out, err = io.StringIO(), io.StringIO()
    try:
        call_command("prove", *arguments, stdout=out, stderr=err)
    except SystemExit as end:
        return end.code, out.getvalue(), err.getvalue()
    return 0, out.getvalue(), err.getvalue()


def unguarded():
    steps = lock()["steps"]
    del steps[0]["requires"]["pump"]
    steps[0]["says"] = "Open the door."
    never = [LOCK["never"][0] | {"why": "The pump takes in the room's air."}]
    return lock(steps=steps, never=never)


def test_given_a_safe_sheet_when_proved_as_json_then_exit_0_and_the_document_alone(sheet):
    code, out, err = prove(sheet(LOCK), "--json")

    assert (code, err) == (0, "")
    assert list(json.loads(out)) == KEYS
    assert json.loads(out) == {
        "safe": True,
        "hazards": [],
        "states": 3,
        "never_possible": [],
        "states_with_no_way_to_rest": 0,
        "listed_order_works": True,
        "listed_order_fails_at": None,
    }


def test_given_an_unsafe_sheet_when_proved_as_json_then_exit_1_and_a_shortest_trace(sheet):
    code, out, err = prove(sheet(unguarded()), "--json")

    assert (code, err) == (1, "")
    assert json.loads(out)["safe"] is False
    assert json.loads(out)["hazards"] == [
        {"id": "pumping_the_room", "trace": ["pump_on", "open_door"]}
    ]


def test_given_conditions_asked_when_proved_as_json_then_each_has_its_hazards(sheet):
    _, out, _ = prove(sheet(LOCK), "--json", "--conditions")

    assert list(json.loads(out)) == [*KEYS, "conditions"]
    assert json.loads(out)["conditions"][:2] == [
        {"step": "open_door", "device": "door", "guards": []},
        {"step": "open_door", "device": "pump", "guards": ["pumping_the_room"]},
    ]


def test_given_another_start_when_proved_then_it_counts_from_there(sheet):
    code, out, _ = prove(sheet(LOCK), "--json", "--from", "door=open,pump=on")

    assert code == 1
    assert json.loads(out)["hazards"] == [{"id": "pumping_the_room", "trace": []}]
    assert json.loads(out)["listed_order_fails_at"] == "open_door"


def test_given_a_safe_sheet_when_proved_for_people_then_the_verdict_comes_first(sheet):
    code, out, _ = prove(sheet(LOCK), "--conditions")

    assert code == 0
    assert out.splitlines()[:3] == [
        "Safe against 1 hazard in 3 states.",
        "The listed order works.",
        "From every state some way leads to rest.",
    ]
    assert "open_door needs pump: keeps away pumping_the_room." in out
    assert "pump_off needs pump: is not needed." in out


def test_given_an_unsafe_sheet_when_proved_for_people_then_the_way_to_damage_is_in_words(sheet):
    code, out, _ = prove(sheet(unguarded()))

    assert code == 1
    assert out.splitlines()[:4] == [
        "Not safe: 1 of 1 hazards can happen, in 4 states.",
        "Pumping the room: The pump takes in the room's air.",
        "  1. pump on",
        "  2. Open the door.",
    ]


def test_given_a_hazard_at_the_start_when_proved_for_people_then_it_says_so(sheet):
    _, out, _ = prove(sheet(LOCK), "--from", "door=open,pump=on")

    assert "  It holds at the start already." in out.splitlines()
    assert "The listed order stops at open_door: open door" in out.splitlines()


@pytest.mark.parametrize(
    ("document", "arguments", "sentence"),
    [
        ("{", [], "The run sheet is not JSON: line 1, column 2, expecting property name"),
        ({"devices": {}}, [], "The run sheet has no start."),
        (lock(rest={"lid": "on"}), [], "rest names the device lid, which devices does not list."),
        (LOCK, ["--from", "lid=on"], "The changed start names the device lid, which devices does"),
        (LOCK, ["--from", "door"], "A start is changed by device=state, such as gate_valve=open;"),
    ],
)
@pytest.mark.parametrize("form", [[], ["--json"]])
def test_given_input_that_is_no_sheet_when_proved_then_exit_2_and_one_sentence(
    sheet, document, arguments, sentence, form
):
    code, out, err = prove(sheet(document), *arguments, *form)

    assert (code, out) == (2, "")
    assert err.startswith(sentence)
    assert err.count("\n") == 1


def test_given_a_file_that_is_not_there_when_proved_then_exit_2(tmp_path):
    code, out, err = prove(str(tmp_path / "none.json"))

    assert (code, out) == (2, "")
    assert err == f"{tmp_path / 'none.json'} cannot be read: No such file or directory.\n"


def test_given_a_file_that_is_not_text_when_proved_then_exit_2(tmp_path):
    (tmp_path / "sheet.json").write_bytes(b"\xff\xfe\x00{")

    code, _, err = prove(str(tmp_path / "sheet.json"))

    assert code == 2
    assert err.endswith("is not text in UTF-8.\n")


def test_given_too_many_states_when_proved_then_exit_2_with_the_count(sheet, monkeypatch):
    monkeypatch.setattr(statespace, "MOST_STATES", 2)

    code, out, err = prove(sheet(LOCK), "--json")

    assert (code, out) == (2, "")
    assert err.startswith("The sheet reaches more than 2 states (3 when the proof stopped);")


def test_given_no_environment_and_no_database_when_proved_then_it_works(sheet):
    done = subprocess.run(
        [sys.executable, ROOT / "manage.py", "prove", sheet(unguarded()), "--json"],
        env={},
        cwd="/",
        capture_output=True,
        text=True,
        check=False,
    )

    assert (done.returncode, done.stderr) == (1, "")
    assert json.loads(done.stdout)["states"] == 4
