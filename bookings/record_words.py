"""An entry of a log as a line of a record: what happened, and all that was written with it."""

from django.utils import timezone
from django.utils.dateparse import parse_datetime

from bookings.say import SETTINGS
from facility import log, shipped

HEADS = {"happened anyway": "happened anyway, out of order"}


def line_of(entry):
    """The entry with its heading, its sentence and the photograph it names."""
    said = log.contents(entry)
    return {
        "entry": entry,
        "says": said,
        "heading": HEADS.get(entry.kind, entry.kind),
        "words": words_of(entry.kind, said),
        "hazards": [shipped.says_of({"id": name}) for name in said.get("hazards") or ()],
        "photo": said.get("photo", "") if entry.kind == "photograph" else "",
    }


def words_of(kind, said):
    """One sentence of what an entry holds; empty where its heading says all.

    >>> words_of("measured", {"what": "survey", "position": "3", "file": "a7.vms"})
    'survey, position 3, file a7.vms'
    """
    return _WORDS.get(kind, _plain)(said)


def _plain(said):
    return said.get("says") or ""


def _looked(said):
    seen = _plain(said).removeprefix("Look:").strip()
    return seen[:1].lower() + seen[1:] if seen[1:2].islower() else seen


def _step(said):
    values = [f"{name} {text}" for name, text in (said.get("values") or {}).items()]
    late = "" if said.get("in_order", True) else "(not in the sheet's order)"
    return " ".join(filter(None, [_plain(said), "; ".join(values), late]))


def _anyway(said):
    states = [f"{device} {state}" for device, state in (said.get("sets") or {}).items()]
    now = ", ".join(states).replace("_", " ")
    return ". ".join(filter(None, [now, _plain(said)]))


def _setting(said):
    device = said.get("device", "")
    known = {name: (label, unit) for name, label, unit in SETTINGS.get(device, ())}
    values = []
    for name, text in (said.get("values") or {}).items():
        label, unit = known.get(name, (name, ""))
        values.append(f"{label[:1].lower()}{label[1:]} {text} {unit}".strip())
    return f"{device}: {', '.join(values)}"


def _measured(said):
    parts = [said.get("what")]
    parts += [f"position {said['position']}"] if said.get("position") else []
    parts += [f"file {said['file']}"] if said.get("file") else []
    return ", ".join(filter(None, parts))


def _left(said):
    until = parse_datetime(str(said.get("until") or ""))
    parts = [_plain(said)]
    parts += [f"until {timezone.localtime(until):%d %b %H:%M}"] if until and until.tzinfo else []
    parts += [f"phone {said['phone']}"] if said.get("phone") else []
    return ", ".join(filter(None, parts))


_WORDS = {
    "looked": _looked,
    "step": _step,
    "happened anyway": _anyway,
    "setting": _setting,
    "measured": _measured,
    "left running": _left,
    "signed off": lambda said: said.get("handover") or "",
    "joined": lambda said: said.get("part") or "",
}
