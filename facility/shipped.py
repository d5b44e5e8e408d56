"""The run sheets, hazards and gates that come with Holdfast, and how a sheet stands to each hazard."""

import json
from dataclasses import dataclass
from functools import cache
from pathlib import Path

SHEETS = Path(__file__).parent / "sheets"
NAMES = {
    "photoelectron": "Photoelectron spectrometer: load, measure, unload",
    "electron_microscope": "Electron microscope with one chamber",
    "short": "Five steps: load, pump down, read, transfer, end",
}
MARKS = {
    # what a step brings about beyond device states
    "vent": "lets the introduction chamber up to air",
    "load": "puts a holder in: its load begins",
    "pump": "starts a pump-down",
    "transfer": "moves the holder onto the stage",
    "back": "brings the holder back from the stage",
    "out": "takes the holder out: its load ends",
}


@dataclass(frozen=True)
class Standing:
    """How a sheet stands to one shipped hazard; `is_settled` where nothing more need be said."""

    id: str
    says: str
    why: str
    how: str  # kept, own devices, narrowed, struck out, missing
    kept_by: str
    reason: str = ""
    by: int | None = None

    @property
    def is_kept(self):
        return self.how in ("kept", "own devices")

    @property
    def is_settled(self):
        """Kept, or struck out by somebody with a name; a reason alone has no one behind it."""
        return self.is_kept or (bool(self.reason) and self.by is not None)


def document(name):
    """A shipped sheet as its JSON document, or KeyError."""
    if name not in NAMES:
        raise KeyError(name)
    return json.loads((SHEETS / f"{name}.json").read_text(encoding="utf-8"))


@cache
def hazards():
    """The hazards that a sheet keeps or strikes out, in their order."""
    return tuple(json.loads((SHEETS / "hazards.json").read_text(encoding="utf-8"))["hazards"])


@cache
def gates():
    """{gate: sentence} of the gates that a step can name."""
    rows = json.loads((SHEETS / "gates.json").read_text(encoding="utf-8"))["gates"]
    return {row["id"]: row["says"] for row in rows}


def says_of(hazard):
    """A hazard as a sentence: its own, else the shipped one, else its id in words.

    >>> says_of({"id": "both_pump_valves_open"})
    'Both valves of the shared pump are open.'
    >>> says_of({"id": "lid_on_arm"})
    'Lid on arm.'
    """
    if hazard.get("says"):
        return hazard["says"]
    known = {row["id"]: row["says"] for row in hazards()}
    return known.get(hazard["id"]) or f"{hazard['id'].replace('_', ' ').capitalize()}."


def standings(document):
    """How a readable document stands to every shipped hazard."""
    return tuple(_standing(document, row) for row in hazards())


def unsettled(document):
    """The shipped hazards that are neither kept nor struck out by somebody with a reason."""
    return tuple(row for row in standings(document) if not row.is_settled)


def _standing(document, hazard):
    reason, by = _struck_out(document, hazard["id"])
    how = _kept(document, hazard) or ("struck out" if reason else "missing")
    if how in ("kept", "own devices"):
        reason, by = "", None
    return Standing(hazard["id"], hazard["says"], hazard["why"], how, hazard["kept_by"], reason, by)


def _struck_out(document, hazard_id):
    """(reason, number of the person) of a strike; a shipped strike has no person yet."""
    row = document.get("struck_out", {}).get(hazard_id)
    if isinstance(row, dict):
        return str(row.get("reason", "")), row.get("by")
    return str(row or ""), None


def _kept(document, hazard):
    devices = document["devices"]
    has_all = all(
        device in devices and set(states) & set(devices[device])
        for device, states in hazard["when"].items()
    )
    if hazard["kept_by"] == "rest":
        rest = document.get("rest", {})
        excluded = has_all and all(
            device in rest and not set(states) & set(_states(rest[device]))
            for device, states in hazard["when"].items()
        )
        return "kept" if excluded else ""
    row = next((row for row in document.get("never", []) if row["id"] == hazard["id"]), None)
    if row is None:
        return ""
    if not has_all:
        return "own devices"
    return "kept" if _covers(row["when"], hazard["when"], devices) else "narrowed"


def _covers(wide, narrow, devices):
    """Whether every state in which `narrow` holds is one in which `wide` holds."""
    return all(
        set(narrow.get(device, devices[device])) & set(devices[device]) <= set(_states(states))
        for device, states in wide.items()
    )


def _states(given):
    return [given] if isinstance(given, str) else given
