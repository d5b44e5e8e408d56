"""The tablet's part of the run sheet: static/js/sheet.js answers as the engine does."""

import json
import random
from pathlib import Path

import pytest

from facility import interlocks
from tests.facility.test_sheets import SHEETS, any_states

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]
SCRIPT = Path(__file__).parents[2] / "static" / "js" / "sheet.js"


@pytest.fixture
def run_sheet(screen):
    """A page of ours with the script, asked as the tablet's page asks it."""
    page = screen("tablet")
    page.goto("/sign-in/")
    assert page.evaluate("typeof runSheet") == "undefined"
    with page.expect_response(lambda answer: answer.url.endswith("sheet.js")) as answered:
        page.evaluate(
            """() => new Promise((loaded, failed) => {
                const script = document.createElement("script")
                script.src = "/static/js/sheet.js"
                script.onload = loaded
                script.onerror = failed
                document.head.append(script)
            })"""
        )
    assert answered.value.text() == SCRIPT.read_text()
    return lambda document, states: page.evaluate(
        "([sheet, states]) => states.map(state => runSheet.possible(sheet, state))",
        [document, states],
    )


@pytest.mark.parametrize("name", ["photoelectron", "electron_microscope", "short"])
def test_given_1000_random_states_when_both_are_asked_then_script_and_engine_agree(run_sheet, name):
    document = json.loads((SHEETS / f"{name}.json").read_text())
    sheet = interlocks.read(document)
    states = any_states(sheet, 1000, seed=20261125)

    answers = run_sheet(document, states)

    engine = [[step.id for step in interlocks.possible(sheet, state)] for state in states]
    assert answers == engine
    assert len({tuple(answer) for answer in answers}) > 50  # the states do tell steps apart


def test_given_states_written_alone_and_random_conditions_when_asked_then_they_agree(run_sheet):
    chance = random.Random(7)
    devices = {f"d{n}": ["a", "b", "c", "unknown"] for n in range(6)}
    steps = []
    for n in range(60):
        requires = {}
        for device in chance.sample(sorted(devices), chance.randrange(4)):
            some = chance.sample(devices[device], chance.randrange(5))
            requires[device] = some[0] if len(some) == 1 else some
        steps.append({"id": f"s{n}", "requires": requires} if requires else {"id": f"s{n}"})
    document = {"devices": devices, "start": dict.fromkeys(devices, "a"), "steps": steps}
    sheet = interlocks.read(document)
    states = any_states(sheet, 1000, seed=8)

    answers = run_sheet(document, states)

    assert answers == [[s.id for s in interlocks.possible(sheet, state)] for state in states]
