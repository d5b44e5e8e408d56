"""The numbers behind arranging: many layouts at once, improved together by least squares.

A footprint is a rectangle with rounded corners: a disc is a rectangle without size and its radius
all around, a rectangle has no radius. A batch of layouts is an array (layouts, samples, 3) of x,
y in mm and the turn in radians.
"""

from dataclasses import dataclass, field

import numpy as np

TOO_FLAT = 1e-12


@dataclass(frozen=True)
class Shapes:
    """What is to be spread: half sizes of the cores (n, 2) and radii (n,) [mm], and on what area:
    its diameter, or its width and height [mm]."""

    halves: np.ndarray
    radii: np.ndarray
    area: tuple[float, ...]
    pairs: np.ndarray = field(init=False)
    round_pairs: np.ndarray = field(init=False)
    square_pairs: np.ndarray = field(init=False)
    edge_of: np.ndarray = field(init=False)
    edge_corner: np.ndarray = field(init=False)
    arms: np.ndarray = field(init=False)

    def __post_init__(self):
        square = self.halves.any(axis=1)
        pairs = np.array(np.triu_indices(len(self.radii), 1)).T
        both_round = ~square[pairs].any(axis=1)
        corners = [
            (n, corner) for n in range(len(square)) for corner in range(4 if square[n] else 1)
        ]
        for name, value in {
            "pairs": pairs,
            "round_pairs": np.flatnonzero(both_round),
            "square_pairs": np.flatnonzero(~both_round),
            "edge_of": np.array([n for n, _ in corners], dtype=int),
            "edge_corner": np.array([corner for _, corner in corners], dtype=int),
            "arms": np.where(square, np.hypot(*self.halves.T), 1.0),
        }.items():
            object.__setattr__(self, name, value)

    @property
    def count(self):
        return len(self.radii)


@dataclass(frozen=True)
class Goal:
    """What a batch is spread for: with the pull s, pair k keeps max(floor_k, s share_k) [mm] and
    everything stays s edge_share inside the area. Arrays (layouts, pairs) or (pairs,)."""

    floor: np.ndarray
    share: np.ndarray
    edge_share: float = 0.0
    inset: float = 0.0


_RIGHT, _UP = np.array([-1.0, 1.0, 1.0, -1.0]), np.array([-1.0, -1.0, 1.0, 1.0])


def _corners(shapes, layouts):
    """x and y of the corners of the cores, each (4, layouts, samples)."""
    cos, sin = np.cos(layouts[..., 2]), np.sin(layouts[..., 2])
    right = (_RIGHT[:, None] * shapes.halves[:, 0])[:, None]
    up = (_UP[:, None] * shapes.halves[:, 1])[:, None]
    return layouts[..., 0] + cos * right - sin * up, layouts[..., 1] + sin * right + cos * up


def clearances(shapes, layouts):
    """Gap of every pair, minus the depth where two overlap, and how it changes.

    Returns: gaps (layouts, pairs); the direction (layouts, pairs, 2) in which the first must go to
             widen the gap; the turning effects on the first and second (layouts, pairs, 2).
    """
    many, count = len(layouts), len(shapes.pairs)
    gaps, away = np.empty((many, count)), np.empty((many, count, 2))
    turns = np.zeros((many, count, 2))
    if len(shapes.round_pairs):
        first, second = shapes.pairs[shapes.round_pairs].T
        between = layouts[:, first, :2] - layouts[:, second, :2]
        length = np.hypot(between[..., 0], between[..., 1])
        gaps[:, shapes.round_pairs] = length - shapes.radii[first] - shapes.radii[second]
        away[:, shapes.round_pairs] = between / np.maximum(length, TOO_FLAT)[..., None]
    if len(shapes.square_pairs):
        found = _square_clearances(shapes, layouts)
        gaps[:, shapes.square_pairs], away[:, shapes.square_pairs] = found[:2]
        turns[:, shapes.square_pairs] = found[2]
    return gaps, away, turns


def _square_clearances(shapes, layouts):
    """As `clearances`, for pairs of which at least one is a rectangle.

    Each core's corners are seen from the other core's frame. Cores that are apart along an axis
    have their least distance at a corner; else the least deep axis tells the depth.
    """
    first, second = shapes.pairs[shapes.square_pairs].T
    seen, frame = np.concatenate([first, second]), np.concatenate([second, first])
    corner_x, corner_y = (each[:, :, seen] for each in _corners(shapes, layouts))
    right, up = corner_x - layouts[:, frame, 0], corner_y - layouts[:, frame, 1]
    cos, sin = np.cos(layouts[..., 2])[:, frame], np.sin(layouts[..., 2])[:, frame]
    along, across = right * cos + up * sin, up * cos - right * sin
    half_along, half_across = shapes.halves[frame].T

    # how far all corners are beyond each of the frame's four sides
    beyond = np.stack([along.min(0), -along.max(0), across.min(0), -across.max(0)])
    beyond -= np.stack([half_along, half_along, half_across, half_across])[:, None]
    depth = beyond.max(axis=0)

    # how far each corner is from the frame's rectangle
    past_along = np.maximum(np.abs(along) - half_along, 0)
    past_across = np.maximum(np.abs(across) - half_across, 0)
    distance = past_along**2 + past_across**2
    least = distance.min(axis=0)

    half = len(first)
    apart = np.maximum(depth[:, :half], depth[:, half:]) > 0
    of_first = np.where(
        apart, least[:, :half] <= least[:, half:], depth[:, :half] >= depth[:, half:]
    )
    layout = np.arange(len(layouts))[:, None]
    row = np.arange(half) + np.where(of_first, 0, half)
    side = beyond[:, layout, row].argmax(axis=0)
    corner = np.where(
        apart,
        distance[:, layout, row].argmin(axis=0),
        _deepest(along[:, layout, row], across[:, layout, row], side),
    )
    length = np.sqrt(least[layout, row])
    gaps = np.where(apart, length, depth[layout, row]) - shapes.radii[first] - shapes.radii[second]

    # the direction from the frame to the corner, in the frame's axes, then in the area's
    at = corner, layout, row
    length = np.maximum(length, TOO_FLAT)
    local_x = np.where(
        apart,
        np.sign(along[at]) * past_along[at] / length,
        (side == 0) * 1.0 - (side == 1),
    )
    local_y = np.where(
        apart,
        np.sign(across[at]) * past_across[at] / length,
        (side == 2) * 1.0 - (side == 3),
    )
    cos, sin = cos[layout, row], sin[layout, row]
    x, y = local_x * cos - local_y * sin, local_x * sin + local_y * cos

    corner_x, corner_y = corner_x[at], corner_y[at]
    seen, frame = seen[row], frame[row]
    turn_seen = (corner_x - layouts[layout, seen, 0]) * y - (
        corner_y - layouts[layout, seen, 1]
    ) * x
    turn_frame = (corner_y - layouts[layout, frame, 1]) * x - (
        corner_x - layouts[layout, frame, 0]
    ) * y
    sense = np.where(of_first, 1.0, -1.0)
    away = np.stack([sense * x, sense * y], axis=-1)
    turn_first = np.where(of_first, turn_seen, turn_frame)
    turn_second = np.where(of_first, turn_frame, turn_seen)
    return gaps, away, np.stack([turn_first, turn_second], axis=-1)


def _deepest(along, across, side):
    """The corner furthest back across the side that is least deep."""
    reach = np.where(side < 2, along, across) * np.where(side % 2, -1.0, 1.0)
    return reach.argmin(axis=0)


def overhangs(shapes, layouts):
    """How far each corner is past the edge of the area, and how it changes.

    Returns: past (layouts, rows), negative inside; directions outwards (layouts, rows, 2);
             turning effects (layouts, rows). One row a corner on a disc, two on a rectangle.
    """
    at = shapes.edge_corner, slice(None), shapes.edge_of
    x, y = (each[at].T for each in _corners(shapes, layouts))
    radii = shapes.radii[shapes.edge_of]
    arm_x, arm_y = x - layouts[:, shapes.edge_of, 0], y - layouts[:, shapes.edge_of, 1]
    if len(shapes.area) == 1:
        length = np.hypot(x, y)
        out = np.stack([x, y], axis=-1) / np.maximum(length, TOO_FLAT)[..., None]
        past = length + radii - shapes.area[0] / 2
    else:
        past = np.concatenate([np.abs(x) + radii, np.abs(y) + radii], axis=1)
        past -= np.repeat(np.array(shapes.area) / 2, len(radii))
        out = np.zeros((*past.shape, 2))
        out[:, : len(radii), 0], out[:, len(radii) :, 1] = np.sign(x), np.sign(y)
        arm_x, arm_y = np.tile(arm_x, 2), np.tile(arm_y, 2)
    return past, out, arm_x * out[..., 1] - arm_y * out[..., 0]


def _wrong(shapes, layouts, pulls, goal):
    """What is still wrong, (layouts, rows), and the parts for its derivative."""
    gaps, away, turns = clearances(shapes, layouts)
    past, out, edge_turns = overhangs(shapes, layouts)
    pulled = pulls[:, None] * goal.share
    target = np.maximum(goal.floor, pulled)
    pairs = np.maximum(target - gaps, 0)
    edges = np.maximum(past + goal.edge_share * pulls[:, None] + goal.inset, 0)
    return np.concatenate([pairs, edges], axis=1), (
        away,
        turns,
        out,
        edge_turns,
        pulled >= goal.floor,
    )


def _slopes(shapes, wrong, parts, goal):
    """Derivative of what is wrong, (layouts, rows, 3 n + 1), for the rows in which anything is."""
    away, turns, out, edge_turns, pulled = parts
    live = wrong.any(axis=0)
    pair, edge = (
        np.flatnonzero(live[: len(shapes.pairs)]),
        np.flatnonzero(live[len(shapes.pairs) :]),
    )
    first, second = shapes.pairs[pair].T
    edge_of = np.tile(shapes.edge_of, out.shape[1] // len(shapes.edge_of))[edge]
    pair_row, edge_row = np.arange(len(pair)), len(pair) + np.arange(len(edge))
    slopes = np.zeros((len(wrong), len(pair) + len(edge), 3 * shapes.count + 1))
    for axis in (0, 1):
        slopes[:, pair_row, 3 * first + axis] = -away[:, pair, axis]
        slopes[:, pair_row, 3 * second + axis] = away[:, pair, axis]
        slopes[:, edge_row, 3 * edge_of + axis] = out[:, edge, axis]
    slopes[:, pair_row, 3 * first + 2] = -turns[:, pair, 0] / shapes.arms[first]
    slopes[:, pair_row, 3 * second + 2] = -turns[:, pair, 1] / shapes.arms[second]
    slopes[:, edge_row, 3 * edge_of + 2] = edge_turns[:, edge] / shapes.arms[edge_of]
    slopes[:, pair_row, -1] = np.broadcast_to(goal.share, pulled.shape)[:, pair] * pulled[:, pair]
    slopes[:, edge_row, -1] = goal.edge_share
    wrong = wrong[:, live]
    slopes *= (wrong > 0)[..., None]
    return slopes, wrong


def improve(shapes, layouts, pulls, goal, *, top, weight):
    """Take damped least-squares rounds on a batch.

    Takes:   layouts (m, n, 3) and pulls (m,); goal; top, what the pull strives for [mm],
             one for all or (m,); weight of that striving in each round, (rounds,) or (rounds, m):
             from 1 (crowded, everything pushes) towards 0 (nothing may be wrong); all 0 keeps the
             pull as it is.
    Returns: layouts, pulls and what is wrong at most in each (m,).
    """
    layouts, pulls = layouts.copy(), pulls.copy()
    many, size = len(layouts), 3 * shapes.count + 1
    damping = np.full(many, 1e-2)
    scale = np.repeat(1.0, size)
    scale[2 : size - 1 : 3] = 1 / shapes.arms
    wrong, parts = _wrong(shapes, layouts, pulls, goal)
    for strive in weight:
        striving = np.any(strive > 0)
        slopes, live = _slopes(shapes, wrong, parts, goal)
        square = slopes.transpose(0, 2, 1) @ slopes
        downhill = -(slopes.transpose(0, 2, 1) @ live[..., None])
        if striving:
            square[:, -1, -1] += strive**2
            downhill[:, -1, 0] += strive**2 * (top - pulls)
        else:
            square[:, -1, :] = square[:, :, -1] = 0
            downhill[:, -1] = 0
        square[:, np.arange(size), np.arange(size)] += damping[:, None] + 1e-9
        step = np.linalg.solve(square, downhill)[..., 0] * scale
        moved = layouts + step[:, :-1].reshape(many, -1, 3)
        pulled = pulls + step[:, -1]
        new_wrong, new_parts = _wrong(shapes, moved, pulled, goal)
        cost = (wrong**2).sum(axis=1) + strive**2 * (top - pulls) ** 2
        new_cost = (new_wrong**2).sum(axis=1) + strive**2 * (top - pulled) ** 2
        better = new_cost <= cost
        damping = np.clip(np.where(better, damping / 3, damping * 4), 1e-9, 1e3)
        layouts[better], pulls[better], wrong[better] = (
            moved[better],
            pulled[better],
            new_wrong[better],
        )
        for old, new in zip(parts, new_parts, strict=True):
            old[better] = new[better]
        if not striving and not wrong.any():
            break
    return layouts, pulls, wrong.max(axis=1, initial=0.0)
