"""Cases H1 to H6: own worked example with invented constants (Z_ref 20.00, W 8.0, s 1.5, tape
0.08 mm). The table of source elevations: own geometry."""

import pytest

from samples import heights

Z_REF, FREE, MARGIN, TAPE = 20.0, 8.0, 1.5, 0.08


def limit(thickness):
    return heights.z_max(z_ref=Z_REF, free_distance=FREE, margin=MARGIN, height=thickness + TAPE)


def test_h1_a_sample_of_half_a_millimetre_on_tape():
    assert heights.z_focus(z_ref=Z_REF, height=0.5 + TAPE) == pytest.approx(19.42, abs=1e-9)
    assert limit(0.5) == 25.92


@pytest.mark.parametrize(
    ("case", "tallest", "above_focus", "clearance", "allowed"),
    [("H2", 3.2, 2.70, 5.30, True), ("H3", 7.5, 7.00, 1.00, False)],
)
def test_h2_and_h3_a_taller_neighbour_while_the_low_sample_is_in_focus(
    case, tallest, above_focus, clearance, allowed
):
    focus = heights.z_focus(z_ref=Z_REF, height=0.5 + TAPE)

    above = focus + tallest + TAPE - Z_REF

    assert above == pytest.approx(above_focus, abs=1e-9)
    assert FREE - above == pytest.approx(clearance, abs=1e-9)
    assert (focus <= limit(tallest)) == allowed


def test_h4_a_typing_slip_of_four_and_a_half_millimetres_drives_into_hardware():
    believed, true = limit(0.5), limit(5.0)

    assert (believed, true) == (25.92, 21.42)
    assert believed + 5.0 + TAPE - Z_REF - FREE == pytest.approx(3.0, abs=1e-9)


def test_h5_tilted_by_45_degrees_about_an_axis_in_the_face():
    tilted = heights.tilted_height(reach=12.7, height=2.08, axis=0.0, tilt_deg=45)

    assert tilted == pytest.approx(10.45, abs=0.005)
    assert tilted > FREE - MARGIN
    assert heights.largest_tilt(reach=12.7, height=2.08, axis=0.0, limit=FREE - MARGIN) == 21.0


def test_h6_a_tilt_axis_above_the_face_lifts_the_edge_further():
    tilted = heights.tilted_height(reach=12.7, height=2.08, axis=5.0, tilt_deg=45)

    assert tilted == pytest.approx(11.92, abs=0.005)


@pytest.mark.parametrize(
    ("elevation", "shadow_of_2_mm", "shift_of_100_um", "tolerance_um", "footprint_um"),
    [
        (20.0, 5.5, 0.27, 18, 292),
        (35.3, 2.8, 0.14, 35, 173),
        (45.0, 2.0, 0.10, 50, 141),
        (60.0, 1.2, 0.06, 87, 115),
    ],
)
def test_source_elevation_table(
    elevation, shadow_of_2_mm, shift_of_100_um, tolerance_um, footprint_um
):
    shadow = heights.shadow_length(step=2.0, elevation_deg=elevation)
    shift = heights.beam_shift(rise=0.1, elevation_deg=elevation)

    assert round(shadow, 1) == shadow_of_2_mm
    assert round(shift, 2) == shift_of_100_um
    assert round(heights.focus_tolerance(spot_um=100, elevation_deg=elevation)) == tolerance_um
    assert round(heights.beam_footprint(width_um=100, elevation_deg=elevation)) == footprint_um
