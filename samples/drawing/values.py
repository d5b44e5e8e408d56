"""The values that a drawing is made of, and the shapes and numbers that all its parts share."""

from dataclasses import dataclass, replace

from samples import geometry
from samples.layout import DISC, Footprint

HALF_FACE, HALF_PLATE = 12.7, 24.0
"""Half the drawn width of a face, and of a plate so long that names stand above and below it."""

HALF_VIEW, TAG = 26.8, 0.95


@dataclass(frozen=True, slots=True)
class Shape:
    """A disc of radius `r` or a rectangle from `x`, `y`, moved and turned by `transform`."""

    transform: str = ""
    r: str = ""
    x: str = ""
    y: str = ""
    width: str = ""
    height: str = ""


@dataclass(frozen=True, slots=True)
class Text:
    """A line of writing; `kind` is its class: name (a person's words), what, or scale."""

    kind: str
    text: str
    x: str
    y: str
    anchor: str = "middle"


@dataclass(frozen=True, slots=True)
class DrawnMount:
    """A sample with what holds it, all in the frame of `shape.transform`, and its number."""

    id: str
    shape: Shape
    hatch: str
    tape: Shape | None
    tape_kind: str
    clips: tuple[Shape, ...]
    ring: Shape | None
    number: str
    tag_x: str
    tag_y: str
    tag_text_y: str


@dataclass(frozen=True, slots=True)
class DrawnGap:
    """A dimension line; `short` where the gap is below what is asked for."""

    path: str
    short: bool
    text: Text
    mark_x: str
    mark_y: str


@dataclass(frozen=True, slots=True)
class Leader:
    """A line from a sample's edge to its name, and the name."""

    path: str
    lines: tuple[Text, ...]


@dataclass(frozen=True, slots=True)
class SteelRule:
    """The rule below the holder: fine strokes, firm strokes, figures."""

    fine: str
    firm: str
    figures: tuple[Text, ...]


@dataclass(frozen=True, slots=True)
class Drawing:
    """Everything the template prints; `crop` where the square in the middle may stand alone."""

    says: str
    view_box: str
    mm_wide: str
    mm_high: str
    crop: bool
    face: str
    usable: Shape
    cross: str
    code: str
    arc: str
    arc_id: str
    mounts: tuple[DrawnMount, ...]
    spots: tuple[Shape, ...]
    gaps: tuple[DrawnGap, ...] = ()
    leaders: tuple[Leader, ...] = ()
    rule: SteelRule | None = None


@dataclass(frozen=True, slots=True)
class Face:
    """The holder as drawn: units a millimetre, half sizes in units."""

    scale: float
    half_width: float
    half_height: float
    long: bool


def decimals(number):
    """Two decimals at most, never "-0".

    >>> decimals(2.0), decimals(-0.001), decimals(-1.456)
    ('2', '0', '-1.46')
    """
    text = f"{number:.2f}".rstrip("0").rstrip(".")
    return "0" if text == "-0" else text


def drawn(footprint, scale):
    """A footprint in drawing units, y turned downwards."""
    sizes = {
        name: None if (size := getattr(footprint, name)) is None else size * scale
        for name in ("diameter_mm", "width_mm", "height_mm")
    }
    x, y = footprint.x_mm * scale, -footprint.y_mm * scale
    return Footprint(footprint.shape, **sizes, x_mm=x, y_mm=y, rotation_deg=-footprint.rotation_deg)


def half_sizes(shape):
    if shape.shape == DISC:
        return shape.diameter_mm / 2, shape.diameter_mm / 2
    return shape.width_mm / 2, shape.height_mm / 2


def shape_of(shape):
    turn = f" rotate({decimals(shape.rotation_deg)})" if shape.rotation_deg else ""
    transform = f"translate({decimals(shape.x_mm)} {decimals(shape.y_mm)}){turn}"
    if shape.shape == DISC:
        return Shape(transform, r=decimals(shape.diameter_mm / 2))
    return replace(box(0, 0, shape.width_mm, shape.height_mm), transform=transform)


def box(x, y, width, height):
    """A rectangle around a point."""
    sizes = (x - width / 2, y - height / 2, width, height)
    return Shape("", "", *map(decimals, sizes))


def disc(x, y, diameter):
    return Footprint(DISC, diameter_mm=diameter, x_mm=x, y_mm=y)


def room(shape, others):
    """The least clearance of a shape from others, none of them: much."""
    return min((geometry.clearance(shape, other) for other in others), default=99.0)
