import math
import random

import pytest
import shapely
from shapely import affinity

from samples import geometry
from samples.layout import Footprint, Holder, Layout, Mount, rules_of

DISC_HOLDER = Holder("disc", diameter_mm=25.4, edge_margin_mm=2.0)
PLATE = Holder("rectangle", width_mm=105, height_mm=15, edge_margin_mm=1.0, max_thickness_mm=6.5)


def disc(diameter, x, y):
    return Footprint("disc", diameter_mm=diameter, x_mm=x, y_mm=y)


def slab(width, height, x, y, turned=0.0):
    return Footprint(
        "rectangle",
        width_mm=width,
        height_mm=height,
        x_mm=x,
        y_mm=y,
        rotation_deg=turned,
    )


def layout(*footprints, holder=DISC_HOLDER, thickness=0.5, **limits):
    mounts = [Mount(f"p{n}", each, thickness) for n, each in enumerate(footprints, start=1)]
    return Layout(holder, tuple(mounts), rules_of(limits))


def random_footprint(rng, spread=12.0):
    x, y = rng.uniform(-spread, spread), rng.uniform(-spread, spread)
    if rng.random() < 0.5:
        return disc(rng.uniform(0.5, 9), x, y)
    return slab(
        rng.uniform(0.5, 9),
        rng.uniform(0.5, 9),
        x,
        y,
        rng.choice([0, 90, rng.uniform(-400, 400)]),
    )


# The second road: shapely on the core (a point for a disc), the radius taken off exactly.


def core(footprint):
    if footprint.shape == "disc":
        return shapely.Point(footprint.x_mm, footprint.y_mm)
    half_width, half_height = footprint.width_mm / 2, footprint.height_mm / 2
    box = shapely.box(-half_width, -half_height, half_width, half_height)
    return affinity.translate(
        affinity.rotate(box, footprint.rotation_deg, origin=(0, 0)),
        footprint.x_mm,
        footprint.y_mm,
    )


def radius(footprint):
    return footprint.diameter_mm / 2 if footprint.shape == "disc" else 0.0


def shapely_gap(one, other):
    return max(0.0, core(one).distance(core(other)) - radius(one) - radius(other))


def shapely_overhang(footprint, holder):
    """Past the edge of the usable area where it is outside; 0 where it is inside."""
    edge = holder.edge_margin_mm
    if holder.shape == "disc":
        farthest = core(footprint).hausdorff_distance(shapely.Point(0, 0))
        return max(0.0, farthest + radius(footprint) - holder.diameter_mm / 2 + edge)
    half_width, half_height = holder.width_mm / 2 - edge, holder.height_mm / 2 - edge
    left, low, right, high = core(footprint).bounds
    past = max(right - half_width, -half_width - left, high - half_height, -half_height - low)
    return max(0.0, past + radius(footprint))


def test_given_5000_random_pairs_when_measured_then_gaps_and_overlaps_are_shapelys():
    rng = random.Random(20)
    apart = together = 0
    for _ in range(5000):
        one, other = random_footprint(rng), random_footprint(rng)

        expected = shapely_gap(one, other)

        assert geometry.gap(one, other) == pytest.approx(expected, abs=1e-4)
        assert geometry.gap(one, other) == pytest.approx(geometry.gap(other, one), abs=1e-9)
        assert geometry.overlap(one, other) == (expected == 0)
        apart += expected > 0
        together += expected == 0
    assert min(apart, together) > 500


def test_given_random_rectangles_that_overlap_when_pushed_by_the_depth_then_they_just_touch():
    rng = random.Random(21)
    seen = 0
    while seen < 40:
        one, other = random_footprint(rng, 4), random_footprint(rng, 4)
        depth = -geometry.clearance(one, other)
        if depth < 0.01:
            continue
        seen += 1

        pushed = [
            shapely_gap(
                one,
                other.at(
                    other.x_mm + depth * 1.0001 * math.cos(angle),
                    other.y_mm + depth * 1.0001 * math.sin(angle),
                    other.rotation_deg,
                ),
            )
            for angle in [math.radians(step / 4) for step in range(1440)]
        ]

        assert max(pushed) < 0.01
        assert max(pushed) >= 0.0
        shallower = [
            geometry.clearance(
                one,
                other.at(
                    other.x_mm + depth * 0.98 * math.cos(angle),
                    other.y_mm + depth * 0.98 * math.sin(angle),
                    other.rotation_deg,
                ),
            )
            for angle in [math.radians(step) for step in range(360)]
        ]
        assert max(shallower) < 0


@pytest.mark.parametrize("holder", [DISC_HOLDER, PLATE])
def test_given_5000_random_footprints_when_held_against_the_usable_area_then_as_shapely_says(
    holder,
):
    rng = random.Random(22)
    out = 0
    for _ in range(5000):
        footprint = random_footprint(rng)

        expected = shapely_overhang(footprint, holder)

        assert max(0.0, geometry.overhang(footprint, holder)) == pytest.approx(expected, abs=1e-4)
        assert geometry.inside(footprint, holder) == (expected == 0)
        out += expected > 0
    assert 500 < out < 4500


def test_given_thousands_of_random_layouts_when_read_as_a_whole_then_every_pair_is_shapelys():
    rng = random.Random(23)
    for _ in range(2000):
        given = layout(*(random_footprint(rng) for _ in range(rng.randint(2, 6))))
        by_id = {mount.id: mount.footprint for mount in given.mounts}

        found = geometry.gaps(given)

        n = len(given.mounts)
        assert len(found) == n * (n - 1) // 2
        for (one, other), gap in found.items():
            assert gap == pytest.approx(shapely_gap(by_id[one], by_id[other]), abs=1e-4)


def test_given_a_disc_just_on_the_usable_edge_when_asked_then_it_is_inside():
    assert geometry.inside(disc(5, 8.2, 0), DISC_HOLDER)
    assert not geometry.inside(disc(5, 8.21, 0), DISC_HOLDER)
    assert geometry.inside(slab(103, 13, 0, 0), PLATE)
    assert not geometry.inside(slab(103, 13, 0, 0, 0.1), PLATE)


def test_given_mounts_past_the_edge_when_checked_then_each_is_told_with_its_reach():
    given = layout(disc(5, 0, 0), disc(5, 9.0, 0), slab(4, 4, 0, -10))

    found = geometry.outside(given)

    assert [id_ for id_, _ in found] == ["p2", "p3"]
    assert found[0][1] == pytest.approx(0.8)
    assert found[1][1] == pytest.approx(math.hypot(2, 12) - 10.7)


def test_given_a_pair_that_overlaps_when_checked_then_it_is_an_overlap_and_no_narrow_gap():
    given = layout(disc(4, 0, 0), disc(4, 3, 0), disc(4, 7.5, 0), min_gap_mm=1.0)

    assert geometry.overlaps(given) == [("p1", "p2", pytest.approx(1.0))]
    assert geometry.narrow_gaps(given) == [("p2", "p3", pytest.approx(0.5))]
    assert geometry.gaps(given)["p1", "p2"] == 0


def test_given_a_pair_that_touches_when_checked_then_it_is_a_gap_of_nothing():
    given = layout(disc(4, -2, 0), disc(4, 2, 0), min_gap_mm=1.0)

    assert geometry.overlaps(given) == []
    assert geometry.narrow_gaps(given) == [("p1", "p2", 0.0)]


def test_given_a_gap_of_just_the_limit_when_checked_then_nothing_is_said():
    given = layout(disc(4, -2.5, 0), slab(4, 4, 2.5, 0), min_gap_mm=1.0)

    assert geometry.narrow_gaps(given) == []
    assert geometry.overlaps(given) == []


def test_given_crossed_bars_when_checked_then_they_overlap_though_no_corner_lies_inside():
    bars = slab(10, 1, 0, 0), slab(10, 1, 0, 0, 90)

    assert geometry.overlap(*bars)
    assert geometry.gap(*bars) == 0


def test_given_samples_thicker_than_the_holder_allows_when_checked_then_they_are_told():
    assert geometry.too_thick(layout(disc(4, 0, 0), holder=PLATE, thickness=6.6)) == [("p1", 6.6)]
    assert geometry.too_thick(layout(disc(4, 0, 0), holder=PLATE, thickness=6.5)) == []
    assert geometry.too_thick(layout(disc(4, 0, 0), thickness=60)) == []
    assert geometry.too_thick(layout(disc(4, 0, 0), holder=PLATE, thickness=None)) == []


def test_given_1000_random_pairs_apart_when_the_gap_is_drawn_then_its_ends_lie_on_both_edges():
    rng = random.Random(24)
    seen = 0
    while seen < 1000:
        one, other = random_footprint(rng), random_footprint(rng)
        ends = geometry.nearest_points(one, other)
        if ends is None:
            assert shapely_gap(one, other) < 1e-5
            continue
        seen += 1

        start, end = (shapely.Point(*point) for point in ends)

        assert start.distance(end) == pytest.approx(shapely_gap(one, other), abs=1e-6)
        assert start.distance(core(one)) == pytest.approx(radius(one), abs=1e-6)
        assert end.distance(core(other)) == pytest.approx(radius(other), abs=1e-6)
