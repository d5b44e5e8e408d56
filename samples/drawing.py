"""A holder's layout as plain drawing values: what the svg template prints, and nothing else.

One unit of the drawing is one millimetre of a 25.4 mm disc; larger holders are drawn smaller, so
that letters, hatching and numbers stay readable, and `mm_wide` and `mm_high` tell the true size.
The y axis is turned here: the layout's y runs up, the drawing's runs down.
"""

import math
from dataclasses import dataclass, replace
from itertools import combinations

from samples import geometry
from samples.layout import DISC, RECTANGLE, Footprint

HALF_FACE, HALF_PLATE = 12.7, 24.0
"""Half the drawn width of a face, and of a plate so long that names stand above and below it."""

LONG_PLATE = 1.8
"""A rectangle this many times wider than high is a long plate."""

FLAT = 0.252
"""Half the orientation flat at the foot, as a part of the radius."""

TAPE_EDGE = 0.45
"""Tape shows this far around what it holds."""

HALF_VIEW, NAME_EDGE, LEADER_END, ELBOW = 26.8, 15.0, 14.6, 12.9
TAG, LINE, BETWEEN_NAMES, COLUMN = 0.95, 1.4, 0.7, 10.7
LETTERS_A_LINE = 19
MOST_GAPS = 12

FORMS_HATCHED = {"single crystal": "crystal", "porous powder": "porous"}
NUMBER_WORDS = ("no", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine", "ten")


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
class _Face:
    """The holder as drawn: units a millimetre, half sizes in units."""

    scale: float
    half_width: float
    half_height: float
    long: bool


def draw(layout, *, code="", asked=None, spots=(), numbers=None):
    """The drawing of a layout in which every mount has its place.

    Takes:   layout; code, engraved along the rim; asked, a function of two mounts that gives the
             gap wanted between them [mm] (None: min_gap_mm for all); spots, the footprints of
             free positions; numbers, what stands in the tag by mount id (None: 1, 2, ...).
    Returns: Drawing, its numbers as text with two decimals at most.
    """
    face = _face_of(layout.holder)
    shapes = [_drawn(mount.footprint, face.scale) for mount in layout.mounts]
    tags = [_tag(n, shapes) for n in range(len(shapes))]
    plain = _plain(layout, face, shapes, tags, code, spots, numbers)
    leaders = _leaders_along(layout, shapes, face) if face.long else _leaders(layout, shapes, face)
    low = face.half_height + (_below(leaders) if face.long else 1.6)
    high = face.half_height + (_below(leaders) if face.long else 0.7)
    pad = 0 if face.long else max(0.0, 2 * HALF_FACE + 1 - high - low - 3) / 2  # a phone's square
    plain = _framed(plain, face, HALF_VIEW, high + pad, low + 3 + pad)
    return replace(
        plain,
        gaps=_gaps(layout, shapes, tags, asked),
        leaders=leaders,
        rule=_steel_rule(face, low),
    )


def draw_small(layout, *, spots=()):
    """The drawing without names, numbers, gaps and rule, for lists and for true-size prints."""
    face = _face_of(layout.holder)
    shapes = [_drawn(mount.footprint, face.scale) for mount in layout.mounts]
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
        says=_says(layout, code),
        view_box="",
        mm_wide="",
        mm_high="",
        crop=not face.long,
        face=_face_path(layout.holder, face),
        usable=_usable(layout.holder, face.scale),
        cross=_cross(layout.holder, face.scale),
        code=code,
        arc=_arc(layout.holder, face),
        arc_id="rim-" + "".join(sign for sign in code if sign.isalnum()),
        mounts=tuple(_mount(mount, *at, numbers[mount.id]) for mount, *at in rows),
        spots=tuple(_shape(_drawn(spot, face.scale)) for spot in spots),
    )


def _framed(drawing, face, half_width, above, below):
    sizes = (2 * half_width, above + below)
    mm_wide, mm_high = (_short(size / face.scale) for size in sizes)
    box = " ".join(map(_short, (-half_width, -above, *sizes)))
    return replace(drawing, view_box=box, mm_wide=mm_wide, mm_high=mm_high)


# The holder


def _face_of(holder):
    if holder.shape == DISC:
        return _Face(2 * HALF_FACE / holder.diameter_mm, HALF_FACE, HALF_FACE, False)
    width, height = holder.width_mm, holder.height_mm
    long = width > LONG_PLATE * height
    scale = 2 * (HALF_PLATE if long else HALF_FACE) / max(width, height)
    return _Face(scale, scale * width / 2, scale * height / 2, long)


def _face_path(holder, face):
    if holder.shape == DISC:
        half, foot = HALF_FACE * FLAT, HALF_FACE * math.sqrt(1 - FLAT**2)
        return (
            f"M{_short(-half)} {_short(foot)}A{HALF_FACE} {HALF_FACE} 0 1 1 "
            f"{_short(half)} {_short(foot)}Z"
        )
    wide, high = _short(face.half_width), _short(face.half_height)
    return f"M-{wide} -{high}H{wide}V{high}H-{wide}Z"


def _usable(holder, scale):
    sizes = [size * scale for size in geometry.usable(holder)]
    if holder.shape == DISC:
        return Shape(r=_short(sizes[0] / 2))
    return _box(0, 0, *sizes)


def _cross(holder, scale):
    """Short strokes where the axes meet the edge of the usable area."""
    sizes = [size * scale / 2 for size in geometry.usable(holder)]
    x, y = (_short(size) for size in (sizes[0], sizes[-1]))
    return f"M-{x} 0h.9M{x} 0h-.9M0 -{y}v.9M0 {y}v-.9"


def _arc(holder, face):
    """The line the engraved code stands on: between rim and usable area, or above the edge."""
    if holder.shape == DISC:
        r = _short(HALF_FACE - 1.55)
        return f"M-{r} 0A{r} {r} 0 0 1 {r} 0"
    return f"M{_short(-face.half_width)} {_short(-face.half_height + 1.1)}h{_short(2 * face.half_width)}"


def _says(layout, code):
    holder, count = layout.holder, len(layout.mounts)
    size = (
        f"{holder.diameter_mm:g} mm disc"
        if holder.shape == DISC
        else f"{holder.width_mm:g} by {holder.height_mm:g} mm plate"
    )
    word = NUMBER_WORDS[count] if count < len(NUMBER_WORDS) else str(count)
    samples = "sample" if count == 1 else "samples"
    return f"{f'Holder {code}, ' if code else ''}{size} with {word} {samples}, drawn to scale"


def _steel_rule(face, top):
    """Strokes at true millimetres, fewer where they would run together."""
    step = next(each for each in (1, 2, 5, 10, 20, 50, 100) if each * face.scale >= 0.55)
    reach = face.half_width / face.scale
    count = math.floor(reach / step + 1e-9)
    fine, firm, figures = [], [], []
    firm.append(f"M{_short(-face.half_width)} {_short(top)}h{_short(2 * face.half_width)}")
    firm += [f"M{_short(x)} {_short(top - 0.7)}v1.4" for x in (-face.half_width, face.half_width)]
    for n in range(-count, count + 1):
        x = _short(n * step * face.scale)
        if n % 10 == 0:
            firm.append(f"M{x} {_short(top)}v1.4")
            figure = f"{n * step}".replace("-", "−") + (
                " mm" if 0 < n == count - count % 10 else ""
            )
            figures.append(Text("scale", figure, x, _short(top + 2.4)))
        else:
            fine.append(f"M{x} {_short(top)}v{'1.2' if n % 5 == 0 else '.9'}")
    if count < 10:
        figures.append(Text("scale", f"{2 * reach:g} mm", "0", _short(top + 2.4)))
    return SteelRule("".join(fine), "".join(firm), tuple(figures))


# The samples


def _drawn(footprint, scale):
    """A footprint in drawing units, y turned downwards."""
    sizes = {
        name: None if (size := getattr(footprint, name)) is None else size * scale
        for name in ("diameter_mm", "width_mm", "height_mm")
    }
    x, y = footprint.x_mm * scale, -footprint.y_mm * scale
    return Footprint(footprint.shape, **sizes, x_mm=x, y_mm=y, rotation_deg=-footprint.rotation_deg)


def _half_sizes(shape):
    if shape.shape == DISC:
        return shape.diameter_mm / 2, shape.diameter_mm / 2
    return shape.width_mm / 2, shape.height_mm / 2


def _shape(shape):
    turn = f" rotate({_short(shape.rotation_deg)})" if shape.rotation_deg else ""
    transform = f"translate({_short(shape.x_mm)} {_short(shape.y_mm)}){turn}"
    if shape.shape == DISC:
        return Shape(transform, r=_short(shape.diameter_mm / 2))
    return replace(_box(0, 0, shape.width_mm, shape.height_mm), transform=transform)


def _box(x, y, width, height):
    """A rectangle around a point."""
    sizes = (x - width / 2, y - height / 2, width, height)
    return Shape("", "", *map(_short, sizes))


def _mount(mount, shape, tag, number):
    held = (mount.mounting or "").lower()
    half_width, half_height = _half_sizes(shape)
    ring = None
    if mount.form == "residue":  # a dried rim
        ring = Shape(r=_short(0.86 * half_width))
        if shape.shape != DISC:
            ring = _box(0, 0, 2 * half_width - 0.7, 2 * half_height - 0.7)
    tape = None
    if "tape" in held or "foil" in held:
        tape = _box(0, 0, 2 * (half_width + TAPE_EDGE), 2 * (half_height + TAPE_EDGE))
    clips = ()
    if "clip" in held:
        clips = tuple(_box(side * (half_width - 0.05), 0, 1.9, 0.7) for side in (-1, 1))
    kinds = {"carbon tape": "carbon"}
    return DrawnMount(
        id=mount.id,
        shape=_shape(shape),
        hatch=FORMS_HATCHED.get(mount.form, mount.form or ""),
        tape=tape,
        tape_kind="foil" if "foil" in held else kinds.get(held, ""),
        clips=clips,
        ring=ring,
        number=str(number),
        tag_x=_short(tag[0]),
        tag_y=_short(tag[1]),
        tag_text_y=_short(tag[1] + 0.45),
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
    return max(around, key=lambda spot: _room(_disc(*spot, 2 * TAG), others))


def _disc(x, y, diameter):
    return Footprint(DISC, diameter_mm=diameter, x_mm=x, y_mm=y)


def _room(shape, others):
    """The least clearance of a shape from others, none of them: much."""
    return min((geometry.clearance(shape, other) for other in others), default=99.0)


# The gaps


def _gaps(layout, shapes, tags, asked):
    """Gaps below what is asked, and each sample's nearest: at most MOST_GAPS, narrowest first."""
    measured = []
    for (a, one), (b, other) in combinations(enumerate(layout.mounts), 2):
        wanted = layout.rules.min_gap_mm if asked is None else asked(one, other)
        gap = geometry.gap(one.footprint, other.footprint)
        measured.append((gap >= wanted - geometry.TOUCH_MM, gap, a, b))
    measured.sort()
    told, drawn = set(), []
    taken = [_disc(*tag, 2 * TAG) for tag in tags]
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
        path = f"M{_short(x1)} {_short(y1)}L{_short(x2)} {_short(y2)}" + "".join(
            f"M{_short(x - 0.45 * side[0])} {_short(y - 0.45 * side[1])}"
            f"L{_short(x + 0.45 * side[0])} {_short(y + 0.45 * side[1])}"
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
    box = max(boxes, key=lambda each: round(min(_room(each, shapes + taken), 0.3), 1))
    taken.append(box)
    text_x = box.x_mm + (1.1 if short else 0)
    return DrawnGap(
        path=path,
        short=short,
        text=Text("halo", f"{gap:.1f}", _short(text_x), _short(box.y_mm + 0.35)),
        mark_x=_short(box.x_mm - 2.05),
        mark_y=_short(box.y_mm - 1.0),
    )


# The names


def _leaders(layout, shapes, face):
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
            f"M{_short(start[0])} {_short(start[1])}L{_short(side * ELBOW)} {_short(level)}"
            f"H{_short(side * LEADER_END)}"
        )
        anchor = "end" if side < 0 else "start"
        texts = tuple(
            Text(kind, text, _short(side * NAME_EDGE), _short(level + 0.25 + row * LINE), anchor)
            for row, (kind, text) in enumerate(lines)
        )
        leaders.append(Leader(path, texts))
    return leaders


def _leaders_along(layout, shapes, face):
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
            path = (
                f"M{_short(start[0])} {_short(start[1])}L{_short(x)} {_short(near)}V{_short(far)}"
            )
            first = far + 1.3 if side > 0 else far - 0.5 - LINE * (len(lines) - 1)
            texts = tuple(
                Text(kind, text, _short(x), _short(first + row * LINE))
                for row, (kind, text) in enumerate(lines)
            )
            leaders.append(Leader(path, texts))
    return tuple(leaders)


def _below(leaders):
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
    half_width, half_height = _half_sizes(shape)
    if shape.shape == DISC:
        part = half_width / (math.hypot(x, y) or 1)
    else:
        part = 1 / (max(abs(along) / half_width, abs(across) / half_height) or 1)
    return shape.x_mm + min(part, 1) * x, shape.y_mm + min(part, 1) * y


def _short(number):
    """Two decimals at most, never "-0".

    >>> _short(2.0), _short(-0.001), _short(-1.456)
    ('2', '0', '-1.46')
    """
    text = f"{number:.2f}".rstrip("0").rstrip(".")
    return "0" if text == "-0" else text
