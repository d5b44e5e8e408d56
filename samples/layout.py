"""The layout document: a holder and what is mounted on it, read from JSON into plain values.

The origin is the holder's centre, x runs right, y up, angles counter-clockwise; lengths are in
millimetres. A field that a rule does not need may be missing and is then None, so that the rule
stays silent. Whatever is missing but needed, or is there and wrong, is refused by its name.
"""

import csv
import json
import math
from dataclasses import dataclass, field, replace
from functools import cache
from pathlib import Path
from types import MappingProxyType

from facility.errors import Refused

DISC, RECTANGLE = "disc", "rectangle"
SHAPES = (DISC, RECTANGLE)
FORMS = (
    "film",
    "bulk",
    "single crystal",
    "powder",
    "porous powder",
    "pellet",
    "fibre",
    "electrode",
    "residue",
)

LIMITS_FILE = Path(__file__).parent / "data" / "limits.csv"

LARGEST_MM = 10_000.0
"""A length above this is a slip of the keyboard, not a holder. Own proposal."""

LONGEST_TEXT = 200
LARGEST_DOCUMENT = 5_000_000
"""Bytes; a document of 200 mounts is about 60 kB. Own proposal."""


@dataclass(frozen=True, slots=True)
class Limit:
    """A number a rule compares with, and who says so."""

    name: str
    value: float
    unit: str
    source: str


@dataclass(frozen=True, slots=True)
class Footprint:
    """What a sample covers of the holder: a disc, or a rectangle turned by `rotation_deg`."""

    shape: str
    diameter_mm: float | None = None
    width_mm: float | None = None
    height_mm: float | None = None
    x_mm: float | None = None
    y_mm: float | None = None
    rotation_deg: float = 0.0

    @property
    def placed(self):
        return self.x_mm is not None and self.y_mm is not None

    def at(self, x_mm, y_mm, rotation_deg=0.0):
        """The same footprint at another spot."""
        return replace(self, x_mm=x_mm, y_mm=y_mm, rotation_deg=rotation_deg)


@dataclass(frozen=True, slots=True)
class Holder:
    """The carrier: its outline, the rim that must stay free, the thickest sample it takes."""

    shape: str
    diameter_mm: float | None = None
    width_mm: float | None = None
    height_mm: float | None = None
    edge_margin_mm: float = 0.0
    max_thickness_mm: float | None = None


@dataclass(frozen=True, slots=True)
class Instrument:
    """What the heights and the beam need to know of the instrument.

    `free_distance_mm` names each obstacle above the focal plane; a document that gives one
    number speaks of "the nearest hardware". `readout_sign` is 1 where the reading grows as the
    stage goes up, -1 where it falls.
    """

    photon_energy_ev: float | None = None
    spot_um: float | None = None
    source_elevation_deg: float | None = None
    z_ref_mm: float | None = None
    free_distance_mm: MappingProxyType = field(default_factory=lambda: MappingProxyType({}))
    margin_mm: float | None = None
    tape_mm: float | None = None
    tilt_axis_mm: float | None = None
    tilt_deg: float = 0.0
    readout_sign: int = 1
    readout_step_mm: float | None = None


@dataclass(frozen=True, slots=True)
class Mount:
    """One sample at one position, with what lies under it (`stack_mm`) and holds it."""

    id: str
    footprint: Footprint
    thickness_mm: float | None = None
    form: str | None = None
    composition: str | None = None
    wants: tuple[str, ...] = ()
    mounting: str | None = None
    mass_mg: float | None = None
    surface_m2_g: float | None = None
    max_temperature_c: float | None = None
    loose_powder_removed: bool | str | None = None
    name: str | None = None
    stack_mm: tuple[float, ...] = ()
    clip_mm: float | None = None


@dataclass(frozen=True, slots=True)
class Rules:
    """The limits in force: those of the document before those that are shipped."""

    limits: MappingProxyType

    def __getitem__(self, name):
        return self.limits[name]

    @property
    def min_gap_mm(self):
        return self.limits["min_gap_mm"]


@dataclass(frozen=True, slots=True)
class Layout:
    """A holder, what is mounted on it, the rules and the instrument it goes to (or None)."""

    holder: Holder
    mounts: tuple[Mount, ...]
    rules: Rules
    instrument: Instrument | None = None


# Shipped limits


@cache
def shipped_limits():
    """The shipped limits by name, from the table that also fills the database.

    >>> shipped_limits()["min_gap_mm"].value
    1.0
    """
    with LIMITS_FILE.open(encoding="utf-8", newline="") as lines:
        rows = csv.DictReader(lines)
        return {
            row["name"]: Limit(row["name"], float(row["value"]), row["unit"], row["source"])
            for row in rows
        }


def rules_of(values=None):
    """Rules with `values` before the shipped ones.

    >>> rules_of({"min_gap_mm": 2.0}).min_gap_mm
    2.0
    """
    shipped = {name: limit.value for name, limit in shipped_limits().items()}
    return Rules(MappingProxyType(shipped | dict(values or {})))


# Reading


def read_document(text):
    """Text or bytes of a layout document as plain JSON values, or Refused.

    >>> read_document('{"mounts": []}')
    {'mounts': []}
    """
    if len(text) > LARGEST_DOCUMENT:
        raise Refused(f"The layout is {len(text)} bytes long; at most {LARGEST_DOCUMENT} are read.")
    try:
        if isinstance(text, bytes):
            text = text.decode("utf-8-sig")
        document = json.loads(text, object_pairs_hook=_no_field_twice)
    except UnicodeDecodeError as problem:
        raise Refused(
            f"The layout is not UTF-8 text (byte {problem.start}); save it as UTF-8."
        ) from None
    except json.JSONDecodeError as problem:
        raise Refused(
            f"The layout is not JSON at line {problem.lineno}, column {problem.colno}: "
            f"{problem.msg}."
        ) from None
    except RecursionError:
        raise Refused("The layout is nested too deeply to be one; check its brackets.") from None
    except ValueError:  # an integer of thousands of digits
        raise Refused("The layout holds a number too long to be read; check its figures.") from None
    if not isinstance(document, dict):
        raise Refused(f"A layout is a JSON object with holder and mounts, not {_kind(document)}.")
    return document


def read_layout(document, *, placed=True):
    """The layout of a document, or Refused with the first thing that is missing or wrong.

    Takes: document, as `read_document` gives it; placed, whether every mount must have x_mm and
    y_mm (not when they are about to be arranged).

    >>> read_layout({"holder": {"shape": "disc", "diameter_mm": 25.4}, "mounts": []}).mounts
    ()
    """
    if not isinstance(document, dict):
        raise Refused(f"A layout is a JSON object with holder and mounts, not {_kind(document)}.")
    holder = _holder(_object(document, "holder", "of the layout", needed=True))
    rules = _rules(_object(document, "rules", "of the layout"))
    instrument = _instrument(_object(document, "instrument", "of the layout"))
    return Layout(holder, _mounts(document, rules, placed), rules, instrument)


def _mounts(document, rules, placed):
    rows = document.get("mounts")
    if rows is None:
        raise Refused("mounts is missing; list what is on the holder, [] where it is empty.")
    if not isinstance(rows, list):
        raise Refused(f"mounts is {_kind(rows)}; it must be a list.")
    if len(rows) > rules["max_mounts"]:
        raise Refused(
            f"mounts holds {len(rows)} mounts; at most {rules['max_mounts']:g} are taken at once."
        )
    mounts, seen = [], {}
    for number, row in enumerate(rows, start=1):
        mount = _mount(row, number, placed)
        if mount.id in seen:
            raise Refused(
                f"id {mount.id} is used twice, by mounts number {seen[mount.id]} and {number}; "
                f"give each mount its own."
            )
        seen[mount.id] = number
        mounts.append(mount)
    return tuple(mounts)


def _mount(row, number, placed):
    if not isinstance(row, dict):
        raise Refused(f"Mount number {number} is {_kind(row)}; it must be an object with an id.")
    where = f"of mount number {number}"
    name = _text(row, "id", where, needed=True)
    if "|" in name or not name.isprintable():
        raise Refused(f"id {name!r} {where} has a sign that ids cannot have; use letters, digits.")
    where = f"of mount {name}"
    form = _text(row, "form", where)
    if form is not None and (form := " ".join(form.lower().split())) not in FORMS:
        raise Refused(f"form {where} is {row['form']!r}; it is one of {', '.join(FORMS)}.")
    return Mount(
        id=name,
        footprint=_footprint(row, where, placed),
        thickness_mm=_number(row, "thickness_mm", where, least=0),
        form=form,
        composition=_text(row, "composition", where),
        wants=_texts(row, "wants", where),
        mounting=_text(row, "mounting", where),
        mass_mg=_number(row, "mass_mg", where, least=0, most=1e9),
        surface_m2_g=_number(row, "surface_m2_g", where, least=0, most=1e5),
        max_temperature_c=_number(row, "max_temperature_c", where, least=-273.15),
        loose_powder_removed=_answer(row, "loose_powder_removed", where),
        name=_text(row, "name", where),
        stack_mm=_numbers(row, "stack_mm", where),
        clip_mm=_number(row, "clip_mm", where, least=0),
    )


def _footprint(row, where, placed):
    if row.get("footprint") is None:
        raise Refused(f"footprint {where} is missing; give its shape and its size in mm.")
    spot = _object(row, "footprint", where)
    where = f"of the footprint {where}"
    outline = _outline(spot, where)
    return Footprint(
        **outline,
        x_mm=_number(spot, "x_mm", where, least=-LARGEST_MM, needed=placed),
        y_mm=_number(spot, "y_mm", where, least=-LARGEST_MM, needed=placed),
        rotation_deg=_number(spot, "rotation_deg", where, least=-36_000, most=36_000) or 0.0,
    )


def _outline(values, where):
    """Shape and size, of a holder or a footprint alike."""
    shape = _text(values, "shape", where, needed=True)
    if shape not in SHAPES:
        raise Refused(f"shape {where} is {shape!r}; it is disc or rectangle.")
    names = ("diameter_mm",) if shape == DISC else ("width_mm", "height_mm")
    sizes = {name: _number(values, name, where, above=0, needed=True) for name in names}
    return {"shape": shape} | sizes


def _holder(values):
    where = "of the holder"
    outline = _outline(values, where)
    margin = _number(values, "edge_margin_mm", where, least=0) or 0.0
    narrowest = min(size for name, size in outline.items() if name != "shape")
    if 2 * margin >= narrowest:
        raise Refused(
            f"edge_margin_mm {where} is {margin:g}, which leaves nothing of its {narrowest:g} mm."
        )
    thickest = _number(values, "max_thickness_mm", where, above=0)
    return Holder(**outline, edge_margin_mm=margin, max_thickness_mm=thickest)


def _rules(values):
    limits = {name: _number(values, name, "of the rules", least=0) for name in values or {}}
    return rules_of({name: limit for name, limit in limits.items() if limit is not None})


def _instrument(values):
    if values is None:
        return None
    where = "of the instrument"
    sign = _number(values, "readout_sign", where, least=-1, most=1)
    if sign not in (None, 1, -1):
        raise Refused(f"readout_sign {where} is {sign:g}; it is 1 (grows upwards) or -1.")
    return Instrument(
        photon_energy_ev=_number(values, "photon_energy_ev", where, above=0, most=1e6),
        spot_um=_number(values, "spot_um", where, above=0, most=1e6),
        source_elevation_deg=_number(values, "source_elevation_deg", where, above=0, most=90),
        z_ref_mm=_number(values, "z_ref_mm", where, least=-LARGEST_MM),
        free_distance_mm=_free_distances(values, where),
        margin_mm=_number(values, "margin_mm", where, least=0),
        tape_mm=_number(values, "tape_mm", where, least=0),
        tilt_axis_mm=_number(values, "tilt_axis_mm", where, least=-LARGEST_MM),
        tilt_deg=_number(values, "tilt_deg", where, least=-90, most=90) or 0.0,
        readout_sign=int(sign or 1),
        readout_step_mm=_number(values, "readout_step_mm", where, above=0),
    )


def _free_distances(values, where):
    """One number, or a number for each named obstacle."""
    given = values.get("free_distance_mm")
    if isinstance(given, dict):
        where = f"of free_distance_mm {where}"
        return MappingProxyType(
            {name: _number(given, name, where, least=0, needed=True) for name in given}
        )
    distance = _number(values, "free_distance_mm", where, least=0)
    return MappingProxyType({} if distance is None else {"the nearest hardware": distance})


# Single fields


def _object(values, name, where, *, needed=False):
    value = values.get(name)
    if value is None and needed:
        raise Refused(f"{name} {where} is missing; give it as an object.")
    if value is not None and not isinstance(value, dict):
        raise Refused(f"{name} {where} is {_kind(value)}; it must be an object.")
    return value


def _number(values, name, where, *, least=None, above=None, most=LARGEST_MM, needed=False):
    value = (values or {}).get(name)
    if value is None:
        if needed:
            raise Refused(f"{name} {where} is missing; give it as a number.")
        return None
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise Refused(f"{name} {where} is {_kind(value)}; it must be a number.")
    if isinstance(value, int) and abs(value) > 1e15:
        raise Refused(
            f"{name} {where} has {len(str(abs(value)))} digits; at most {most:g} is taken."
        )
    value = float(value)
    if not math.isfinite(value):
        said = "NaN" if math.isnan(value) else "infinite"
        raise Refused(f"{name} {where} is {said}; it must be a finite number.")
    if above is not None and value <= above:
        raise Refused(f"{name} {where} is {value:g}; it must be above {above:g}.")
    if least is not None and value < least:
        bound = "0 or more" if least == 0 else f"at least {least:g}"
        raise Refused(f"{name} {where} is {value:g}; it must be {bound}.")
    if value > most:
        raise Refused(f"{name} {where} is {value:g}; it must be at most {most:g}.")
    return value


def _numbers(values, name, where):
    rows = values.get(name)
    if rows is None:
        return ()
    if not isinstance(rows, list):
        raise Refused(f"{name} {where} is {_kind(rows)}; it must be a list of numbers.")
    if len(rows) > 20:
        raise Refused(f"{name} {where} holds {len(rows)} numbers; at most 20 are taken.")
    return tuple(_number({name: value}, name, where, least=0, needed=True) for value in rows)


def _text(values, name, where, *, needed=False):
    value = values.get(name)
    if value is None:
        if needed:
            raise Refused(f"{name} {where} is missing; give it as text.")
        return None
    if not isinstance(value, str):
        raise Refused(f"{name} {where} is {_kind(value)}; it must be text.")
    value = value.strip()
    if len(value) > LONGEST_TEXT:
        raise Refused(
            f"{name} {where} has {len(value)} characters; at most {LONGEST_TEXT} are taken."
        )
    if not value and needed:
        raise Refused(f"{name} {where} is empty; give it as text.")
    return value or None


def _texts(values, name, where):
    rows = values.get(name)
    if rows is None:
        return ()
    if not isinstance(rows, list):
        raise Refused(f"{name} {where} is {_kind(rows)}; it must be a list of texts.")
    if len(rows) > 100:
        raise Refused(f"{name} {where} holds {len(rows)} texts; at most 100 are taken.")
    return tuple(_text({name: value}, name, where, needed=True) for value in rows)


def _answer(values, name, where):
    """Yes or no, or in words how it was done."""
    value = values.get(name)
    return value if isinstance(value, bool) else _text(values, name, where)


def _kind(value):
    """What a JSON value is, in words."""
    if value is None:
        return "null"
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        return f"the text {value[:40]!r}"
    if isinstance(value, dict):
        return "an object"
    return "a list" if isinstance(value, list) else "a number"


def _no_field_twice(pairs):
    values = dict(pairs)
    if len(values) < len(pairs):
        names = [name for name, _ in pairs]
        twice = next(name for name in names if names.count(name) > 1)
        raise Refused(f"{twice} is given twice in one object of the layout; keep one.")
    return values
