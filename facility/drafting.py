"""Changes of a run sheet's document: each takes a document and gives a new one, nothing is shared.

A part is what one form edits: ("step", id), ("device", name), ("hazard", id), ("order",),
("about",), ("struck out", id), or ("all",). Whether the result is a run sheet is for
`interlocks.read` to say.
"""

import copy
import re

KEYS = {"step": "steps", "hazard": "never"}
ABOUT = ("name", "source", "cautions")


def part_of(document, part):
    """What a part says in a document; None where it is not there."""
    kind, *which = part
    if kind in KEYS:
        rows = document.get(KEYS[kind], [])
        return next((row for row in rows if row["id"] == which[0]), None)
    if kind == "device":
        name = which[0]
        if name not in document["devices"]:
            return None
        return {
            "states": document["devices"][name],
            "start": document["start"].get(name),
            "rest": document.get("rest", {}).get(name),
        }
    if kind == "order":
        return [row["id"] for row in document["steps"]]
    if kind == "about":
        return {key: document.get(key) for key in ABOUT}
    if kind == "struck out":
        return document.get("struck_out", {}).get(which[0])
    return document


def kind_of(row):
    return row.get("kind", "step")


def put_step(document, row, after=None):
    """The document with this step in it: in its old place, or after the step `after`.

    A new step without `after` stands at the end of its kind.
    """
    new = copy.deepcopy(document)
    steps = new["steps"]
    place = _place(steps, row["id"])
    if place is not None and after in (None, row["id"]):
        steps[place] = row
        return new
    if place is not None:
        del steps[place]
    if after == "":  # before all others
        steps.insert(0, row)
    elif after is not None and (found := _place(steps, after)) is not None:
        steps.insert(found + 1, row)
    else:
        of_kind = [n for n, other in enumerate(steps) if kind_of(other) == kind_of(row)]
        steps.insert(of_kind[-1] + 1 if of_kind else len(steps), row)
    return new


def move_step(document, step_id, way):
    """The document with a step one place up (-1) or down (1) among those of its kind."""
    new = copy.deepcopy(document)
    steps = new["steps"]
    place = _place(steps, step_id)
    if place is None:
        return new
    of_kind = [n for n, row in enumerate(steps) if kind_of(row) == kind_of(steps[place])]
    goal = of_kind.index(place) + way
    if 0 <= goal < len(of_kind):
        other = of_kind[goal]
        steps[place], steps[other] = steps[other], steps[place]
    return new


def remove(document, kind, row_id):
    """The document without a step or a hazard."""
    new = copy.deepcopy(document)
    key = KEYS[kind]
    new[key] = [row for row in new.get(key, []) if row["id"] != row_id]
    return new


def put_hazard(document, row):
    """The document with this hazard: in its old place, else at the end; no longer struck out."""
    new = copy.deepcopy(document)
    rows = new.setdefault("never", [])
    place = _place(rows, row["id"])
    if place is None:
        rows.append(row)
    else:
        rows[place] = row
    new.get("struck_out", {}).pop(row["id"], None)
    return new


def put_device(document, name, states, start, rest):
    """The document with this device; an empty `rest` lets it stand in any state at rest."""
    new = copy.deepcopy(document)
    new["devices"][name] = list(states)
    new["start"][name] = start
    new.setdefault("rest", {}).pop(name, None)
    if rest:
        new["rest"][name] = list(rest)
    return new


def remove_device(document, name):
    """The document without a device; what still names it is for `interlocks.read` to say."""
    new = copy.deepcopy(document)
    new["devices"].pop(name, None)
    new["start"].pop(name, None)
    new.get("rest", {}).pop(name, None)
    return new


def put_about(document, **values):
    """The document with another name, source or cautions."""
    return copy.deepcopy(document) | {key: values[key] for key in ABOUT if key in values}


def strike_out(document, hazard_id, reason, by):
    """The document with a hazard struck out: by whom, why, and no longer among the hazards."""
    new = remove(document, "hazard", hazard_id)
    new.setdefault("struck_out", {})[hazard_id] = {"reason": reason, "by": by}
    return new


def id_from(sentence, taken):
    """A free id for a new step or hazard from the first words of its sentence.

    >>> id_from("Open the gate valve, slowly.", {"open_the_gate_valve"})
    'open_the_gate_valve_2'
    """
    words = re.findall(r"[a-z0-9]+", sentence.lower())[:4] or ["step"]
    name = "_".join(words)[:40]
    number = 2
    free = name
    while free in taken:
        free, number = f"{name}_{number}", number + 1
    return free


def _place(rows, row_id):
    return next((n for n, row in enumerate(rows) if row["id"] == row_id), None)
