"""Where to put the samples of a holder: inside, apart, and risky neighbours far from each other.

Many starts are improved at once by a damped least-squares step on what is still wrong (a sample
past the edge, a gap below its target) while one number, usually the smallest gap, is pulled up.
The pull fades, so what remains is a layout that cannot be spread further. Deterministic: the same
layout and seed give the same answer.
"""

import math
from dataclasses import dataclass, replace
from itertools import combinations

import numpy as np

from samples import geometry
from samples.layout import DISC
from samples.spreading import Goal, Shapes, clearances, improve, overhangs

DECIMALS = 4
INSET_MM = 3e-4
"""Kept in hand at every edge and gap, so that rounding to DECIMALS cannot spoil a layout."""

STARTS, VARIANTS, CYCLES, FAR_CYCLES, TRIES = 40, 24, 7, 3, 3
"""Layouts tried at once, variants of the best of them in each further cycle, cycles, cycles once
risky pairs are kept apart, and fresh tries while nothing fits. Chosen by measuring against longer
searches of the same kind: most layouts are then within a few per cent of the widest known."""

CROWDED, VARIED, POLISHED = (3.0, 0.25, 40), (1.0, 0.3, 18), (0.25, 0.015, 15)
"""Pull at first and at last, and rounds between. A strong pull lets samples pass each other."""

STUCK_MM = 0.01
"""Further past the edge than this after polishing, a sample is stuck there."""

GENTLE = 4
"""One start in so many begins with a weaker pull, down to a thirtieth: a strong one turns long
samples along the edge, which is not always where they fit."""

MANY = 14
"""Above so many samples the number of starts falls, so that the time stays bounded."""

MOST_OWN, OWN_STARTS = 8, 32
"""Risky pairs whose own best distance is searched for, and starts for all of them. With more such
pairs on one holder not all of them can have most of their own best."""

SLACKS_MM = (1e-3, 5e-3, 3e-2)
"""What a gap may lose when a layout is pushed wholly inside, tried in this order."""

KEEP_GAP = 0.98
"""Part of the widest smallest gap that is kept while risky pairs are drawn apart."""

FAR_ENOUGH = 0.82
"""Part of a risky pair's own best distance that is aimed at: 0.8 (own proposal), some in hand."""


@dataclass(frozen=True, slots=True)
class Impossible:
    """No arrangement was found. `says` tells why, and what would make it possible.

    `proved` is True where none can exist, False where the search found none; `gap_mm` is the
    smallest gap with which it would fit, `grow_mm` by how much the usable area would have to grow
    on every side, `leave_out` the ids without which the others fit.
    """

    says: str
    proved: bool
    gap_mm: float | None = None
    grow_mm: float | None = None
    leave_out: tuple[str, ...] = ()


def arrange(layout, *, wanted=None, seed=0):
    """The layout with a place for every mount, or Impossible.

    Takes:   layout (places it has are not looked at); wanted, a function of two mounts that gives
             the distance they should keep for a risk [mm], 0 for none; seed of the starts.
    Returns: a layout in which all lies on the usable area and no gap is below min_gap_mm, its
             smallest gap as wide as was found. Where pairs are risky, each has FAR_ENOUGH of the
             distance that it alone could have, if all can; the smallest gap gives way to that,
             since what sheds does harm and a narrow gap above the minimum does not. What can be
             had beyond is taken as long as KEEP_GAP of the smallest gap stays.
    """
    if not layout.mounts:
        return layout
    if reason := _cannot(layout):
        return reason
    if len(layout.mounts) == 1:
        return _with_places(layout, np.array([[0.0, 0.0, _best_turn(layout, layout.mounts[0])]]))
    search = _Search(layout, seed)
    spread, gap = search.widest_gap()
    if gap < layout.rules.min_gap_mm:
        return _why_not(layout, search, spread, gap)
    risky = [wanted(*pair) > 0 if wanted else False for pair in combinations(layout.mounts, 2)]
    if any(risky):
        spread = search.risky_apart(spread, gap, np.array(risky))
    return _with_places(layout, spread)


# The search


class _Search:
    """The starts, steps and choices for one layout."""

    def __init__(self, layout, seed):
        self.shapes = _shapes(layout)
        self.best_turns = np.array([_best_turn(layout, mount) for mount in layout.mounts])
        self.least = layout.rules.min_gap_mm
        self.random = np.random.default_rng(seed)
        self.top = 1.5 * math.sqrt(_usable_area(layout.holder) / len(layout.mounts))
        self.pairs = len(self.shapes.pairs)
        self.effort = min(1.0, (MANY / len(layout.mounts)) ** 2.5)

    def widest_gap(self, tries=TRIES, cycles=CYCLES):
        """The layout with the widest smallest gap, and that gap (below zero: they overlap)."""
        cycles += max(0, 11 - self.shapes.count)  # with few samples a cycle costs little
        goal = Goal(np.full(self.pairs, -np.inf), np.ones(self.pairs))
        best, widest = None, -math.inf
        for _ in range(tries):
            starts = self._starts(self._some(STARTS))
            spread, gaps = self._settled(self._wide_pool(starts, goal, cycles), goal)
            if gaps.max() > widest or best is None:
                best, widest = spread[gaps.argmax()], gaps.max()
            if widest >= self.least:
                break
        return best, widest

    def _wide_pool(self, starts, goal, cycles):
        """A few different layouts with wide gaps: the best of many starts, then variants of them."""
        pool = self._best_of(
            self._polish(self._pulled(starts, goal, self.top, CROWDED), goal), goal
        )
        for _ in range(cycles):
            variants = self._pulled(self._varied(pool), goal, self.top, VARIED)
            pool = self._best_of(np.concatenate([pool, self._polish(variants, goal)]), goal)
        return pool

    def _polish(self, spread, goal):
        few = np.argsort(-self._even_gap(spread, goal))[:6]
        return self._pulled(spread[few], goal, self.top, POLISHED)

    def _even_gap(self, spread, goal):
        """The smallest gap left once all is pushed inside, about [mm]; missing a floor costs dear."""
        gaps, past = self._measured(spread)
        short = np.maximum(goal.floor - gaps, 0).max(axis=1)
        return gaps.min(axis=1) - 2 * past - 20 * short

    def _best_of(self, spread, goal):
        """The four widest layouts that differ. What is still past the edge after polishing is
        stuck there: it counts dear."""
        past = self._measured(spread)[1]
        gaps = self._even_gap(spread, goal) - 500 * np.maximum(past - STUCK_MM, 0)
        order = np.argsort(-gaps)
        different = np.abs(np.diff(gaps[order], prepend=np.inf)) > 1e-3 * np.abs(gaps[order]) + 1e-4
        return spread[order[different][:4]]

    def _varied(self, pool):
        """VARIANTS of the layouts of a pool; what is stuck past the edge is turned to fit first."""
        many = self._some(VARIANTS)
        stuck = self._stuck(pool)
        pool = pool.copy()
        pool[..., 2] = np.where(stuck, self.best_turns, pool[..., 2])
        return self._variants(pool[self.random.integers(0, len(pool), many)], self._starts(many))

    def _stuck(self, spread):
        """Which samples of which layouts are past the edge by more than polishing leaves."""
        edges = len(self.shapes.edge_of)
        past = overhangs(self.shapes, spread)[0].reshape(len(spread), -1, edges).max(axis=1)
        first_corners = np.flatnonzero(np.diff(self.shapes.edge_of, prepend=-1))
        return np.maximum.reduceat(past, first_corners, axis=1) > STUCK_MM

    def _variants(self, spread, fresh):
        """Each layout with two samples changed over, one thrown anew (from `fresh`), or some turned."""
        spread, kind = spread.copy(), self.random.random(len(spread))
        for row in range(len(spread)):
            some = self.random.permutation(self.shapes.count)[:3]
            if kind[row] < 0.6:
                spread[row, some[:2], :2] = spread[row, some[1::-1], :2]
            elif kind[row] < 0.8:
                spread[row, some[0]] = fresh[row, some[0]]
            else:
                spread[row, some, 2] = fresh[row, some, 2]
        return spread + self.random.normal(0, 1, spread.shape) * [0.14, 0.14, 0.05]

    def _some(self, many):
        return max(2, round(self.effort * many))

    def risky_apart(self, spread, gap, risky):
        """From the widest layout, one in which risky pairs are as far apart as is worth it."""
        best = self._own_best(spread, risky)
        if risky.sum() <= MOST_OWN and self.effort == 1:
            floor = np.where(risky, np.maximum(FAR_ENOUGH * best, self.least), self.least)
            far, far_gap = self._wide_with(spread, floor, risky)
            if far is not None:
                spread, gap = far, min(gap, far_gap / KEEP_GAP)
        return self._drawn_apart(spread, risky, best, max(self.least, KEEP_GAP * gap - INSET_MM))

    def growth_needed(self, spread):
        """By how much the area would have to grow on every side for all gaps to be kept [mm]."""
        goal = Goal(np.full(self.pairs, self.least), np.zeros(self.pairs), edge_share=1.0)
        spread = self._pulled(self._varied(spread[None]), goal, self.top, CROWDED)
        spread = self._pulled(spread, goal, self.top, POLISHED)
        gaps, past = self._measured(spread)
        return (past + np.maximum(self.least - gaps.min(axis=1), 0)).min()

    # steps

    def _starts(self, many):
        """Random places and turns over the area."""
        spots = self.random.uniform(-0.5, 0.5, (many, self.shapes.count, 3))
        spots[..., 2] *= 2 * math.pi
        if len(self.shapes.area) == 2:
            return spots * [*self.shapes.area, 1.0]
        way = 2 * math.pi * spots[..., 0]
        out = self.shapes.area[0] / 2 * np.sqrt(spots[..., 1] + 0.5)
        return np.stack([out * np.cos(way), out * np.sin(way), spots[..., 2]], axis=-1)

    def _pulled(self, spread, goal, top, pull):
        """Layouts after a pull that fades."""
        first, last, rounds = pull
        weight = np.geomspace(first, last, rounds)
        if pull == CROWDED:
            gentle = np.zeros(len(spread))
            gentle[1::GENTLE] = self.random.random(len(gentle[1::GENTLE]))
            weight = weight[:, None] * 30**-gentle
        return improve(self.shapes, spread, np.zeros(len(spread)), goal, top=top, weight=weight)[0]

    def _settled(self, spread, goal):
        """Layouts pushed inside with the smallest gap they have, and that gap."""
        gaps, past = self._measured(spread)
        even = np.repeat((gaps.min(axis=1) - 2 * past)[:, None], self.pairs, axis=1)
        return self._pushed(spread, np.maximum(goal.floor, even), even > goal.floor)

    def _pushed(self, spread, floor, give):
        """Layouts brought inside the area and to their floors, which give way a little.

        Returns: layouts and their smallest gaps, -inf where it did not work out.
        """
        for slack in SLACKS_MM:
            goal = Goal(floor - slack * give + INSET_MM, np.zeros(self.pairs), inset=INSET_MM)
            pushed, _, wrong = improve(
                self.shapes, spread, np.zeros(len(spread)), goal, top=0, weight=np.zeros(25)
            )
            kept = wrong < INSET_MM / 3
            if kept.any():
                break
        return pushed, np.where(kept, self._measured(pushed)[0].min(axis=1), -math.inf)

    def _measured(self, spread):
        gaps = clearances(self.shapes, spread)[0]
        return gaps, np.maximum(overhangs(self.shapes, spread)[0].max(axis=1), 0)

    # risky pairs

    def _own_best(self, spread, risky):
        """For each risky pair the distance it could have if it alone were drawn apart [mm].

        For many pairs at once, or many samples, the distance it would have with nothing else on
        the holder: then all of them cannot have most of it, and the order is what counts.
        """
        if risky.sum() > MOST_OWN or self.effort < 1:
            reach = self.shapes.radii + np.hypot(*self.shapes.halves.T)
            alone = (
                np.hypot(*self.shapes.area) if len(self.shapes.area) > 1 else self.shapes.area[0]
            )
            return np.where(
                risky, np.maximum(alone - 2 * reach[self.shapes.pairs].sum(axis=1), 1), 0
            )
        gaps = self._measured(spread[None])[0][0]
        best = np.where(risky, gaps, 0.0)
        some = np.flatnonzero(risky)
        each = max(4, min(16, OWN_STARTS // len(some)))
        which = np.repeat(some, each)
        rows = np.arange(len(which))
        share = np.zeros((len(which), self.pairs))
        share[rows, which] = 1.0
        goal = Goal(np.full(self.pairs, self.least), share)
        more = max(self.shapes.area) - gaps[which]  # some strive for little, some for all there is
        top = gaps[which] + more * self.random.uniform(0.3, 1, len(which)) ** 2
        starts = self._starts(len(which))
        self._set_opposite(starts[::2], which[::2])
        starts[::each] = spread
        for pull in (CROWDED, VARIED):
            found = self._pulled(self._pulled(starts, goal, top, pull), goal, top, POLISHED)
            gaps, past = self._measured(found)
            own = gaps[rows, which] - 2 * past
            own[gaps.min(axis=1) < self.least - 0.02] = 0
            own = own.reshape(-1, each)
            best[some] = np.maximum(best[some], own.max(axis=1))
            widest = found[own.argmax(axis=1) + each * np.arange(len(some))]
            starts = self._variants(np.repeat(widest, each, axis=0), self._starts(len(which)))
        return best

    def _set_opposite(self, starts, which):
        """Put the two samples of pair `which[k]` of start k at opposite ends of the area."""
        way = self.random.uniform(0, 2 * math.pi, len(which))
        half = np.array([self.shapes.area[0], self.shapes.area[-1]]) / 2.5
        ends = np.stack([np.cos(way), np.sin(way)], axis=-1) * half
        first, second = self.shapes.pairs[which].T
        rows = np.arange(len(which))
        starts[rows, first, :2], starts[rows, second, :2] = ends, -ends

    def _drawn_apart(self, spread, risky, best, floor):
        """The layout in which the worst off of the risky pairs has most of its own best distance;
        `spread` where none is better."""
        unit = best[risky].mean()
        goal = Goal(np.full(self.pairs, floor), np.where(risky, best / unit, 0.0))
        starts = np.concatenate(
            [spread[None], self._sorted_starts(risky, self._some(VARIANTS // 2))]
        )
        found = self._pulled(starts, goal, 1.2 * unit, CROWDED)
        found = self._pulled(found, goal, 1.2 * unit, POLISHED)
        gaps, past = self._measured(found)
        parts = ((gaps - 2 * past[:, None])[:, risky] / best[risky]).min(axis=1)
        short = np.maximum(floor - gaps.min(axis=1) + 2 * past, 0)
        few = np.argsort(20 * short - unit * parts)[:6]
        wished = np.where(risky, parts[few, None] * best, 0)
        pushed, kept = self._pushed(found[few], np.maximum(floor, wished), wished > floor)
        pushed = np.concatenate([spread[None], pushed[kept > -math.inf]])
        parts = (self._measured(pushed)[0][:, risky] / best[risky]).min(axis=1)
        return pushed[parts.argmax()]

    def _wide_with(self, spread, floor, risky):
        """The widest layout in which every pair keeps its floor, and its smallest gap; or None."""
        goal = Goal(floor, np.ones(self.pairs))
        starts = self._sorted_starts(risky, self._some(STARTS // 4))
        starts = np.concatenate([self._varied(spread[None]), starts])
        pool, gaps = self._settled(self._wide_pool(starts, goal, FAR_CYCLES), goal)
        widest = gaps.argmax()
        return (pool[widest], gaps[widest]) if gaps[widest] > -math.inf else (None, 0.0)

    def _sorted_starts(self, risky, many):
        """Random starts, most with what sheds on one side of the area and the rest on the other."""
        count = self.shapes.count
        apart = np.zeros((count, count))
        first, second = self.shapes.pairs[risky].T
        apart[first, second] = apart[second, first] = 1.0
        side = np.linalg.eigh(apart)[1][:, 0]  # of the lowest value: opposite signs across pairs
        starts = self._starts(many)
        sorted_ones = slice(0, 3 * len(starts) // 4)
        starts[sorted_ones, :, 0] *= 0.3
        starts[sorted_ones, :, 0] += 0.4 * self.shapes.area[0] * side / np.abs(side).max()
        if len(self.shapes.area) == 1:
            way = self.random.uniform(0, 2 * math.pi, (len(starts), 1))
            x, y = starts[..., 0].copy(), starts[..., 1].copy()
            starts[..., 0] = x * np.cos(way) - y * np.sin(way)
            starts[..., 1] = x * np.sin(way) + y * np.cos(way)
        return starts


# Why not


def _cannot(layout):
    """Impossible where that can be proved without a search: one sample or all of them too large."""
    too_large = []
    for mount in layout.mounts:
        past = _past_alone(layout, mount)
        if past > geometry.TOUCH_MM:
            too_large.append((mount.id, past))
    if too_large:
        ids = tuple(id_ for id_, _ in too_large)
        grow = _up(max(past for _, past in too_large))
        verb = "is" if len(ids) == 1 else "are"
        return Impossible(
            f"{_listed(ids)} {verb} larger than the usable area of {_area_words(layout)}. "
            f"It would take one {_grown_words(layout, grow)}, or leaving out {_listed(ids)}.",
            proved=True,
            grow_mm=grow,
            leave_out=ids,
        )
    covered = sum(geometry.area(mount.footprint) for mount in layout.mounts)
    free = _usable_area(layout.holder)
    if covered > free:
        grow = _up((math.sqrt(covered / free) - 1) * min(geometry.usable(layout.holder)) / 2)
        return Impossible(
            f"The samples cover {covered:.0f} mm², the usable area of {_area_words(layout)} has "
            f"{free:.0f} mm². Use a larger holder, or spread them over two.",
            proved=True,
        )
    return None


def _why_not(layout, search, spread, gap):
    """What would make room: narrower gaps, a larger area, or leaving one out."""
    least = layout.rules.min_gap_mm
    narrower = math.floor(100 * gap) / 100 if gap >= 0 else None
    grow = _up(search.growth_needed(spread) + 2 * STUCK_MM)  # some in hand: it must work
    out = _leave_out(layout, search)
    ways = []
    if narrower is not None:
        ways.append(f"gaps of {narrower:.2f} mm instead of {least:g} mm")
    if math.isfinite(grow):
        ways.append(f"a usable area {_grown_words(layout, grow)}")
    if out:
        ways.append(f"leaving out {_listed(out)}")
    makes = f" It would fit with {', or '.join(ways)}." if ways else ""
    return Impossible(
        f"No place was found for all {len(layout.mounts)} samples with gaps of {least:g} mm on the "
        f"usable area of {_area_words(layout)}.{makes}",
        proved=False,
        gap_mm=narrower,
        grow_mm=grow if math.isfinite(grow) else None,
        leave_out=out,
    )


def _leave_out(layout, search):
    """The fewest of the largest samples without which the others fit, at most three; or none."""
    by_size = sorted(layout.mounts, key=lambda mount: -geometry.area(mount.footprint))
    for many in range(1, min(4, len(by_size))):
        out = by_size[:many]
        rest = replace(layout, mounts=tuple(each for each in layout.mounts if each not in out))
        if len(rest.mounts) == 1 or _Search(rest, 0).widest_gap(1, 1)[1] >= search.least:
            return tuple(mount.id for mount in out)
    return ()


def _past_alone(layout, mount):
    turn = _best_turn(layout, mount)
    return geometry.overhang(mount.footprint.at(0, 0, math.degrees(turn)), layout.holder)


def _best_turn(layout, mount):
    """The turn [rad] in which a sample in the middle has most room."""
    if mount.footprint.shape == DISC or layout.holder.shape == DISC:
        return 0.0
    turns = [math.radians(step / 2) for step in range(360)]
    return min(
        turns,
        key=lambda turn: geometry.overhang(
            mount.footprint.at(0, 0, math.degrees(turn)), layout.holder
        ),
    )


def _area_words(layout):
    return " × ".join(f"{size:g}" for size in geometry.usable(layout.holder)) + " mm"


def _grown_words(layout, grow):
    sizes = " × ".join(f"{size + 2 * grow:.1f}" for size in geometry.usable(layout.holder))
    return f"of {sizes} mm"


def _up(number):
    """Rounded up to what can be said in tenths of a millimetre across."""
    return math.ceil(number * 20 - 1e-9) / 20 if math.isfinite(number) else number


def _listed(ids):
    return ids[0] if len(ids) == 1 else f"{', '.join(ids[:-1])} and {ids[-1]}"


# Layouts and arrays


def _shapes(layout):
    prints = [mount.footprint for mount in layout.mounts]
    halves = [
        (0, 0) if each.shape == DISC else (each.width_mm / 2, each.height_mm / 2) for each in prints
    ]
    radii = [geometry.rounding(each) for each in prints]
    return Shapes(np.array(halves, float), np.array(radii, float), geometry.usable(layout.holder))


def _usable_area(holder):
    sizes = geometry.usable(holder)
    return math.pi * sizes[0] ** 2 / 4 if holder.shape == DISC else sizes[0] * sizes[1]


def _with_places(layout, spread):
    """The layout with the places of an array; a turn is told between -90 and 90 degrees."""
    mounts = []
    for mount, (x, y, turn) in zip(layout.mounts, spread.tolist(), strict=True):
        degrees = 0.0 if mount.footprint.shape == DISC else (math.degrees(turn) + 90) % 180 - 90
        place = (round(each, DECIMALS) + 0.0 for each in (x, y, degrees))
        mounts.append(replace(mount, footprint=mount.footprint.at(*place)))
    return replace(layout, mounts=tuple(mounts))
