"""The gaps between samples: which are drawn, and where their figures stand."""

import math
from itertools import combinations

from samples import geometry
from samples.drawing.values import TAG, DrawnGap, Text, decimals, disc, room
from samples.layout import RECTANGLE, Footprint

MOST_GAPS = 12


def gaps(layout, shapes, tags, asked):
    """Gaps below what is asked, and each sample's nearest: at most MOST_GAPS, narrowest first."""
    measured = []
    for (a, one), (b, other) in combinations(enumerate(layout.mounts), 2):
        wanted = layout.rules.min_gap_mm if asked is None else asked(one, other)
        gap = geometry.gap(one.footprint, other.footprint)
        measured.append((gap >= wanted - geometry.TOUCH_MM, gap, a, b))
    measured.sort()
    told, drawn = set(), []
    taken = [disc(*tag, 2 * TAG) for tag in tags]
    for fine, gap, a, b in measured:
        if len(drawn) == MOST_GAPS:
            break
        if fine and a in told and b in told:
            continue
        told |= {a, b}
        drawn.append(_gap(gap, not fine, shapes[a], shapes[b], shapes, taken))
    return tuple(drawn)


def _gap(gap, short, one, other, shapes, taken):
    """One dimension line, its figure where it hides least; `taken` grows by the figure's box."""
    ends = geometry.nearest_points(one, other)
    middle = (one.x_mm + other.x_mm) / 2, (one.y_mm + other.y_mm) / 2
    path, side = "", (0.0, 1.0)
    if ends:
        (x1, y1), (x2, y2) = ends
        middle = (x1 + x2) / 2, (y1 + y2) / 2
        length = math.dist(*ends)
        side = (y1 - y2) / length, (x2 - x1) / length
        path = f"M{decimals(x1)} {decimals(y1)}L{decimals(x2)} {decimals(y2)}" + "".join(
            f"M{decimals(x - 0.45 * side[0])} {decimals(y - 0.45 * side[1])}"
            f"L{decimals(x + 0.45 * side[0])} {decimals(y + 0.45 * side[1])}"
            for x, y in ends
        )
    width, height = (4.1, 2.0) if short else (1.9, 1.1)
    away = 0.55 * (abs(side[0]) * width + abs(side[1]) * height) + 0.25
    boxes = [
        Footprint(
            RECTANGLE,
            None,
            width,
            height,
            *(m + away * k * s for m, s in zip(middle, side, strict=True)),
        )
        for k in (1, -1, 1.7, -1.7, 0)
    ]
    box = max(boxes, key=lambda each: round(min(room(each, shapes + taken), 0.3), 1))
    taken.append(box)
    text_x = box.x_mm + (1.1 if short else 0)
    return DrawnGap(
        path=path,
        short=short,
        text=Text("halo", f"{gap:.1f}", decimals(text_x), decimals(box.y_mm + 0.35)),
        mark_x=decimals(box.x_mm - 2.05),
        mark_y=decimals(box.y_mm - 1.0),
    )
