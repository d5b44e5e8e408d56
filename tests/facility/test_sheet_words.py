"""Run sheets in words: proofs, differences; no database."""

import copy

import pytest

from facility import drafting, sheet_words, shipped


def changed(**more):
    """The short sheet and the same with one step otherwise."""
    old = shipped.document("short")
    row = copy.deepcopy(drafting.part_of(old, ("step", "transfer"))) | more
    return old, drafting.put_step(old, row)


@pytest.mark.parametrize("name", list(shipped.NAMES))
def test_given_the_same_sheet_when_compared_then_nothing_is_otherwise(name):
    assert sheet_words.differences(shipped.document(name), shipped.document(name)) == []


STEP = "“Switch the gauge off, open the gate valve, move the holder onto the stage.”"


@pytest.mark.parametrize(
    ("more", "sentence"),
    [
        ({"requires": {}}, f"{STEP} no longer needs arm home."),
        ({"why": ""}, f"Reason of {STEP}: was “What is left in the introduction"),
        ({"sets": {"arm": "home"}}, f"{STEP} leaves arm home, not in."),
        ({"sets": {"arm": "home"}}, f"{STEP} leaves gate valve as it was, not open."),
        ({"marks": []}, f"{STEP} no longer brings about transfer."),
        ({"asks": ["holder"]}, f"{STEP} now asks for holder."),
        ({"kind": "event"}, f"{STEP} is now an event, not a step."),
    ],
)
def test_given_a_step_otherwise_when_compared_then_a_sentence_says_what(more, sentence):
    said = sheet_words.differences(*changed(**more))

    assert any(row.startswith(sentence) for row in said), said


def test_given_one_state_alone_or_in_a_list_when_compared_then_they_are_the_same():
    old, new = changed()
    drafting.part_of(new, ("step", "transfer"))["requires"]["arm"] = "home"

    assert sheet_words.differences(old, new) == []


def test_given_one_step_moved_far_when_compared_then_only_that_one_is_said_to_be_moved():
    old = shipped.document("photoelectron")
    new = drafting.put_step(old, drafting.part_of(old, ("step", "measure")), after="fresh_gloves")

    assert sheet_words.differences(old, new) == [
        "Moved: Check the reference, then take a survey of every sample as received."
    ]


def test_given_devices_and_hazards_otherwise_when_compared_then_each_is_named():
    old = shipped.document("short")
    new = drafting.put_device(old, "lamp", ["off", "on"], "off", ["off"])
    new = drafting.put_device(new, "door", ["shut", "open", "unknown"], "open", [])
    new = drafting.strike_out(new, "gate_open_at_air", "It has no gate.", 3)

    assert sheet_words.differences(old, new) == [
        "Door starts open, not shut.",
        "At rest: door in any state, not shut.",
        "New device: lamp (off, on).",
        "Hazard no longer excluded: The gate valve is open while the introduction chamber is at air.",
        "Struck out: The gate valve is open while the introduction chamber is at air. It has no gate.",
    ]


def test_given_a_proof_that_says_little_when_put_in_words_then_only_that_is_said():
    words = sheet_words.of_proof(shipped.document("short"), {"safe": True, "states": 19})

    assert words.verdict == "Safe against these 5 hazards, 19 states."
    assert (words.stuck, words.order, words.lost, words.is_whole) == ("", "", "", False)


def test_given_no_proof_when_put_in_words_then_it_is_not_proven():
    words = sheet_words.of_proof(shipped.document("short"), {})

    assert (words.verdict, words.stands) == ("Not proven yet.", False)


@pytest.mark.parametrize(("way", "order"), [(-1, ["a", "b", "look"]), (1, ["b", "a", "look"])])
def test_given_a_step_when_moved_then_it_changes_places_within_its_kind_and_stops_at_the_end(
    way, order
):
    document = {"steps": [{"id": "a"}, {"id": "look", "kind": "look"}, {"id": "b"}]}

    moved = drafting.move_step(document, "a", way)

    assert sorted(row["id"] for row in moved["steps"]) == ["a", "b", "look"]
    steps = [row["id"] for row in moved["steps"] if row["id"] != "look"]
    assert steps == order[:2]
    assert moved["steps"][1]["id"] == "look"
