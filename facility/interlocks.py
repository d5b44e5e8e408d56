"""Devices, steps and hazards of a run sheet: what is possible, what is proven, the way back to rest.

A state gives each device one of its states. A step is possible where all its requirements hold;
a hazard is a combination of states that must never occur. `prove` walks every state that any
order of possible steps reaches, on through hazards, and takes every gate as open.
`unknown` is a state like any other, but no step that acts on a device and no hazard should name it:
it satisfies no condition, and only a look leaves it.
"""

import difflib
import heapq
import itertools
import json
import math
from dataclasses import dataclass, replace
from functools import cached_property

from facility import statespace

KINDS = ("step", "event", "look")


class SheetRefused(ValueError):
    """One sentence: what in the run sheet or in the state cannot be used, by name."""


class TooLarge(SheetRefused):
    """The run sheet reaches more states than a proof may walk; says how many were counted."""


@dataclass(frozen=True)
class Step:
    """One thing to do or to see (`look`), or one that the world does (`event`)."""

    id: str
    kind: str
    says: str
    why: str
    asks: tuple
    gates: tuple[str, ...]
    requires: dict[str, tuple[str, ...]]
    sets: dict[str, str]

    @property
    def words(self):
        """What a page prints: the step's own sentence, else its id with spaces."""
        return self.says or self.id.replace("_", " ")


@dataclass(frozen=True)
class Hazard:
    """A combination of device states that must never occur."""

    id: str
    when: dict[str, tuple[str, ...]]
    why: str
    says: str = ""

    @property
    def words(self):
        """What a page prints: the hazard's own sentence, else its id with spaces."""
        return self.says or self.id.replace("_", " ")


@dataclass(frozen=True, eq=False)
class Sheet:
    """A run sheet as data; `read` makes one out of its JSON document."""

    devices: dict[str, tuple[str, ...]]
    start: dict[str, str]
    rest: dict[str, tuple[str, ...]]
    steps: tuple[Step, ...]
    never: tuple[Hazard, ...]

    @cached_property
    def step_of(self):
        return {step.id: step for step in self.steps}

    @cached_property
    def machine(self):
        return statespace.Machine(self)


@dataclass(frozen=True)
class Proof:
    """What holds in every reachable state; `hazards` maps a reached hazard to a shortest trace.

    A state counts as having a way to rest where steps and looks lead there, events left out. A way
    through a hazard counts too: a sheet with one is unsafe already, and `way_to_rest` avoids it.
    """

    hazards: dict[str, tuple[str, ...]]
    states: int
    never_possible: tuple[str, ...]
    states_with_no_way_to_rest: int
    listed_order_fails_at: str | None
    conditions: tuple[tuple[str, str, tuple[str, ...]], ...] | None = None
    """(step, device, hazards that become reachable without that condition); None: not asked."""

    @property
    def safe(self):
        return not self.hazards

    @property
    def listed_order_works(self):
        return self.listed_order_fails_at is None


@dataclass(frozen=True)
class Happening:
    """What follows from something that really happened, in the sheet's order or not."""

    state: dict[str, str]
    hazards: tuple[Hazard, ...]
    way_to_rest: tuple[Step, ...] | None


# Reading the document


def read_text(text):
    """The Sheet in a JSON text, or SheetRefused."""
    try:
        document = json.loads(text, object_pairs_hook=_no_key_twice)
    except json.JSONDecodeError as problem:
        raise SheetRefused(
            f"The run sheet is not JSON: line {problem.lineno}, column {problem.colno}, "
            f"{problem.msg[0].lower()}{problem.msg[1:]}."
        ) from None
    except RecursionError:
        raise SheetRefused("The run sheet is nested too deeply to be one.") from None
    except SheetRefused:
        raise
    except ValueError:  # Python reads no whole number of more than 4,300 digits
        raise SheetRefused("The run sheet holds a number that is far too long.") from None
    try:
        json.dumps(document, ensure_ascii=False).encode()
    except UnicodeEncodeError:
        raise SheetRefused("The run sheet holds half a character (a lone surrogate).") from None
    return read(document)


def read(document):
    """The Sheet in a document of plain JSON values, or SheetRefused."""
    _want(isinstance(document, dict), "A run sheet is a JSON object with devices, start and steps.")
    for part in ("devices", "start", "steps"):
        _want(part in document, f"The run sheet has no {part}.")
    devices = _devices(document["devices"])
    start = _one_state_each(devices, document["start"], "start")
    for device in devices:
        _want(device in start, f"start does not say the state of {device}.")
    steps = _rows(document["steps"], "steps", "step", lambda row: _step(devices, row))
    never = _rows(document.get("never", []), "never", "hazard", lambda row: _hazard(devices, row))
    rest = _states(devices, document.get("rest", {}), "rest")
    return Sheet(devices=devices, start=start, rest=rest, steps=steps, never=never)


def read_changes(text):
    """Devices changed at the start; whether they exist is for `state_from` to say.

    >>> read_changes("gate_valve=open, arm=in")
    {'gate_valve': 'open', 'arm': 'in'}
    """
    changes = {}
    for pair in filter(None, (part.strip() for part in text.split(","))):
        device, equals, state = (word.strip() for word in pair.partition("="))
        _want(
            equals and device and state,
            f"A start is changed by device=state, such as gate_valve=open; {pair!r} is not that.",
        )
        _want(device not in changes, f"The changed start names {device} twice.")
        changes[device] = state
    return changes


def state_from(sheet, changes=None):
    """The sheet's start with some devices in another state, or SheetRefused."""
    return sheet.start | _one_state_each(sheet.devices, changes or {}, "The changed start")


def _want(holds, sentence):
    if not holds:
        raise SheetRefused(sentence)


def _no_key_twice(pairs):
    row = {}
    for key, value in pairs:
        _want(key not in row, f"The run sheet gives {key!r} twice in one object.")
        row[key] = value
    return row


def _devices(given):
    _want(isinstance(given, dict), "devices is not an object of lists of states.")
    for device, states in given.items():
        _want(
            isinstance(states, list) and states and all(isinstance(s, str) and s for s in states),
            f"The device {device} needs a list of its states.",
        )
        _want(len(set(states)) == len(states), f"The device {device} lists one state twice.")
    return {device: tuple(states) for device, states in given.items()}


def _known_device(devices, device, where):
    _want(device in devices, f"{where} names the device {device}, which devices does not list.")


def _known_state(devices, device, state, where):
    _want(isinstance(state, str), f"{where} gives {device} a state that is not text: {state!r}.")
    _want(
        state in devices[device],
        f"{where} names the state {state} of {device}, which has {', '.join(devices[device])}.",
    )


def _one_state_each(devices, given, where):
    _want(isinstance(given, dict), f"{where} is not an object of device and state.")
    for device, state in given.items():
        _known_device(devices, device, where)
        _known_state(devices, device, state, where)
    return dict(given)


def _states(devices, given, where):
    _want(isinstance(given, dict), f"{where} is not an object of device and states.")
    lists = {}
    for device, states in given.items():
        states = [states] if isinstance(states, str) else states
        _known_device(devices, device, where)
        _want(isinstance(states, list), f"{where} does not give {device} a list of states.")
        for state in states:
            _known_state(devices, device, state, where)
        lists[device] = tuple(dict.fromkeys(states))
    return lists


def _rows(given, name, noun, make):
    _want(isinstance(given, list), f"{name} is not a list.")
    rows, seen = [], set()
    for number, row in enumerate(given, 1):
        _want(isinstance(row, dict), f"{noun.capitalize()} {number} is not an object.")
        _want("id" in row, f"{noun.capitalize()} {number} has no id.")
        _want(
            isinstance(row["id"], str) and row["id"].strip(),
            f"The id of {noun} {number} is not a word: {row['id']!r}.",
        )
        _want(row["id"] not in seen, f"Two {noun}s have the id {row['id']}.")
        seen.add(row["id"])
        rows.append(make(row))
    return tuple(rows)


_STEP_KEYS = ("id", "kind", "says", "why", "asks", "gates", "requires", "sets")
_HAZARD_KEYS = ("id", "when", "why")


def _no_near_miss(row, keys, where):
    """A misspelt key would drop a condition or an effect without a word; other keys are free."""
    for key in row:
        near = [] if key in keys else difflib.get_close_matches(key, keys, n=1, cutoff=0.8)
        _want(not near, f"{where} has {key!r}; write {near[0]!r}." if near else "")


def _text(row, key, where):
    value = row.get(key)
    _want(value is None or isinstance(value, str), f"{where}: {key} is not text.")
    return value or ""


def _step(devices, row):
    where = f"Step {row['id']}"
    _no_near_miss(row, _STEP_KEYS, where)
    kind = row.get("kind", "step")
    _want(kind in KINDS, f"{where} is of kind {kind!r}; write step, event or look.")
    gates = row.get("gates", [])
    gates = [gates] if isinstance(gates, str) else gates
    _want(
        isinstance(gates, list) and all(isinstance(gate, str) for gate in gates),
        f"{where}: gates is not a list of names.",
    )
    asks = row.get("asks")
    return Step(
        id=row["id"],
        kind=kind,
        says=_text(row, "says", where),
        why=_text(row, "why", where),
        asks=tuple(asks) if isinstance(asks, list) else () if asks is None else (asks,),
        gates=tuple(gates),
        requires=_states(devices, row.get("requires", {}), f"requires of step {row['id']}"),
        sets=_one_state_each(devices, row.get("sets", {}), f"sets of step {row['id']}"),
    )


def _hazard(devices, row):
    where = f"Hazard {row['id']}"
    _no_near_miss(row, _HAZARD_KEYS, where)
    _want("when" in row, f"{where} has no when.")
    when = _states(devices, row["when"], f"when of hazard {row['id']}")
    for device, states in when.items():
        # an empty list never holds: the sheet would be called safe against nothing at all
        _want(states, f"{where} gives no state of {device}, so it could never occur.")
    return Hazard(
        id=row["id"], when=when, why=_text(row, "why", where), says=_text(row, "says", where)
    )


# One state at a time: what a page asks


def holds(condition, state):
    """Whether every device that a condition {device: states} names is in one of these states.

    >>> holds({"gate_valve": ("closed",)}, {"gate_valve": "closed", "arm": "in"})
    True
    """
    return all(state[device] in states for device, states in condition.items())


def possible(sheet, state):
    """The steps, looks and events whose requirements all hold; gates are not looked at."""
    return tuple(step for step in sheet.steps if holds(step.requires, state))


def apply(sheet, state, step):
    """The state after a step, whether it was possible or not: what happened, happened."""
    return state | sheet.step_of[_id(step)].sets


def why_not(sheet, state, step):
    """One sentence on what keeps a step from being possible, or None where nothing does."""
    step = sheet.step_of[_id(step)]
    lacking = [
        f"{_word(device)} {' or '.join(map(_word, states))} (it is {_word(state[device])}"
        f"{': look and confirm first' if state[device] == 'unknown' else ''})"
        for device, states in step.requires.items()
        if state[device] not in states
    ]
    return f"Needs {' and '.join(lacking)}." if lacking else None


def hazards_in(sheet, state):
    """The hazards that hold in a state, in the sheet's order."""
    return tuple(hazard for hazard in sheet.never if holds(hazard.when, state))


def at_rest(sheet, state):
    return holds(sheet.rest, state)


def happened(sheet, state, changes):
    """What a report of changed devices leads to: the state, its hazards, the way back to rest.

    Never refused for what it reports; SheetRefused only for a device or state that the sheet lacks.
    """
    after = state | _one_state_each(sheet.devices, changes, "What happened")
    return Happening(after, hazards_in(sheet, after), way_to_rest(sheet, after))


def way_to_rest(sheet, state):
    """A shortest sequence of possible steps and looks to rest that reaches no new hazard.

    A hazard that holds already may go on holding on the way out of it. Events are not counted on.
    None where there is no such way; an empty one at rest.
    """
    machine = sheet.machine
    people = machine.by_people & machine.follow
    first = machine.encode(state)
    came_from, far = {first: None}, {first: 0}
    turn = itertools.count()  # of equally good states, the one reached first
    queue = [(machine.steps_to_rest(first), 0, next(turn), first)]
    while queue:
        _, _, _, code = heapq.heappop(queue)
        if machine.rest.holding(code):
            return _way(sheet, came_from, code)
        hazards = machine.hazards.holding(code)
        for number in statespace.bits(machine.possible.holding(code) & people):
            after = machine.after(code, number)
            if far[code] + 1 >= far.get(after, math.inf) or (
                machine.hazards.holding(after) & ~hazards
            ):
                continue
            came_from[after], far[after] = (code, number), far[code] + 1
            left = machine.steps_to_rest(after)
            heapq.heappush(queue, (far[after] + left, left, next(turn), after))
    return None


def _way(sheet, came_from, code):
    steps = []
    while came_from[code]:
        code, number = came_from[code]
        steps.append(sheet.steps[number])
    return tuple(reversed(steps))


def with_anything_lost(sheet):
    """The same sheet in a world where any device may become unknown at any moment."""
    lost = tuple(
        Step(f"lost_{device}", "event", "", "", (), (), {}, {device: "unknown"})
        for device, states in sheet.devices.items()
        if "unknown" in states
    )
    return replace(sheet, steps=sheet.steps + lost)


def _id(step):
    return step.id if isinstance(step, Step) else step


def _word(name):
    return name.replace("_", " ")


# All states at once: the proof


def prove(sheet, start_changes=None, conditions=False, most=statespace.MOST_STATES):
    """What holds in every state that any order of possible steps reaches from the start.

    Takes:   a Sheet; {device: state} that change its start; whether to try each condition; the
             number of states above which it stops, 2^21 or fewer.
    Returns: a Proof.
    Raises:  SheetRefused for an unknown device or state, TooLarge above `most` reached states.
    Source:  breadth-first search, so the first trace found to a hazard is a shortest one.
    Valid:   for the sheet as a model; gates count as open, events may come at any moment.
    """
    start = state_from(sheet, start_changes)
    machine = statespace.Machine(sheet, start)
    search = statespace.Search(machine, most)
    search.begin(machine.encode(start))
    try:
        search.run(machine)
    except statespace.TooManyStates as problem:
        raise TooLarge(str(problem)) from None
    reached = search.first_hit(machine.hazards)
    hazards = {
        hazard.id: tuple(sheet.steps[number].id for number in search.trace(reached[place]))
        for place, hazard in enumerate(sheet.never)
        if place in reached
    }
    able = set(statespace.bits(search.ever_possible))
    return Proof(
        hazards=hazards,
        states=len(search.codes),
        never_possible=tuple(step.id for n, step in enumerate(sheet.steps) if n not in able),
        states_with_no_way_to_rest=len(search.codes) - search.count_that_reach_rest(machine),
        listed_order_fails_at=_listed_order_fails_at(sheet, start),
        conditions=_guarded_by(sheet, machine, search, reached) if conditions else None,
    )


def _listed_order_fails_at(sheet, state):
    for step in sheet.steps:
        if step.kind == "step":
            if not holds(step.requires, state):
                return step.id
            state = state | step.sets
    return None


def _guarded_by(sheet, machine, search, reached):
    """For each step and device that it requires: the hazards that only this condition keeps away."""
    rows = []
    unreached = [number for number in range(len(sheet.never)) if number not in reached]
    for number, step in enumerate(sheet.steps):
        for device in step.requires:
            try:
                hit = search.beyond(machine.without(number, device), number) if unreached else ()
            except statespace.TooManyStates as problem:
                raise TooLarge(
                    f"Without the condition on {device} of step {step.id}: {problem}"
                ) from None
            guards = tuple(sheet.never[place].id for place in unreached if place in hit)
            rows.append((step.id, device, guards))
    return tuple(rows)
