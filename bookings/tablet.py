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
