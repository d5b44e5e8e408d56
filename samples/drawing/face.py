"""The holder itself: its face, the area that is used, the code along its rim, the steel rule."""

import math

from samples import geometry
from samples.drawing.values import (
    HALF_FACE,
    HALF_PLATE,
    Face,
    Shape,
    SteelRule,
    Text,
    box,
    decimals,
)
from samples.layout import DISC

LONG_PLATE = 1.8
"""A rectangle this many times wider than high is a long plate."""

FLAT = 0.252
"""Half the orientation flat at the foot, as a part of the radius."""

NUMBER_WORDS = ("no", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine", "ten")


def face_of(holder):
    if holder.shape == DISC:
        return Face(2 * HALF_FACE / holder.diameter_mm, HALF_FACE, HALF_FACE, False)
    width, height = holder.width_mm, holder.height_mm
    long = width > LONG_PLATE * height
    scale = 2 * (HALF_PLATE if long else HALF_FACE) / max(width, height)
    return Face(scale, scale * width / 2, scale * height / 2, long)


def face_path(holder, face):
    if holder.shape == DISC:
        half, foot = HALF_FACE * FLAT, HALF_FACE * math.sqrt(1 - FLAT**2)
        return (
            f"M{decimals(-half)} {decimals(foot)}A{HALF_FACE} {HALF_FACE} 0 1 1 "
            f"{decimals(half)} {decimals(foot)}Z"
        )
    wide, high = decimals(face.half_width), decimals(face.half_height)
    return f"M-{wide} -{high}H{wide}V{high}H-{wide}Z"


def usable(holder, scale):
    sizes = [size * scale for size in geometry.usable(holder)]
    if holder.shape == DISC:
        return Shape(r=decimals(sizes[0] / 2))
    return box(0, 0, *sizes)


def cross(holder, scale):
    """Short strokes where the axes meet the edge of the usable area."""
    sizes = [size * scale / 2 for size in geometry.usable(holder)]
    x, y = (decimals(size) for size in (sizes[0], sizes[-1]))
    return f"M-{x} 0h.9M{x} 0h-.9M0 -{y}v.9M0 {y}v-.9"


def arc(holder, face):
    """The line the engraved code stands on: between rim and usable area, or above the edge."""
    if holder.shape == DISC:
        r = decimals(HALF_FACE - 1.55)
        return f"M-{r} 0A{r} {r} 0 0 1 {r} 0"
    return f"M{decimals(-face.half_width)} {decimals(-face.half_height + 1.1)}h{decimals(2 * face.half_width)}"


def says(layout, code):
    holder, count = layout.holder, len(layout.mounts)
    size = (
        f"{holder.diameter_mm:g} mm disc"
        if holder.shape == DISC
        else f"{holder.width_mm:g} by {holder.height_mm:g} mm plate"
    )
    word = NUMBER_WORDS[count] if count < len(NUMBER_WORDS) else str(count)
    samples = "sample" if count == 1 else "samples"
    return f"{f'Holder {code}, ' if code else ''}{size} with {word} {samples}, drawn to scale"


def steel_rule(face, top):
    """Strokes at true millimetres, fewer where they would run together."""
    step = next(each for each in (1, 2, 5, 10, 20, 50, 100) if each * face.scale >= 0.55)
    reach = face.half_width / face.scale
    count = math.floor(reach / step + 1e-9)
    fine, firm, figures = [], [], []
    firm.append(f"M{decimals(-face.half_width)} {decimals(top)}h{decimals(2 * face.half_width)}")
    firm += [
        f"M{decimals(x)} {decimals(top - 0.7)}v1.4" for x in (-face.half_width, face.half_width)
    ]
    for n in range(-count, count + 1):
        x = decimals(n * step * face.scale)
        if n % 10 == 0:
            firm.append(f"M{x} {decimals(top)}v1.4")
            figure = f"{n * step}".replace("-", "−") + (
                " mm" if 0 < n == count - count % 10 else ""
            )
            figures.append(Text("scale", figure, x, decimals(top + 2.4)))
        else:
            fine.append(f"M{x} {decimals(top)}v{'1.2' if n % 5 == 0 else '.9'}")
    if count < 10:
        figures.append(Text("scale", f"{2 * reach:g} mm", "0", decimals(top + 2.4)))
    return SteelRule("".join(fine), "".join(firm), tuple(figures))
