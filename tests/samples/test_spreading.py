import math

import numpy as np
import pytest

from samples import geometry, spreading
from samples.layout import Footprint, Holder

AREAS = {(21.4,): Holder("disc", diameter_mm=21.4), (30.0, 12.0): Holder("rectangle", None, 30, 12)}


def batch(area, many=40):
    """Three discs and three rectangles, thrown so that many overlap and many stick out."""
    rng = np.random.default_rng(3)
    halves = rng.uniform(0.5, 2, (6, 2))
    halves[:3] = 0
    shapes = spreading.Shapes(halves, np.array([1.0, 2.0, 1.5, 0, 0, 0]), area)
    spots = rng.uniform(-7, 7, (many, 6, 2))
    return shapes, np.concatenate([spots, rng.uniform(-3, 3, (many, 6, 1))], axis=2)


def footprint(shapes, layout, n):
    x, y, turn = layout[n]
    if shapes.radii[n]:
        return Footprint("disc", diameter_mm=2 * shapes.radii[n], x_mm=x, y_mm=y)
    width, height = 2 * shapes.halves[n]
    return Footprint("rectangle", None, width, height, x, y, math.degrees(turn))


@pytest.mark.parametrize("area", AREAS)
def test_given_random_layouts_when_measured_in_a_batch_then_each_is_as_geometry_measures_it(area):
    shapes, layouts = batch(area)

    gaps = spreading.clearances(shapes, layouts)[0]
    past = spreading.overhangs(shapes, layouts)[0].max(axis=1)

    for m, layout in enumerate(layouts):
        prints = [footprint(shapes, layout, n) for n in range(6)]
        expected = [geometry.clearance(prints[a], prints[b]) for a, b in shapes.pairs]
        assert gaps[m] == pytest.approx(expected, abs=1e-9)
        assert past[m] == pytest.approx(max(geometry.overhang(p, AREAS[area]) for p in prints))
    assert (gaps < 0).any()
    assert (past > 0).any()


@pytest.mark.parametrize("area", AREAS)
def test_given_random_layouts_when_moved_a_little_then_the_slopes_foretell_what_changes(area):
    shapes, layouts = batch(area)
    pairs = len(shapes.pairs)
    goal = spreading.Goal(np.full(pairs, 0.5), np.linspace(0.5, 1, pairs), edge_share=0.3)
    pulls = np.linspace(-1.013, 4.037, len(layouts))  # off the kink
    wrong, parts = spreading._wrong(shapes, layouts, pulls, goal)
    slopes, live = spreading._slopes(shapes, wrong, parts, goal)
    rows = wrong.any(axis=0)
    small = 1e-6

    for column in range(19):
        there, back, pull_there, pull_back = layouts.copy(), layouts.copy(), pulls, pulls
        if column < 18:
            n, axis = divmod(column, 3)
            arm = shapes.arms[n] if axis == 2 else 1.0
            there[:, n, axis] += small / arm
            back[:, n, axis] -= small / arm
        else:
            pull_there, pull_back = pulls + small, pulls - small
        after = spreading._wrong(shapes, there, pull_there, goal)[0]
        before = spreading._wrong(shapes, back, pull_back, goal)[0]

        measured = ((after - before) / (2 * small))[:, rows]

        steady = (after[:, rows] > 0) == (before[:, rows] > 0)  # not just where a row wakes up
        assert slopes[..., column][steady] == pytest.approx(measured[steady], abs=1e-4)
    assert live.shape == slopes.shape[:2]


def test_given_a_crowd_when_improved_without_a_pull_then_nothing_stays_wrong():
    shapes, layouts = batch((21.4,))
    goal = spreading.Goal(np.full(len(shapes.pairs), 1.0), np.zeros(len(shapes.pairs)))

    layouts, pulls, wrong = spreading.improve(
        shapes, layouts, np.zeros(len(layouts)), goal, top=0.0, weight=np.zeros(60)
    )

    calm = wrong < 1e-6
    gaps = spreading.clearances(shapes, layouts)[0]
    assert calm.sum() > 20
    assert gaps[calm].min() > 1.0 - 1e-5
    assert spreading.overhangs(shapes, layouts)[0][calm].max() < 1e-5
    assert (pulls == 0).all()
