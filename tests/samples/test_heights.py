import math
import random

import numpy as np
import pytest

from samples import heights
from samples.layout import read_layout

INSTRUMENT = {"z_ref_mm": 20.0, "free_distance_mm": 8.0, "margin_mm": 1.5, "tape_mm": 0.08}


def layout(*mounts, holder=None, without=(), **instrument):
    rows = [
        {
            "id": f"p{n}",
            "footprint": {"shape": "disc", "diameter_mm": 4, "x_mm": 6 * n - 9, "y_mm": 0},
            "mounting": "copper tape",
        }
        | mount
        for n, mount in enumerate(mounts, start=1)
    ]
    given = {key: value for key, value in INSTRUMENT.items() if key not in without} | instrument
    holder = holder or {"shape": "disc", "diameter_mm": 25.4}
    return read_layout({"holder": holder, "instrument": given, "mounts": rows})


def test_given_tape_wafer_and_disc_under_a_sample_when_stacked_then_their_heights_add():
    found = heights.heights(layout({"thickness_mm": 0.3, "stack_mm": [0.525, 1.0]}))

    assert found.focus_mm == {"p1": pytest.approx(20 - 0.08 - 0.525 - 1.0 - 0.3)}
    assert found.max_mm == 24.59  # 26.5 - 1.905 = 24.595, rounded down


def test_given_clips_when_stacked_then_no_tape_is_added_and_the_clip_may_be_the_tallest():
    found = heights.heights(
        layout({"thickness_mm": 2.1, "mounting": "tantalum clip", "clip_mm": 2.6})
    )

    assert found.focus_mm == {"p1": pytest.approx(17.9)}
    assert found.max_mm == 23.9


def test_given_no_mounting_named_when_stacked_then_the_tape_counts_as_the_safe_side():
    assert heights.heights(layout({"thickness_mm": 0.5, "mounting": None})).max_mm == 25.92


def test_given_several_mounts_when_asked_for_the_limit_then_the_tallest_decides():
    found = heights.heights(layout({"thickness_mm": 0.5}, {"thickness_mm": 3.2}))

    assert (found.tallest, found.max_mm) == ("p2", 23.22)
    assert found.focus_mm == {"p1": 19.42, "p2": pytest.approx(16.72)}
    assert found.formula == "20 + 8 − 1.5 − 3.28 = 23.22"


def test_given_several_obstacles_when_asked_for_the_limit_then_the_nearest_decides():
    obstacles = {"analyser": 8.0, "ion gun nose": 6.25}

    found = heights.heights(layout({"thickness_mm": 0.5}, free_distance_mm=obstacles))

    assert (found.nearest, found.max_mm) == ("ion gun nose", 24.17)


@pytest.mark.parametrize(
    ("thickness", "step", "limit"), [(0.5, 0.01, 25.92), (0.505, 0.01, 25.91), (0.5, 0.25, 25.75)]
)
def test_given_a_readout_step_when_the_limit_is_between_steps_then_it_is_rounded_down(
    thickness, step, limit
):
    assert (
        heights.heights(layout({"thickness_mm": thickness}, readout_step_mm=step)).max_mm == limit
    )


def test_given_a_readout_that_falls_as_the_stage_rises_when_asked_then_both_readings_turn():
    found = heights.heights(layout({"thickness_mm": 0.505}, readout_sign=-1))

    assert found.focus_mm == {"p1": pytest.approx(20.585)}
    assert found.max_mm == 14.09  # 20 - 5.915 = 14.085; the stage may read this or more
    assert found.formula.startswith("20 − 8 + 1.5 + 0.585")


def test_given_a_tilt_when_asked_for_the_limit_then_the_rising_edge_decides():
    found = heights.heights(layout({"thickness_mm": 2.0}, tilt_deg=45, tilt_axis_mm=5.0))

    assert found.height_mm == pytest.approx(11.92, abs=0.005)
    assert found.max_mm == 14.58


def test_given_a_steep_tilt_when_asked_for_the_limit_then_the_way_there_counts_too():
    steep = heights.heights(layout({"thickness_mm": 9.92}, tilt_deg=85, tilt_axis_mm=0.0))

    on_the_way = [
        heights.tilted_height(reach=12.7, height=10.0, axis=0.0, tilt_deg=tilt)
        for tilt in np.linspace(0, 85, 8501)
    ]
    assert steep.height_mm == pytest.approx(max(on_the_way), abs=1e-6)
    assert steep.height_mm > on_the_way[-1] + 2


@pytest.mark.parametrize("missing", ["z_ref_mm", "free_distance_mm", "margin_mm", "tape_mm"])
def test_given_an_input_missing_when_asked_then_its_height_is_not_known(missing):
    found = heights.heights(layout({"thickness_mm": 0.5}, without=[missing]))

    assert found.max_mm is None
    known = missing in ("free_distance_mm", "margin_mm")
    assert found.focus_mm == {"p1": 19.42 if known else None}


def test_given_one_thickness_missing_when_asked_then_the_limit_of_the_holder_is_not_known():
    found = heights.heights(layout({"thickness_mm": 0.5}, {}))

    assert found.focus_mm == {"p1": 19.42, "p2": None}
    assert found.max_mm is None


def test_given_a_tilt_without_the_height_of_its_axis_when_asked_then_the_limit_is_not_known():
    assert heights.heights(layout({"thickness_mm": 0.5}, tilt_deg=10)).max_mm is None


def test_given_an_empty_holder_when_asked_then_its_bare_face_decides():
    assert heights.heights(layout()).max_mm == 26.5


def test_given_10000_random_stacks_when_driven_to_the_limit_then_nothing_comes_nearer_than_margin():
    rng = random.Random(4)
    for _ in range(10_000):
        z_ref, free = rng.uniform(-50, 50), rng.uniform(0, 20)
        margin, height = rng.uniform(0, 3), rng.uniform(0, 12)
        step, sign = rng.choice([0.001, 0.01, 0.05, 0.1]), rng.choice([1, -1])

        limit = heights.z_max(
            z_ref=z_ref,
            free_distance=free,
            margin=margin,
            height=height,
            readout_sign=sign,
            step=step,
        )

        rise = sign * (limit - z_ref)  # of the holder face above the focal plane
        left = free - (rise + height)
        assert margin - 1e-6 <= left < margin + step + 1e-6


def test_given_random_tilts_when_every_point_is_turned_then_none_is_higher_than_the_formula():
    rng = random.Random(5)
    for _ in range(500):
        reach, height = rng.uniform(1, 60), rng.uniform(0, 10)
        axis, tilt = rng.uniform(-5, 20), rng.uniform(0, 90)
        along, up = np.meshgrid(np.linspace(-reach, reach, 41), np.linspace(0, height, 11))

        turned = along * math.sin(math.radians(tilt)) + (up - axis) * math.cos(math.radians(tilt))

        expected = turned.max() + axis
        found = heights.tilted_height(reach=reach, height=height, axis=axis, tilt_deg=tilt)
        assert found == pytest.approx(expected, abs=1e-9)
        assert found == heights.tilted_height(reach=reach, height=height, axis=axis, tilt_deg=-tilt)


def test_given_random_stages_when_tilted_in_small_steps_then_the_largest_tilt_is_where_it_first_fails():
    rng = random.Random(6)
    for _ in range(200):
        case = {
            "reach": rng.uniform(1, 40),
            "height": rng.uniform(0, 5),
            "axis": rng.uniform(-5, 15),
        }
        free = case["height"] + rng.uniform(0, 30)
        tilts = np.arange(0, 90.05, 0.1)
        safe = [heights.tilted_height(**case, tilt_deg=min(t, 90)) <= free + 1e-9 for t in tilts]
        expected = 90.0 if all(safe) else round(float(tilts[safe.index(False) - 1]), 1)

        assert heights.largest_tilt(**case, limit=free) == pytest.approx(expected, abs=1e-9)


def test_given_a_holder_too_high_even_flat_when_asked_for_a_tilt_then_there_is_none():
    assert heights.largest_tilt(reach=10, height=7, axis=0, limit=6.5) is None


def test_given_a_tall_neighbour_nearer_than_its_shadow_when_checked_then_both_are_told():
    mounts = [{"thickness_mm": 2.5}, {"thickness_mm": 0.5}, {"thickness_mm": 0.5}]

    near = heights.shadows(layout(*mounts, source_elevation_deg=35.3))

    (found,) = near  # gaps are 2 mm; the shadow 2.8 mm; p1 to p3 is 8 mm
    assert found[:2] == ("p1", "p2")
    assert found[2:] == (pytest.approx(2.0), pytest.approx(2.82, abs=0.01), pytest.approx(2.0))
    assert heights.shadows(layout(*mounts, source_elevation_deg=60)) == []
    assert heights.shadows(layout(*mounts)) == []


@pytest.mark.parametrize(
    ("measured", "passes", "verdict", "counts"),
    [
        (2.1, True, "agree", 3.0),
        (0.5, True, "agree", 3.0),  # even if 0.5 was a slip for 2.5
        (3.4, True, "measure again", 3.4),
        (0.5, False, "stop", None),  # H4: typed 0.5, true 5.0
        (3.4, False, "stop", None),
    ],
)
def test_given_a_measurement_and_a_gauge_of_3_mm_when_compared_then_the_larger_counts(
    measured, passes, verdict, counts
):
    found = heights.gauged(measured_mm=measured, gauge_mm=3.0, passes=passes)

    assert (found.verdict, found.height_mm) == (verdict, counts)
    assert "3 mm gauge" in found.says


@pytest.mark.parametrize("elevation", [0, -5, 91])
def test_given_a_source_that_cannot_be_when_asked_then_the_bound_is_told(elevation):
    with pytest.raises(ValueError, match="above 0 and at most 90"):
        heights.shadow_length(step=1, elevation_deg=elevation)


def test_given_a_readout_without_steps_when_asked_then_it_is_refused():
    with pytest.raises(ValueError, match="above zero"):
        heights.z_max(z_ref=20, free_distance=8, margin=1, height=1, step=0)
