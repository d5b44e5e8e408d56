"""Words that the tablet page fills in beforehand: settings to write, the hand-over from the state."""

from facility import interlocks


def setting_fields(settings):
    """Settings as the form shows them: device, and its fields with label and unit."""
    return [
        {
            "device": device,
            "fields": [{"name": name, "label": label, "unit": unit} for name, label, unit in rows],
        }
        for device, rows in settings.items()
    ]


def look_words(step):
    """A look as a line of the round: what has to be seen, without the word that it is a look."""
    seen = step.words.removeprefix("Look:").strip()
    return seen[:1].upper() + seen[1:]


def handover(session, states, situation):
    """What the next person needs to know, from where everything stands; to be edited."""
    lines = []
    for load, where in ((situation.load, "introduction chamber"), (situation.measured, "stage")):
        if load is not None:
            lines.append(f"Holder {load.holder} is in the {where}.")
    if session.sheet is not None:
        sheet = interlocks.read(session.sheet.document)
        for device, allowed in sheet.rest.items():
            state = states.get(device)
            if state not in allowed:
                lines.append(f"{device.replace('_', ' ').capitalize()} is {state}.")
    if not lines:
        lines.append("Everything is at rest, no holder inside.")
    return " ".join(lines)


def end_checklist(sheet, states, situation, faults):
    """What the next person must be able to count on: {"look": lines, "so": lines}.

    Takes: device states, the situation with its holders inside, the faults that are open.
    """
    found = {"look": [], "so": []}
    for device, allowed in sheet.rest.items():
        state = states.get(device, "unknown")
        line = f"{device.replace('_', ' ').capitalize()}: {state}"
        found["so" if state in allowed else "look"].append(line)
    inside = [load for load in (situation.load, situation.measured) if load is not None]
    found["look"] += [f"Holder {load.holder} is inside" for load in inside]
    if not inside:
        found["so"].append("No holder inside")
    found["look"] += [f"Fault {fault.pk}, reported: {fault.says[:80]}" for fault in faults]
    if not faults:
        found["so"].append("No fault is open; report one before you leave")
    return found
