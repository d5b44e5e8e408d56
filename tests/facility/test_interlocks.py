import itertools
import json
import resource
import subprocess
import sys
import time

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from facility import interlocks, statespace
from facility.interlocks import SheetRefused
from tests.facility import plain_search

# A lock small enough to be walked by hand. Doors and pump are independent but for the hazard:
# (door, pump) can be shut/off, open/off, shut/on; open/on is kept away by one condition.
LOCK = {
    "devices": {"door": ["shut", "open"], "pump": ["off", "on"]},
    "start": {"door": "shut", "pump": "off"},
    "rest": {"door": "shut", "pump": "off"},
    "steps": [
        {"id": "open_door", "requires": {"door": "shut", "pump": "off"}, "sets": {"door": "open"}},
        {"id": "shut_door", "requires": {"door": "open"}, "sets": {"door": "shut"}},
        {"id": "pump_on", "requires": {"door": "shut"}, "sets": {"pump": "on"}},
        {"id": "pump_off", "requires": {"pump": "on"}, "sets": {"pump": "off"}},
    ],
    "never": [{"id": "pumping_the_room", "when": {"door": "open", "pump": "on"}}],
}


def lock(**changes):
    return json.loads(json.dumps(LOCK | changes))


def prove(document, **options):
    return interlocks.prove(interlocks.read(document), **options)


def as_answers(proof):
    return {
        "hazards": {name: len(trace) for name, trace in proof.hazards.items()},
        "states": proof.states,
        "never_possible": proof.never_possible,
        "no_way": proof.states_with_no_way_to_rest,
        "fails_at": proof.listed_order_fails_at,
        "conditions": proof.conditions,
    }


# Small machines, answers by hand


def test_given_a_guarded_lock_when_proved_then_it_is_safe_in_its_three_states():
    proof = prove(LOCK, conditions=True)

    assert proof.safe
    assert proof.states == 3
    assert proof.never_possible == ()
    assert proof.states_with_no_way_to_rest == 0
    assert proof.listed_order_works
    guards = {(step, device): hazards for step, device, hazards in proof.conditions}
    assert guards == {
        ("open_door", "door"): (),
        ("open_door", "pump"): ("pumping_the_room",),
        ("shut_door", "door"): (),
        ("pump_on", "door"): ("pumping_the_room",),
        ("pump_off", "pump"): (),
    }


def test_given_a_condition_left_out_when_proved_then_the_shortest_way_to_damage_is_told():
    steps = lock()["steps"]
    del steps[0]["requires"]["pump"]

    proof = prove(lock(steps=steps))

    assert not proof.safe
    assert proof.hazards == {"pumping_the_room": ("pump_on", "open_door")}
    assert proof.states == 4


def test_given_a_start_inside_the_hazard_when_proved_then_the_trace_is_empty():
    proof = prove(LOCK, start_changes={"door": "open", "pump": "on"})

    assert proof.hazards == {"pumping_the_room": ()}
    assert proof.listed_order_fails_at == "open_door"
    assert proof.states == 4  # on through the hazard, to all the rest


def test_given_a_deadlock_when_proved_then_its_states_are_counted():
    steps = [*lock()["steps"], {"id": "jam", "requires": {"pump": "on"}, "sets": {"lid": "jammed"}}]
    for step in steps[:4]:
        step["requires"]["lid"] = "free"
    devices = LOCK["devices"] | {"lid": ["free", "jammed"]}

    proof = prove(
        lock(
            steps=steps,
            devices=devices,
            start=LOCK["start"] | {"lid": "free"},
            rest=LOCK["rest"] | {"lid": "free"},
        )
    )

    assert proof.states == 4  # the three, and pump on with the lid jammed
    assert proof.states_with_no_way_to_rest == 1
    assert proof.safe


def test_given_a_contradiction_when_proved_then_the_step_is_never_possible():
    steps = [*lock()["steps"], {"id": "both", "requires": {"door": "open", "pump": "on"}}]

    proof = prove(lock(steps=steps))

    assert proof.never_possible == ("both",)
    assert proof.listed_order_fails_at == "both"


def test_given_only_an_event_leading_to_rest_when_proved_then_it_is_no_way():
    steps = lock()["steps"]
    steps[3]["kind"] = "event"

    proof = prove(lock(steps=steps))

    assert proof.states == 3
    assert proof.states_with_no_way_to_rest == 1  # pump on, and nobody can switch it off
    assert proof.listed_order_works  # open, shut, pump on: the event is not in the list


def test_given_the_same_effect_as_event_and_as_step_when_proved_then_the_step_is_a_way():
    steps = lock()["steps"]
    steps.insert(3, {**steps[3], "id": "trips", "kind": "event"})

    assert prove(lock(steps=steps)).states_with_no_way_to_rest == 0


def test_given_a_sheet_without_steps_when_proved_then_the_start_is_its_only_state():
    proof = prove({"devices": {"door": ["shut"]}, "start": {"door": "shut"}, "steps": []})

    assert (proof.safe, proof.states, proof.states_with_no_way_to_rest) == (True, 1, 0)


def test_given_a_hazard_that_names_nothing_when_proved_then_it_always_holds():
    assert prove(lock(never=[{"id": "always", "when": {}}])).hazards == {"always": ()}


def test_given_a_required_state_that_nothing_ever_sets_when_proved_then_the_step_is_never_possible():
    devices = LOCK["devices"] | {"pump": ["off", "on", "unknown"]}
    look = {"id": "look", "kind": "look", "requires": {"pump": "unknown"}, "sets": {"pump": "off"}}

    proof = prove(lock(devices=devices, steps=[*lock()["steps"], look]))

    assert proof.never_possible == ("look",)
    assert proof.states == 3


# Against the plain search


STATES = ["a", "b", "c", "d"]


@st.composite
def machines(draw):
    """A random sheet: up to six devices of up to four states, nine steps of all kinds."""
    devices = {
        f"d{number}": STATES[:count]
        for number, count in enumerate(draw(st.lists(st.integers(1, 4), min_size=1, max_size=6)))
    }

    def some(of_each):
        names = draw(st.lists(st.sampled_from(sorted(devices)), unique=True, max_size=3))
        return {name: draw(of_each(devices[name])) for name in names}

    def one(states):
        return st.sampled_from(states)

    def several(states):
        return one(states) | st.lists(one(states), min_size=1, unique=True)

    steps = [
        {
            "id": f"s{number}",
            "kind": draw(st.sampled_from(["step", "step", "look", "event"])),
            "requires": some(several),
            "sets": some(one),
        }
        for number in range(draw(st.integers(0, 9)))
    ]
    if steps and draw(st.booleans()):  # a step that repeats another
        steps.append({**draw(st.sampled_from(steps)), "id": "again", "kind": "step"})
    return {
        "devices": devices,
        "start": {name: draw(one(states)) for name, states in devices.items()},
        "rest": some(several),
        "steps": steps,
        "never": [{"id": f"h{n}", "when": some(several)} for n in range(draw(st.integers(0, 4)))],
    }


ROADS = {
    "as measured": {},
    "one by one": {"_THIN": 10**9},
    "arrays": {"_THIN": 0, "_BLOCK": 5},
    "arrays and a dictionary": {"_THIN": 0, "_BLOCK": 7, "_DENSE_BITS": -1},
}


@pytest.mark.parametrize("road", ROADS)
@settings(
    max_examples=150,
    deadline=None,
    derandomize=True,
    suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow],
)
@given(document=machines())
def test_given_any_machine_when_proved_then_the_plain_search_agrees(monkeypatch, road, document):
    for name, value in ROADS[road].items():
        monkeypatch.setattr(statespace, name, value)

    proof = prove(document, conditions=True)

    assert as_answers(proof) == plain_search.answers(document)
    sheet = interlocks.read(document)
    for hazard, trace in proof.hazards.items():
        state = sheet.start
        for step in trace:
            assert interlocks.why_not(sheet, state, step) is None
            state = interlocks.apply(sheet, state, step)
        assert hazard in [row.id for row in interlocks.hazards_in(sheet, state)]


@settings(max_examples=60, deadline=None, derandomize=True)
@given(document=machines())
def test_given_more_devices_than_63_bits_hold_when_proved_then_the_plain_search_agrees(document):
    """70 more devices that one step flips together: too wide for an array of integers."""
    more = [f"x{number}" for number in range(70)]
    document["devices"] |= {name: ["a", "b"] for name in more}
    document["start"] |= dict.fromkeys(more, "a")
    document["steps"].append(
        {"id": "flip", "requires": {"x0": "a"}, "sets": dict.fromkeys(more, "b")}
    )
    document["rest"]["x1"] = "b"

    proof = prove(document, conditions=True)

    assert as_answers(proof) == plain_search.answers(document)


@settings(max_examples=100, deadline=None, derandomize=True)
@given(document=machines())
def test_given_any_machine_when_asked_for_a_way_to_rest_then_it_is_a_shortest_without_new_hazards(
    document,
):
    sheet = interlocks.read(document)
    names = list(sheet.devices)
    people = [step for step in sheet.steps if step.kind != "event"]
    for words in itertools.islice(itertools.product(*sheet.devices.values()), 0, 200, 7):
        state = dict(zip(names, words, strict=True))

        way = interlocks.way_to_rest(sheet, state)

        assert (len(way) if way is not None else None) == _steps_to_rest(sheet, people, state)


def _steps_to_rest(sheet, people, state):
    """Length of a shortest way, front by front over dictionaries."""

    def hazards(state):
        return {h.id for h in sheet.never if plain_search.all_hold(h.when, state)}

    front, seen, length = [state], [state], 0
    while front:
        if any(plain_search.all_hold(sheet.rest, state) for state in front):
            return length
        following = []
        for state in front:
            for step in people:
                after = {**state, **step.sets}
                if (
                    plain_search.all_hold(step.requires, state)
                    and hazards(after) <= hazards(state)
                    and after not in seen
                ):
                    seen.append(after)
                    following.append(after)
        front, length = following, length + 1
    return None


# One state at a time


def test_given_a_state_when_asked_what_is_possible_then_the_steps_whose_requirements_hold():
    sheet = interlocks.read(LOCK)

    found = interlocks.possible(sheet, {"door": "shut", "pump": "on"})

    assert [step.id for step in found] == ["pump_on", "pump_off"]


def test_given_a_step_that_is_not_possible_when_asked_why_then_each_device_is_named_with_its_state():
    devices = LOCK["devices"] | {"pump": ["off", "on", "unknown"]}
    sheet = interlocks.read(lock(devices=devices))

    why = interlocks.why_not(sheet, {"door": "open", "pump": "unknown"}, "open_door")

    assert why == (
        "Needs door shut (it is open) and pump off (it is unknown: look and confirm first)."
    )
    assert interlocks.why_not(sheet, sheet.start, "open_door") is None


def test_given_what_must_not_be_when_it_happened_all_the_same_then_hazard_and_way_back_are_named():
    sheet = interlocks.read(LOCK)

    found = interlocks.happened(sheet, sheet.start, {"door": "open", "pump": "on"})

    assert found.state == {"door": "open", "pump": "on"}
    assert [hazard.id for hazard in found.hazards] == ["pumping_the_room"]
    assert [step.id for step in found.way_to_rest] in (
        ["shut_door", "pump_off"],
        ["pump_off", "shut_door"],
    )


def test_given_the_only_way_leads_through_a_hazard_when_asked_then_there_is_no_way():
    steps = [
        {"id": "pump_on", "requires": {"door": "open", "pump": "off"}, "sets": {"pump": "on"}},
        {"id": "shut_door", "requires": {"pump": "on"}, "sets": {"door": "shut"}},
        {"id": "pump_off", "requires": {"door": "shut"}, "sets": {"pump": "off"}},
    ]
    sheet = interlocks.read(lock(steps=steps))

    assert interlocks.way_to_rest(sheet, {"door": "open", "pump": "off"}) is None
    already = interlocks.way_to_rest(sheet, {"door": "open", "pump": "on"})
    assert [step.id for step in already] == ["shut_door", "pump_off"]


def test_given_a_sheet_when_anything_may_be_lost_then_an_event_for_each_such_device():
    devices = LOCK["devices"] | {"pump": ["off", "on", "unknown"]}
    sheet = interlocks.with_anything_lost(interlocks.read(lock(devices=devices)))

    lost = sheet.steps[-1]
    assert (lost.kind, lost.sets) == ("event", {"pump": "unknown"})
    assert len(sheet.steps) == len(LOCK["steps"]) + 1


# Reading


def test_given_only_what_is_needed_when_read_then_the_rest_has_its_defaults():
    sheet = interlocks.read(
        {
            "devices": {"door": ["shut", "open"]},
            "start": {"door": "shut"},
            "steps": [{"id": "wait"}],
            "never": [{"id": "open", "when": {"door": "open"}}],
        }
    )

    step = sheet.step_of["wait"]
    assert (step.kind, step.requires, step.sets, step.gates, step.asks) == ("step", {}, {}, (), ())
    assert sheet.never[0].when == {"door": ("open",)}
    assert sheet.rest == {}
    assert interlocks.at_rest(sheet, {"door": "open"})


def test_given_one_state_alone_when_read_then_it_is_a_list_of_one():
    sheet = interlocks.read(LOCK)

    assert sheet.step_of["pump_on"].requires == {"door": ("shut",)}
    assert sheet.rest == {"door": ("shut",), "pump": ("off",)}


STEP = {"id": "wait"}
REFUSALS = {
    "not an object": ([], "A run sheet is a JSON object with devices, start and steps."),
    "no devices": ({"start": {}, "steps": []}, "The run sheet has no devices."),
    "no steps": ({"devices": {}, "start": {}}, "The run sheet has no steps."),
    "devices a list": (lock(devices=[]), "devices is not an object of lists of states."),
    "no states": (lock(devices={"door": []}), "The device door needs a list of its states."),
    "states of numbers": (
        lock(devices={"door": [1]}),
        "The device door needs a list of its states.",
    ),
    "a state twice": (
        lock(devices={"door": ["shut", "shut"]}),
        "The device door lists one state twice.",
    ),
    "start incomplete": (lock(start={"door": "shut"}), "start does not say the state of pump."),
    "start with a list": (
        lock(start={"door": ["shut"], "pump": "off"}),
        "start gives door a state that is not text: ['shut'].",
    ),
    "start unknown device": (
        lock(start={"door": "shut", "pump": "off", "lid": "on"}),
        "start names the device lid, which devices does not list.",
    ),
    "start unknown state": (
        lock(start={"door": "ajar", "pump": "off"}),
        "start names the state ajar of door, which has shut, open.",
    ),
    "rest unknown device": (
        lock(rest={"lid": ["on"]}),
        "rest names the device lid, which devices does not list.",
    ),
    "rest unknown device, no states": (
        lock(rest={"lid": []}),
        "rest names the device lid, which devices does not list.",
    ),
    "rest unknown state": (
        lock(rest={"door": ["ajar"]}),
        "rest names the state ajar of door, which has shut, open.",
    ),
    "rest not a list": (lock(rest={"door": 3}), "rest does not give door a list of states."),
    "steps an object": (lock(steps={}), "steps is not a list."),
    "a step of text": (lock(steps=["wait"]), "Step 1 is not an object."),
    "a step without id": (lock(steps=[STEP, {"says": "go"}]), "Step 2 has no id."),
    "a step's id a number": (lock(steps=[{"id": 7}]), "The id of step 1 is not a word: 7."),
    "an empty id": (lock(steps=[{"id": " "}]), "The id of step 1 is not a word: ' '."),
    "two steps alike": (lock(steps=[STEP, STEP]), "Two steps have the id wait."),
    "kind": (
        lock(steps=[{"id": "wait", "kind": "pause"}]),
        "Step wait is of kind 'pause'; write step, event or look.",
    ),
    "kind a list": (
        lock(steps=[{"id": "wait", "kind": []}]),
        "Step wait is of kind []; write step, event or look.",
    ),
    "requires unknown device": (
        lock(steps=[{"id": "wait", "requires": {"lid": "on"}}]),
        "requires of step wait names the device lid, which devices does not list.",
    ),
    "requires unknown state": (
        lock(steps=[{"id": "wait", "requires": {"door": ["shut", "ajar"]}}]),
        "requires of step wait names the state ajar of door, which has shut, open.",
    ),
    "sets unknown state": (
        lock(steps=[{"id": "wait", "sets": {"door": "ajar"}}]),
        "sets of step wait names the state ajar of door, which has shut, open.",
    ),
    "sets a list": (
        lock(steps=[{"id": "wait", "sets": {"door": ["shut"]}}]),
        "sets of step wait gives door a state that is not text: ['shut'].",
    ),
    "requires a list": (
        lock(steps=[{"id": "wait", "requires": ["door"]}]),
        "requires of step wait is not an object of device and states.",
    ),
    "gates": (
        lock(steps=[{"id": "wait", "gates": [1]}]),
        "Step wait: gates is not a list of names.",
    ),
    "says": (lock(steps=[{"id": "wait", "says": 1}]), "Step wait: says is not text."),
    "a misspelt key": (
        lock(steps=[{"id": "wait", "require": {}}]),
        "Step wait has 'require'; write 'requires'.",
    ),
    "never an object": (lock(never={}), "never is not a list."),
    "a hazard without id": (lock(never=[{"when": {}}]), "Hazard 1 has no id."),
    "a hazard without when": (lock(never=[{"id": "boom"}]), "Hazard boom has no when."),
    "two hazards alike": (
        lock(never=[{"id": "boom", "when": {"door": "open"}}] * 2),
        "Two hazards have the id boom.",
    ),
    "a hazard of an unknown state": (
        lock(never=[{"id": "boom", "when": {"door": "ajar"}}]),
        "when of hazard boom names the state ajar of door, which has shut, open.",
    ),
    "a hazard of no state": (
        lock(never=[{"id": "boom", "when": {"door": []}}]),
        "Hazard boom gives no state of door, so it could never occur.",
    ),
}


@pytest.mark.parametrize("name", REFUSALS)
def test_given_a_document_that_is_no_run_sheet_when_read_then_one_sentence_says_why(name):
    document, sentence = REFUSALS[name]

    with pytest.raises(SheetRefused) as refusal:
        interlocks.read(document)

    assert str(refusal.value) == sentence


@pytest.mark.parametrize(
    ("text", "sentence"),
    [
        ("", "The run sheet is not JSON: line 1, column 1, expecting value."),
        (
            '{"devices": {}',
            "The run sheet is not JSON: line 1, column 15, expecting ',' delimiter.",
        ),
        ('{"devices": {"a": ["x"], "a": ["y"]}}', "The run sheet gives 'a' twice in one object."),
        ("[" * 100_000, "The run sheet is nested too deeply to be one."),
        ('{"devices": "\\ud800"}', "The run sheet holds half a character (a lone surrogate)."),
    ],
)
def test_given_text_that_is_no_run_sheet_when_read_then_one_sentence_says_why(text, sentence):
    with pytest.raises(SheetRefused) as refusal:
        interlocks.read_text(text)

    assert str(refusal.value) == sentence


def test_given_changes_in_text_when_read_then_each_device_has_its_state():
    assert interlocks.read_changes("") == {}
    assert interlocks.read_changes(" door=open, pump = on,") == {"door": "open", "pump": "on"}


@pytest.mark.parametrize(
    ("text", "sentence"),
    [
        (
            "door",
            "A start is changed by device=state, such as gate_valve=open; 'door' is not that.",
        ),
        ("=on", "A start is changed by device=state, such as gate_valve=open; '=on' is not that."),
        ("door=open,door=shut", "The changed start names door twice."),
        ("lid=on", "The changed start names the device lid, which devices does not list."),
        ("door=ajar", "The changed start names the state ajar of door, which has shut, open."),
    ],
)
def test_given_changes_that_make_no_sense_when_used_then_one_sentence_says_why(text, sentence):
    sheet = interlocks.read(LOCK)

    with pytest.raises(SheetRefused) as refusal:
        interlocks.prove(sheet, interlocks.read_changes(text))

    assert str(refusal.value) == sentence


# Large machines


def switches(count):
    """`count` switches, each turned on and off: 2^count states, 2 x count steps."""
    devices = {f"d{number}": ["off", "on"] for number in range(count)}
    steps = []
    for name in devices:
        steps.append({"id": f"{name}_on", "requires": {name: "off"}, "sets": {name: "on"}})
        steps.append({"id": f"{name}_off", "requires": {name: "on"}, "sets": {name: "off"}})
    return {
        "devices": devices,
        "start": dict.fromkeys(devices, "off"),
        "rest": dict.fromkeys(devices, "off"),
        "steps": steps,
        "never": [{"id": "all_on", "when": dict.fromkeys(devices, "on")}],
    }


def clock(count):
    """A counter of `count` bits: 2^count states, one after the other, in one direction only."""
    document = switches(count)
    names = list(document["devices"])
    document["steps"] = [
        {
            "id": f"carry_{number}",
            "requires": {name: "off"} | dict.fromkeys(names[:number], "on"),
            "sets": {name: "on"} | dict.fromkeys(names[:number], "off"),
        }
        for number, name in enumerate(names)
    ]
    document["steps"] += [{"id": f"idle_{n}"} for n in range(40 - count)]
    document["rest"] = dict.fromkeys(names, "on")
    return document


def loose(count):
    """Like `switches`, but every step is always possible: the most transitions there can be."""
    document = switches(count)
    for step in document["steps"]:
        step["requires"] = {}
    return document


def test_given_sixteen_switches_when_proved_then_each_state_is_counted_once():
    proof = prove(switches(16))

    assert proof.states == 2**16
    assert sorted(proof.hazards["all_on"]) == sorted(f"d{number}_on" for number in range(16))
    assert proof.states_with_no_way_to_rest == 0


def test_given_a_clock_when_proved_then_the_trace_runs_through_every_state():
    proof = prove(clock(12))

    assert proof.states == 2**12
    assert len(proof.hazards["all_on"]) == 2**12 - 1
    assert proof.states_with_no_way_to_rest == 0


def test_given_more_states_than_a_proof_takes_when_proved_then_it_is_refused_with_the_count(
    monkeypatch,
):
    monkeypatch.setattr(statespace, "MOST_STATES", 1000)

    with pytest.raises(SheetRefused, match=r"more than 1,000 states \(1,0\d\d when"):
        prove(switches(11))
    assert prove(switches(9)).states == 512


def test_given_a_loosened_sheet_above_the_bound_when_asked_for_conditions_then_it_says_which(
    monkeypatch,
):
    monkeypatch.setattr(statespace, "MOST_STATES", 600)
    document = switches(10)
    document["steps"][0]["requires"]["d1"] = "on"
    document["steps"][2]["requires"]["d0"] = "on"  # d0 and d1 wait for each other: 2^8 states

    assert prove(document).states == 256
    with pytest.raises(
        SheetRefused, match=r"^Without the condition on d1 of step d0_on: The sheet"
    ):
        prove(document, conditions=True)


@pytest.mark.soak
@pytest.mark.parametrize("make", [switches, loose, clock])
def test_given_2_to_20_states_and_40_steps_when_proved_then_in_30_s_and_1_gb(make, tmp_path):
    sheet = tmp_path / "sheet.json"
    document = make(20)
    sheet.write_text(json.dumps(document))
    assert len(document["steps"]) == 40

    begun = time.perf_counter()
    done = subprocess.run(
        [sys.executable, "manage.py", "prove", str(sheet), "--json"],
        capture_output=True,
        text=True,
        check=False,
    )
    seconds = time.perf_counter() - begun

    assert done.returncode == 1, done.stderr
    assert json.loads(done.stdout)["states"] == 2**20
    assert json.loads(done.stdout)["states_with_no_way_to_rest"] == 0
    assert seconds < 30
    # the largest child so far, in kB: a bound for this one
    assert resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss < 1e6


@pytest.mark.soak
def test_given_2_to_21_states_when_proved_then_they_fit_and_twice_as_many_are_refused():
    assert prove(switches(21)).states == 2**21
    with pytest.raises(SheetRefused, match="more than 2,097,152 states"):
        prove(switches(22))
