"""A rehearsal: a run sheet on a pretend instrument, kept in the browser's session, nowhere else."""

from types import SimpleNamespace

from bookings import steps
from facility import interlocks, shipped

KEY = "rehearsal"  # of the browser's session; one rehearsal at a time
UNKNOWN = "unknown"
OFFERED = 3  # steps beside the current one; the rest are one tap below


def fresh(sheet, *, unknown=False):
    """A pretend instrument at the sheet's start, or with every device lost."""
    state = dict(sheet.start)
    if unknown:
        state |= {d: UNKNOWN for d, states in sheet.devices.items() if UNKNOWN in states}
    return {"state": state, "last": "", "taken": 0, "out_of_order": 0, "damage": [], "told": None}


def held(request, row, sheet):
    """The rehearsal of this sheet in this browser; a fresh one where there is none or it is stale."""
    kept = request.session.get(KEY)
    if isinstance(kept, dict) and kept.get("sheet") == row.pk and _fits(kept, sheet):
        return kept
    return fresh(sheet)


def _fits(kept, sheet):
    state = kept.get("state")
    return (
        isinstance(state, dict)
        and state.keys() == sheet.devices.keys()
        and all(state[device] in states for device, states in sheet.devices.items())
    )


def keep(request, row, kept):
    request.session[KEY] = kept | {"sheet": row.pk}


def take(sheet, kept, step_id):
    """Take a step, in order or not; what it did is told, the damage too. None for no such step."""
    step = sheet.step_of.get(step_id)
    if step is None:
        return None
    why = interlocks.why_not(sheet, kept["state"], step)
    after = interlocks.apply(sheet, kept["state"], step)
    told = {"says": step.words, "why_not": why or ""}
    last = step.id if step.kind == "step" else kept["last"]
    return _after(sheet, kept, after, told, out_of_order=bool(why)) | {"last": last}


def report(sheet, kept, device, state):
    """A device stands otherwise, whatever the sheet says. None for no such device or state."""
    if state not in sheet.devices.get(device, ()):
        return None
    words = f"{device} is {state}".replace("_", " ")
    told = {"says": f"{words[0].upper()}{words[1:]}.", "why_not": ""}
    after = {**kept["state"], device: state}
    return _after(sheet, kept, after, told, out_of_order=True)


def _after(sheet, kept, state, told, *, out_of_order):
    before = {hazard.id for hazard in interlocks.hazards_in(sheet, kept["state"])}
    new = [h.id for h in interlocks.hazards_in(sheet, state) if h.id not in before]
    return kept | {
        "state": state,
        "taken": kept["taken"] + 1,
        "out_of_order": kept["out_of_order"] + out_of_order,
        "damage": list(dict.fromkeys([*kept["damage"], *new])),
        "told": told | {"new": new},
    }


def shown(sheet, document, kept):
    """All that the page of a rehearsal shows."""
    state = kept["state"]
    listed = [step for step in sheet.steps if step.kind == "step"]
    able = interlocks.possible(sheet, state)
    here = SimpleNamespace(last_step=kept["last"])
    hazards = interlocks.hazards_in(sheet, state)
    at_rest = interlocks.at_rest(sheet, state)
    way = () if at_rest and not hazards else interlocks.way_to_rest(sheet, state)
    looks = steps.looks_due(sheet, state)
    is_through = bool(listed) and kept["last"] == listed[-1].id and at_rest
    current = None if is_through else _current(sheet, here, state, hazards, way, looks)
    others = _others(steps.after(here, sheet), able, current)
    rows = {row["id"]: row for row in document["steps"]}
    says = {row["id"]: shipped.says_of(row) for row in document.get("never", [])}
    return {
        "current": current,
        "caution": rows[current.id].get("caution", "") if current else "",
        "waits": [shipped.gates().get(gate, gate.replace("_", " ")) for gate in current.gates]
        if current
        else [],
        "number": listed.index(current) + 1 if current in listed else None,
        "of": len(listed),
        "is_way_back": bool(hazards and way),
        "is_through": is_through,
        "possible": others[:OFFERED],
        "more": others[OFFERED:],
        "looks": [step for step in looks if step != current],
        "not_possible": [
            {"step": step, "why": interlocks.why_not(sheet, state, step)}
            for step in listed
            if step not in able
        ],
        "events": [step for step in able if step.kind == "event"],
        "hazards": [{"says": says[hazard.id], "why": hazard.why} for hazard in hazards],
        "damage": [says[name] for name in kept["damage"] if name in says],
        "way": way or (),
        "no_way": way is None,
        "devices": [
            {
                "name": device,
                "state": state[device],
                "states": states,
                "is_start": state[device] == sheet.start[device],
            }
            for device, states in sheet.devices.items()
        ],
    }


def _current(sheet, here, state, hazards, way, looks):
    """What to do next: out of a hazard first, then look, then the next step that is possible."""
    if hazards and way:
        return way[0]
    if looks:
        return looks[0]
    return steps.current_step(here, sheet, state)


def _others(order, able, current):
    """Other steps that are possible, each sentence once."""
    found = {step.words: step for step in order if step in able and step != current}
    return list(found.values())
