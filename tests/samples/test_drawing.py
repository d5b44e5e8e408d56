import re
import xml.etree.ElementTree as ET

import pytest
from django.template.loader import render_to_string

from samples.drawing import draw, draw_small
from samples.layout import read_layout

SVG = "{http://www.w3.org/2000/svg}"


def mount(id_, x, y, size=(5, 4), turned=0.0, **more):
    if len(size) == 1:
        footprint = {"shape": "disc", "diameter_mm": size[0]}
    else:
        footprint = {"shape": "rectangle", "width_mm": size[0], "height_mm": size[1]}
    at = {"x_mm": x, "y_mm": y, "rotation_deg": turned}
    return {"id": id_, "footprint": footprint | at, "thickness_mm": 0.5} | more


def layout(*mounts, diameter=25.4, holder=None, **rules):
    holder = holder or {"shape": "disc", "diameter_mm": diameter, "edge_margin_mm": 2}
    return read_layout({"holder": holder, "mounts": list(mounts), "rules": rules})


FIVE = (
    mount("p1", -3.6, 5.6, (6, 4), 10, form="bulk", name="Copper coupon, quay wall, 12 weeks"),
    mount("p2", 5.6, 5.0, (5,), form="powder", mounting="copper tape"),
    mount("p3", -6.6, -2.9, (4,), form="porous powder", mounting="carbon tape"),
    mount("p4", 1.6, -7.3, (6.4, 2.6), 3, form="residue", mounting="tantalum clip"),
    mount("p5", 2.4, -0.9, (5, 3.6), form="single crystal", mounting="gold foil"),
)


def rendered(name, **context):
    context.setdefault("drawing", draw(layout(*FIVE), code="H7QM 4T2X"))
    return render_to_string(f"components/{name}.html", context)


def parsed(name, **context):
    markup = rendered(name, **context).replace("<svg ", f'<svg xmlns="{SVG[1:-1]}" ', 1)
    return ET.fromstring(markup)


def by_class(tree, name):
    return [node for node in tree.iter() if node.get("class") == name]


def test_given_a_sample_above_the_centre_when_drawn_then_the_y_axis_is_turned_and_so_is_its_angle():
    drawn = draw(layout(mount("p1", 3.5, 6.0, turned=30))).mounts[0]

    assert drawn.shape.transform == "translate(3.5 -6) rotate(-30)"
    assert (drawn.shape.x, drawn.shape.width, drawn.shape.height) == ("-2.5", "5", "4")
    assert (drawn.tag_x, drawn.tag_y) == ("3.5", "-6")


def test_given_the_common_disc_when_drawn_then_one_unit_is_one_millimetre():
    drawing = draw(layout(*FIVE))

    assert drawing.usable.r == "10.7"
    assert "A12.7 12.7" in drawing.face
    assert drawing.mm_wide == drawing.view_box.split()[2]


def test_given_a_disc_of_twice_the_size_when_drawn_then_it_fills_the_same_face_at_half_scale():
    drawing = draw(layout(mount("p1", 10, 0, (8,)), diameter=50.8))

    assert drawing.mounts[0].shape.transform == "translate(5 0)"
    assert drawing.mounts[0].shape.r == "2"
    assert float(drawing.mm_wide) == 2 * float(drawing.view_box.split()[2])


def test_given_forms_and_mountings_when_drawn_then_hatch_tape_clips_and_ring_tell_them():
    drawn = {each.id: each for each in draw(layout(*FIVE)).mounts}

    hatches = [drawn[id_].hatch for id_ in sorted(drawn)]
    assert hatches == ["bulk", "powder", "porous", "residue", "crystal"]
    assert drawn["p1"].tape is None
    assert drawn["p2"].tape.width == "5.9"  # 5 mm and 0.45 on both sides
    assert [drawn[id_].tape_kind for id_ in ("p2", "p3", "p5")] == ["", "carbon", "foil"]
    assert [len(drawn[id_].clips) for id_ in ("p3", "p4")] == [0, 2]
    assert drawn["p4"].ring
    assert not drawn["p2"].ring


def test_given_a_gap_below_the_rule_when_drawn_then_it_alone_is_marked_to_a_tenth():
    drawing = draw(layout(*FIVE, min_gap_mm=3.0))

    short = [gap.text.text for gap in drawing.gaps if gap.short]
    assert short == ["1.7"]
    assert all(float(gap.text.text) >= 3.0 for gap in drawing.gaps if not gap.short)


def test_given_a_wish_for_one_pair_when_drawn_then_that_gap_is_marked_by_it():
    wide_for_p4 = lambda one, other: 4.0 if "p4" in (one.id, other.id) else 1.0  # noqa: E731

    drawing = draw(layout(*FIVE), asked=wide_for_p4)

    assert sorted(gap.text.text for gap in drawing.gaps if gap.short) == ["3.1", "3.9"]


def test_given_an_overlap_when_drawn_then_it_is_marked_without_a_line():
    (gap,) = draw(layout(mount("a", -1, 0), mount("b", 1, 0))).gaps

    assert (gap.path, gap.short, gap.text.text) == ("", True, "0.0")


def test_given_a_sample_smaller_than_its_number_when_drawn_then_the_number_stands_beside_it():
    tiny = draw(layout(mount("p1", 0, 0, (1.0,)))).mounts[0]

    assert abs(float(tiny.tag_x)) + abs(float(tiny.tag_y)) > 1.4


@pytest.mark.parametrize("count", [0, 1, 5, 8, 12])
def test_given_samples_when_drawn_then_every_name_stands_inside_and_none_over_another(count):
    rows = [
        mount(f"m{n}", -8 + 4 * (n % 5), -6 + 6 * (n // 5), (2.5,), form="film")
        for n in range(count)
    ]

    drawing = draw(layout(*rows))

    _, top, _, high = map(float, drawing.view_box.split())
    levels = {"end": [], "start": []}
    assert len(drawing.leaders) == count
    for leader in drawing.leaders:
        for line in leader.lines:
            levels[line.anchor].append(float(line.y))
    for side in levels.values():
        assert all(top < y < top + high for y in side)
        assert all(abs(a - b) > 1.3 for n, a in enumerate(side) for b in side[:n])


def test_given_more_samples_than_names_fit_when_drawn_then_numbers_stand_alone():
    rows = [mount(f"m{n}", -9 + n % 7 * 3, -9 + n // 7 * 3, (1.5,)) for n in range(49)]

    drawing = draw(layout(*rows))

    assert drawing.leaders == ()
    assert len(drawing.mounts) == 49
    assert len(drawing.gaps) <= 12


def test_given_a_long_name_when_drawn_then_it_stands_on_two_lines_of_like_length():
    rows = [line.text for line in draw(layout(*FIVE)).leaders[0].lines if line.kind == "name"]

    assert rows == ["Copper coupon,", "quay wall, 12 weeks"]


def test_given_a_long_plate_when_drawn_then_names_stand_above_and_below_and_nothing_is_cropped():
    plate = {"shape": "rectangle", "width_mm": 105, "height_mm": 15, "edge_margin_mm": 1}
    rows = [mount(f"m{n}", -45 + 13 * n, 0, (8, 8), form="film") for n in range(8)]

    drawing = draw(layout(*rows, holder=plate))

    sides = {float(leader.lines[0].y) > 0 for leader in drawing.leaders}
    assert len(drawing.leaders) == 8
    assert sides == {True, False}
    assert not drawing.crop


def test_given_any_face_when_drawn_then_the_square_in_the_middle_holds_all_of_it():
    flat = {"shape": "rectangle", "width_mm": 34, "height_mm": 20}
    for drawing in (draw(layout(*FIVE)), draw(layout(holder=flat))):
        assert drawing.crop
        assert float(drawing.view_box.split()[3]) >= 25.4


def test_given_a_drawing_when_rendered_then_it_is_well_formed_and_holds_no_style_or_script():
    markup = rendered("holder")
    tree = parsed("holder")

    assert "style" not in markup
    assert "<script" not in markup
    assert "onload" not in markup
    assert tree.get("aria-label").startswith("Holder H7QM 4T2X, 25.4 mm disc with five samples")
    assert [
        len(by_class(tree, name)) for name in ("face", "usable", "specimen", "tag", "leader")
    ] == [1, 1, 5, 5, 5]
    assert len(by_class(tree, "tape")) == 3
    assert len(by_class(tree, "clip")) == 2
    assert [node.text for node in by_class(tree, "engraved")[0]] == ["H7QM 4T2X"]


def test_given_a_name_with_markup_when_rendered_then_it_is_only_text():
    nasty = mount("p1", 0, 0, name="<script>x</script>", form="film")

    markup = rendered("holder", drawing=draw(layout(nasty), code='"><b>'))

    assert "<script" not in markup
    assert "<b>" not in markup


def test_given_a_small_drawing_when_rendered_then_it_has_neither_names_nor_numbers_nor_gaps():
    tree = parsed("holder_thumb", drawing=draw_small(layout(*FIVE)), true_size=True)

    assert {node.get("class") for node in tree.iter()} >= {"face", "specimen", "hatch"}
    assert not [node for node in tree.iter() if node.tag == f"{SVG}text"]
    assert tree.get("width") == "26.4mm"


def test_given_any_drawing_when_rendered_then_every_number_has_two_decimals_at_most():
    odd = layout(
        mount("p1", 1 / 3, -2 / 3, (10 / 3, 7 / 3), 100 / 7), mount("p2", -6, 1 / 7, (11 / 7,))
    )

    markup = rendered("holder", drawing=draw(odd))

    assert not re.search(r"\d\.\d{3}", markup)
