"""Footprints on a holder: do they lie inside, how far apart are they, do they overlap.

Plain geometry on the dataclasses of the layout. Discs are true discs, never polygons. Lengths in
mm from the holder's centre, x right, y up, angles in degrees counter-clockwise.
"""

import math
from itertools import combinations

from samples.layout import DISC

TOUCH_MM = 1e-6
"""Closer than this is touching: rounding of coordinates, a thousandth of what a tool can set."""


# One footprint


def corners(footprint):
    """The four corners of a rectangle [mm], counter-clockwise; the centre alone of a disc.

    >>> from samples.layout import Footprint
    >>> corners(Footprint("rectangle", width_mm=4, height_mm=2, x_mm=1, y_mm=0))
    [(-1.0, -1.0), (3.0, -1.0), (3.0, 1.0), (-1.0, 1.0)]
    """
    x, y = footprint.x_mm, footprint.y_mm
    if footprint.shape == DISC:
        return [(x, y)]
    turn = math.radians(footprint.rotation_deg)
    cos, sin = math.cos(turn), math.sin(turn)
    half_width, half_height = footprint.width_mm / 2, footprint.height_mm / 2
    return [
        (
            x + right * half_width * cos - up * half_height * sin,
            y + right * half_width * sin + up * half_height * cos,
        )
        for right, up in ((-1, -1), (1, -1), (1, 1), (-1, 1))
    ]


def rounding(footprint):
    """Radius around the corners [mm]: a disc is its centre grown by its radius.

    >>> from samples.layout import Footprint
    >>> rounding(Footprint("disc", diameter_mm=5))
    2.5
    """
    return footprint.diameter_mm / 2 if footprint.shape == DISC else 0.0


def area(footprint):
    """Area covered [mm²].

    >>> from samples.layout import Footprint
    >>> area(Footprint("rectangle", width_mm=4, height_mm=2))
    8
    """
    if footprint.shape == DISC:
        return math.pi * footprint.diameter_mm**2 / 4
    return footprint.width_mm * footprint.height_mm


def least_width(footprint):
    """The narrowest width across [mm], what a beam must fit into.

    >>> from samples.layout import Footprint
    >>> least_width(Footprint("rectangle", width_mm=4, height_mm=2))
    2
    """
    if footprint.shape == DISC:
        return footprint.diameter_mm
    return min(footprint.width_mm, footprint.height_mm)


def largest_width(footprint):
    """The widest width across [mm]: the diameter, or the diagonal.

    >>> from samples.layout import Footprint
    >>> largest_width(Footprint("rectangle", width_mm=4, height_mm=3))
    5.0
    """
    if footprint.shape == DISC:
        return footprint.diameter_mm
    return math.hypot(footprint.width_mm, footprint.height_mm)


# The usable area


def usable(holder):
    """What of the holder may be covered: a diameter, or a width and a height [mm].

    >>> from samples.layout import Holder
    >>> usable(Holder("disc", diameter_mm=25.4, edge_margin_mm=2.0))
    (21.4,)
    """
    sizes = (
        (holder.diameter_mm,)
        if holder.shape == DISC
        else (
            holder.width_mm,
            holder.height_mm,
        )
    )
    return tuple(round(size - 2 * holder.edge_margin_mm, 9) for size in sizes)


def overhang(footprint, holder):
    """How far a footprint reaches past the usable area [mm]; negative: room that is left.

    Takes:   footprint with x_mm, y_mm; holder.
    Returns: the largest distance of any point of it beyond the edge of the usable area, measured
             across that edge.
    Source:  geometry. Both areas are convex, so a rectangle is furthest out at a corner.
    >>> from samples.layout import Footprint, Holder
    >>> disc = Footprint("disc", diameter_mm=5, x_mm=6.0, y_mm=8.0)
    >>> round(overhang(disc, Holder("disc", diameter_mm=25.4, edge_margin_mm=2.0)), 9)
    1.8
    """
    grown = rounding(footprint)
    if holder.shape == DISC:
        (diameter,) = usable(holder)
        return max(math.hypot(x, y) for x, y in corners(footprint)) + grown - diameter / 2
    width, height = usable(holder)
    return grown + max(max(abs(x) - width / 2, abs(y) - height / 2) for x, y in corners(footprint))


def inside(footprint, holder):
    """Whether all of a footprint lies on the usable area; its edge belongs to it.

    >>> from samples.layout import Footprint, Holder
    >>> disc = Footprint("disc", diameter_mm=5, x_mm=8.2, y_mm=0.0)
    >>> inside(disc, Holder("disc", diameter_mm=25.4, edge_margin_mm=2.0))
    True
    """
    return overhang(footprint, holder) <= TOUCH_MM


# Two footprints


def clearance(one, other):
    """Gap between two footprints [mm]; where they overlap, minus the depth of the overlap.

    Takes:   two footprints with x_mm, y_mm.
    Returns: the least distance between a point of each; if they share more than an edge, minus
             the shortest push that would part them.
    Source:  geometry: separating axes; the least distance of two convex polygons that are apart
             has a corner of one of them at an end.
    >>> from samples.layout import Footprint
    >>> disc = Footprint("disc", diameter_mm=2, x_mm=0, y_mm=0)
    >>> slab = Footprint("rectangle", width_mm=4, height_mm=2, x_mm=5, y_mm=5)
    >>> clearance(disc, slab)  # corner (3, 4) is 5 from the disc's centre
    4.0
    >>> clearance(disc, slab.at(2.5, 0))
    -0.5
    """
    grown = rounding(one) + rounding(other)
    if one.shape == other.shape == DISC:
        return math.hypot(one.x_mm - other.x_mm, one.y_mm - other.y_mm) - grown
    if one.shape == DISC:
        return _to_rectangle(one.x_mm, one.y_mm, other) - grown
    if other.shape == DISC:
        return _to_rectangle(other.x_mm, other.y_mm, one) - grown
    apart = max(_along_axes(one, other), _along_axes(other, one))
    if apart <= 0:
        return apart
    return min(
        min(_to_rectangle(x, y, other) for x, y in corners(one)),
        min(_to_rectangle(x, y, one) for x, y in corners(other)),
    )


def gap(one, other):
    """Distance between two footprints [mm], 0 where they touch or overlap.

    >>> from samples.layout import Footprint
    >>> disc = Footprint("disc", diameter_mm=2, x_mm=0, y_mm=0)
    >>> gap(disc, disc.at(3.5, 0))
    1.5
    """
    distance = clearance(one, other)
    return distance if distance > TOUCH_MM else 0.0


def overlap(one, other):
    """Whether two footprints share more than an edge.

    >>> from samples.layout import Footprint
    >>> disc = Footprint("disc", diameter_mm=2, x_mm=0, y_mm=0)
    >>> overlap(disc, disc.at(2, 0)), overlap(disc, disc.at(1.9, 0))
    (False, True)
    """
    return clearance(one, other) < -TOUCH_MM


def nearest_points(one, other):
    """The ends of the gap between two footprints [mm], or None where they touch or overlap.

    >>> from samples.layout import Footprint
    >>> disc = Footprint("disc", diameter_mm=2, x_mm=0, y_mm=0)
    >>> slab = Footprint("rectangle", width_mm=4, height_mm=2, x_mm=5, y_mm=0)
    >>> nearest_points(disc, slab)
    ((1.0, 0.0), (3.0, 0.0))
    """
    if gap(one, other) == 0:
        return None
    ends = [(corner, _onto(*corner, other)) for corner in corners(one)]
    ends += [(_onto(*corner, one), corner) for corner in corners(other)]
    start, end = min(ends, key=lambda pair: math.dist(*pair))
    length = math.dist(start, end)
    right, up = (end[0] - start[0]) / length, (end[1] - start[1]) / length
    shrink, trim = rounding(one), rounding(other)
    return (
        (start[0] + shrink * right, start[1] + shrink * up),
        (end[0] - trim * right, end[1] - trim * up),
    )


def _onto(x, y, footprint):
    """The point of a rectangle nearest to a point outside it; the centre of a disc."""
    if footprint.shape == DISC:
        return footprint.x_mm, footprint.y_mm
    turn = math.radians(footprint.rotation_deg)
    cos, sin = math.cos(turn), math.sin(turn)
    right, up = x - footprint.x_mm, y - footprint.y_mm
    half_width, half_height = footprint.width_mm / 2, footprint.height_mm / 2
    along = min(max(right * cos + up * sin, -half_width), half_width)
    across = min(max(up * cos - right * sin, -half_height), half_height)
    return (
        footprint.x_mm + along * cos - across * sin,
        footprint.y_mm + along * sin + across * cos,
    )


def _to_rectangle(x, y, rectangle):
    """Distance of a point from a rectangle, negative inside."""
    turn = math.radians(rectangle.rotation_deg)
    cos, sin = math.cos(turn), math.sin(turn)
    right, up = x - rectangle.x_mm, y - rectangle.y_mm
    beyond_x = abs(right * cos + up * sin) - rectangle.width_mm / 2
    beyond_y = abs(up * cos - right * sin) - rectangle.height_mm / 2
    return math.hypot(max(beyond_x, 0), max(beyond_y, 0)) + min(max(beyond_x, beyond_y), 0)


def _along_axes(rectangle, other):
    """How far `other` is apart along the better of the rectangle's own two axes."""
    turn = math.radians(rectangle.rotation_deg)
    cos, sin = math.cos(turn), math.sin(turn)
    offsets = [(x - rectangle.x_mm, y - rectangle.y_mm) for x, y in corners(other)]
    along = [right * cos + up * sin for right, up in offsets]
    across = [up * cos - right * sin for right, up in offsets]
    return max(
        max(min(along), -max(along)) - rectangle.width_mm / 2,
        max(min(across), -max(across)) - rectangle.height_mm / 2,
    )


# A whole layout


def gaps(layout):
    """Every gap of a layout [mm], by the pair of ids in the order of its mounts.

    >>> from samples.layout import read_layout
    >>> layout = read_layout({"holder": {"shape": "disc", "diameter_mm": 25.4}, "mounts": [
    ...     {"id": id_, "footprint": {"shape": "disc", "diameter_mm": 4, "x_mm": x, "y_mm": 0}}
    ...     for id_, x in (("a", -5), ("b", 0.5))]})
    >>> gaps(layout)
    {('a', 'b'): 1.5}
    """
    return {
        (one.id, other.id): gap(one.footprint, other.footprint)
        for one, other in combinations(layout.mounts, 2)
    }


def outside(layout):
    """GEO-01, outside the usable area: (id, how far past its edge [mm]) for each such mount."""
    reaches = ((mount.id, overhang(mount.footprint, layout.holder)) for mount in layout.mounts)
    return [(id_, past) for id_, past in reaches if past > TOUCH_MM]


def overlaps(layout):
    """GEO-02, overlap: (id, id, depth [mm]) for each pair that shares more than an edge."""
    return [
        (one.id, other.id, -apart)
        for one, other in combinations(layout.mounts, 2)
        if (apart := clearance(one.footprint, other.footprint)) < -TOUCH_MM
    ]


def narrow_gaps(layout):
    """GEO-03, gap below `min_gap_mm`, not where they overlap: (id, id, gap [mm]) for each pair."""
    least = layout.rules.min_gap_mm
    return [
        (one.id, other.id, max(apart, 0.0))
        for one, other in combinations(layout.mounts, 2)
        if -TOUCH_MM <= (apart := clearance(one.footprint, other.footprint)) < least - TOUCH_MM
    ]


def too_thick(layout):
    """GEO-04, thicker (the sample itself) than the holder type allows: (id, thickness [mm])."""
    most = layout.holder.max_thickness_mm
    if most is None:
        return []
    return [
        (mount.id, mount.thickness_mm)
        for mount in layout.mounts
        if mount.thickness_mm is not None and mount.thickness_mm > most
    ]
