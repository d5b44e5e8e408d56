"""A holder's layout as plain drawing values: what the svg template prints, and nothing else.

One unit of the drawing is one millimetre of a 25.4 mm disc; larger holders are drawn smaller, so
that letters, hatching and numbers stay readable, and `mm_wide` and `mm_high` tell the true size.
The y axis is turned here: the layout's y runs up, the drawing's runs down.
"""

import math
from dataclasses import replace

from samples import geometry
from samples.drawing.face import arc, cross, face_of, face_path, says, steel_rule, usable
from samples.drawing.gaps import gaps
from samples.drawing.names import below, leaders_along, leaders_beside
from samples.drawing.values import (
    HALF_FACE,
    HALF_VIEW,
    TAG,
    Drawing,
    DrawnMount,
    Shape,
    box,
    decimals,
    disc,
    drawn,
    half_sizes,
    room,
    shape_of,
)
from samples.layout import DISC

__all__ = ["draw", "draw_small"]

TAPE_EDGE = 0.45
"""Tape shows this far around what it holds."""

FORMS_HATCHED = {"single crystal": "crystal", "porous powder": "porous"}


def draw(layout, *, code="", asked=None, spots=(), numbers=None):
    """The drawing of a layout in which every mount has its place.

    Takes:   layout; code, engraved along the rim; asked, a function of two mounts that gives the
             gap wanted between them [mm] (None: min_gap_mm for all); spots, the footprints of
             free positions; numbers, what stands in the tag by mount id (None: 1, 2, ...).
    Returns: Drawing, its numbers as text with two decimals at most.
    """
    face = face_of(layout.holder)
    shapes = [drawn(mount.footprint, face.scale) for mount in layout.mounts]
    tags = [_tag(n, shapes) for n in range(len(shapes))]
    plain = _plain(layout, face, shapes, tags, code, spots, numbers)
    leaders = (
        leaders_along(layout, shapes, face) if face.long else leaders_beside(layout, shapes, face)
    )
    low = face.half_height + (below(leaders) if face.long else 1.6)
    high = face.half_height + (below(leaders) if face.long else 0.7)
    pad = 0 if face.long else max(0.0, 2 * HALF_FACE + 1 - high - low - 3) / 2  # a phone's square
    plain = _framed(plain, face, HALF_VIEW, high + pad, low + 3 + pad)
    return replace(
        plain,
        gaps=gaps(layout, shapes, tags, asked),
        leaders=leaders,
        rule=steel_rule(face, low),
    )


def draw_small(layout, *, spots=()):
    """The drawing without names, numbers, gaps and rule, for lists and for true-size prints."""
    face = face_of(layout.holder)
    shapes = [drawn(mount.footprint, face.scale) for mount in layout.mounts]
    tags = [(0.0, 0.0)] * len(shapes)
    plain = _plain(layout, face, shapes, tags, "", spots, None)
    return _framed(
        plain, face, face.half_width + 0.5, face.half_height + 0.5, face.half_height + 0.5
    )


def _plain(layout, face, shapes, tags, code, spots, numbers):
    order = enumerate(layout.mounts, start=1)
    numbers = numbers or {mount.id: str(n) for n, mount in order}
    rows = zip(layout.mounts, shapes, tags, strict=True)
    return Drawing(
        says=says(layout, code),
        view_box="",
        mm_wide="",
        mm_high="",
        crop=not face.long,
        face=face_path(layout.holder, face),
        usable=usable(layout.holder, face.scale),
        cross=cross(layout.holder, face.scale),
        code=code,
        arc=arc(layout.holder, face),
        arc_id="rim-" + "".join(sign for sign in code if sign.isalnum()),
        mounts=tuple(_mount(mount, *at, numbers[mount.id]) for mount, *at in rows),
        spots=tuple(shape_of(drawn(spot, face.scale)) for spot in spots),
    )


def _framed(drawing, face, half_width, above, below):
    sizes = (2 * half_width, above + below)
    mm_wide, mm_high = (decimals(size / face.scale) for size in sizes)
    box = " ".join(map(decimals, (-half_width, -above, *sizes)))
    return replace(drawing, view_box=box, mm_wide=mm_wide, mm_high=mm_high)


# The samples


def _mount(mount, shape, tag, number):
    held = (mount.mounting or "").lower()
    half_width, half_height = half_sizes(shape)
    ring = None
    if mount.form == "residue":  # a dried rim
        ring = Shape(r=decimals(0.86 * half_width))
        if shape.shape != DISC:
            ring = box(0, 0, 2 * half_width - 0.7, 2 * half_height - 0.7)
    tape = None
    if "tape" in held or "foil" in held:
        tape = box(0, 0, 2 * (half_width + TAPE_EDGE), 2 * (half_height + TAPE_EDGE))
    clips = ()
    if "clip" in held:
        clips = tuple(box(side * (half_width - 0.05), 0, 1.9, 0.7) for side in (-1, 1))
    kinds = {"carbon tape": "carbon"}
    return DrawnMount(
        id=mount.id,
        shape=shape_of(shape),
        hatch=FORMS_HATCHED.get(mount.form, mount.form or ""),
        tape=tape,
        tape_kind="foil" if "foil" in held else kinds.get(held, ""),
        clips=clips,
        ring=ring,
        number=str(number),
        tag_x=decimals(tag[0]),
        tag_y=decimals(tag[1]),
        tag_text_y=decimals(tag[1] + 0.45),
    )


def _tag(n, shapes):
    """Where the number of a sample stands: on it, or beside it where it would hide it."""
    shape = shapes[n]
    if geometry.least_width(shape) >= 2.4 * TAG:
        return shape.x_mm, shape.y_mm
    others = shapes[:n] + shapes[n + 1 :]
    reach = geometry.largest_width(shape) / 2 + TAG + 0.3
    around = [
        (shape.x_mm + reach * math.cos(turn), shape.y_mm + reach * math.sin(turn))
        for turn in (math.radians(45 * step) for step in range(8))
    ]
    return max(around, key=lambda spot: room(disc(*spot, 2 * TAG), others))
