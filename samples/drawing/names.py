"""The names beside a holder and the leaders that join them to the samples."""

import math

from samples import geometry
from samples.drawing.values import HALF_VIEW, Leader, Text, decimals, half_sizes
from samples.layout import DISC, RECTANGLE, Footprint

NAME_EDGE, LEADER_END, ELBOW = 15.0, 14.6, 12.9
LINE, BETWEEN_NAMES, COLUMN = 1.4, 0.7, 10.7
LETTERS_A_LINE = 19


def leaders_beside(layout, shapes, face):
    """Names to the left and right of a face, sorted so that leaders do not cross."""
    sides = {-1: [], 1: []}
    for n in sorted(range(len(shapes)), key=lambda each: -abs(shapes[each].x_mm)):
        sides[_side(n, shapes, sides)].append(n)
    tall = 2 * face.half_height + 2.5
    leaders = []
    for most in (4, 3, 2, 1):  # fewer lines a name until both sides have room
        if all(_height(layout, names, most) <= tall for names in sides.values()):
            for side, names in sides.items():
                leaders += _column(
                    layout, shapes, face, sorted(names, key=_by_y(shapes)), side, most
                )
            break
    return tuple(leaders)


def _by_y(shapes):
    return lambda n: shapes[n].y_mm


def _side(n, shapes, sides):
    """-1 or 1: where fewer samples lie in the leader's way, else the nearer side, not too full."""
    shape = shapes[n]

    def cost(side):
        way = abs(side * ELBOW - shape.x_mm)
        path = Footprint(RECTANGLE, None, way, 0.1, shape.x_mm + side * way / 2, shape.y_mm)
        hidden = sum(geometry.overlap(path, other) for other in shapes if other is not shape)
        fuller = max(0, len(sides[side]) - len(sides[-side]) - 1)
        return (2 * hidden + 3 * fuller, way)

    return min((-1, 1), key=cost)


def _height(layout, names, most):
    return sum(LINE * len(_words(layout.mounts[n], most)) + BETWEEN_NAMES for n in names)


def _column(layout, shapes, face, names, side, most):
    """The leaders of one side from top to bottom."""
    words = [_words(layout.mounts[n], most) for n in names]
    heights = [LINE * len(lines) + BETWEEN_NAMES for lines in words]
    wanted = [shapes[n].y_mm - 0.5 * LINE for n in names]
    tops = _spread(wanted, heights, -face.half_height - 0.2, face.half_height + 2.3)
    leaders = []
    for n, lines, top in zip(names, words, tops, strict=True):
        level = top + 0.5 * LINE
        start = _edge_towards(shapes[n], (side * ELBOW, level))
        path = (
            f"M{decimals(start[0])} {decimals(start[1])}L{decimals(side * ELBOW)} {decimals(level)}"
            f"H{decimals(side * LEADER_END)}"
        )
        anchor = "end" if side < 0 else "start"
        texts = tuple(
            Text(
                kind, text, decimals(side * NAME_EDGE), decimals(level + 0.25 + row * LINE), anchor
            )
            for row, (kind, text) in enumerate(lines)
        )
        leaders.append(Leader(path, texts))
    return leaders


def leaders_along(layout, shapes, face):
    """Names above and below a long plate, in columns from left to right."""
    order = sorted(range(len(shapes)), key=lambda n: shapes[n].x_mm)
    leaders = []
    for side, names in ((-1, order[0::2]), (1, order[1::2])):
        if COLUMN * len(names) > 2 * HALF_VIEW:
            return ()
        wanted = [shapes[n].x_mm - COLUMN / 2 for n in names]
        lefts = _spread(wanted, [COLUMN] * len(names), -HALF_VIEW, HALF_VIEW)
        for n, left in zip(names, lefts, strict=True):
            x = left + COLUMN / 2
            lines = _words(layout.mounts[n], 4)
            near, far = side * (face.half_height + 0.8), side * (face.half_height + 2.0)
            start = _edge_towards(shapes[n], (x, near))
            path = f"M{decimals(start[0])} {decimals(start[1])}L{decimals(x)} {decimals(near)}V{decimals(far)}"
            first = far + 1.3 if side > 0 else far - 0.5 - LINE * (len(lines) - 1)
            texts = tuple(
                Text(kind, text, decimals(x), decimals(first + row * LINE))
                for row, (kind, text) in enumerate(lines)
            )
            leaders.append(Leader(path, texts))
    return tuple(leaders)


def below(leaders):
    """Room that the names above and below a long plate take."""
    return 2.6 + LINE * max((len(leader.lines) for leader in leaders), default=-1)


def _words(mount, most):
    """A name on at most two lines, then form, thickness and mounting, `most` lines in all."""
    what = [mount.form] if mount.form else []
    if mount.thickness_mm is not None:
        what.append(f"{mount.thickness_mm:.2f} mm")
    lines = [("name", line) for line in _wrapped(mount.name or mount.id, 2 if most > 2 else 1)]
    if what:
        lines.append(("what", ", ".join(what)))
    if mount.mounting and mount.mounting.lower() != "none":
        lines.append(("what", _wrapped(mount.mounting, 1)[0]))
    return lines[:most]


def _wrapped(text, most):
    """A name on one line, or on two of like length; what is too long ends in an ellipsis.

    >>> _wrapped("Iron zeolite, batch 2", 2)
    ['Iron zeolite,', 'batch 2']
    """
    words = text.split()
    lines = [text]
    if most > 1 and len(text) > LETTERS_A_LINE and len(words) > 1:
        breaks = [(" ".join(words[:n]), " ".join(words[n:])) for n in range(1, len(words))]
        fitting = [pair for pair in breaks if len(pair[0]) <= LETTERS_A_LINE] or breaks[:1]
        lines = min(fitting, key=lambda pair: max(map(len, pair)))
    return [
        line if len(line) <= LETTERS_A_LINE else f"{line[: LETTERS_A_LINE - 1].rstrip()}…"
        for line in lines
    ]


def _spread(wanted, sizes, least, most):
    """Starts as near as may be to `wanted`, in order, `sizes` long and not overlapping.

    >>> _spread([0.0, 0.5], [2.0, 2.0], -5.0, 5.0)
    [-0.75, 1.25]
    """
    runs = []  # [sum of (wanted - offset), count, length], merged while they overlap
    for want, size in zip(wanted, sizes, strict=True):
        runs.append([want, 1, size])
        while len(runs) > 1 and _start(runs[-2], least, most) + runs[-2][2] > _start(
            runs[-1], least, most
        ):
            total, count, length = runs.pop()
            runs[-1][0] += total - count * runs[-1][2]
            runs[-1][1] += count
            runs[-1][2] += length
    starts = []
    for run in runs:
        start = _start(run, least, most)
        for _ in range(run[1]):
            starts.append(start)
            start += sizes[len(starts) - 1]
    return starts


def _start(run, least, most):
    total, count, length = run
    return max(least, min(total / count, most - length))


def _edge_towards(shape, target):
    """Where the line from a sample's centre to `target` leaves it."""
    x, y = target[0] - shape.x_mm, target[1] - shape.y_mm
    turn = math.radians(shape.rotation_deg)
    along, across = x * math.cos(turn) + y * math.sin(turn), y * math.cos(turn) - x * math.sin(turn)
    half_width, half_height = half_sizes(shape)
    if shape.shape == DISC:
        part = half_width / (math.hypot(x, y) or 1)
    else:
        part = 1 / (max(abs(along) / half_width, abs(across) / half_height) or 1)
    return shape.x_mm + min(part, 1) * x, shape.y_mm + min(part, 1) * y
