import json
import math

import pytest

from facility.errors import Refused
from samples.layout import LIMITS_FILE, read_document, read_layout, rules_of, shipped_limits


def document(**changes):
    whole = {
        "holder": {
            "shape": "disc",
            "diameter_mm": 25.4,
            "edge_margin_mm": 2,
            "max_thickness_mm": 6,
        },
        "rules": {"min_gap_mm": 1.5},
        "instrument": {
            "photon_energy_ev": 1486.6,
            "spot_um": 100,
            "source_elevation_deg": 35.3,
            "z_ref_mm": 20.0,
            "free_distance_mm": 8.0,
            "margin_mm": 1.5,
            "tape_mm": 0.08,
            "tilt_axis_mm": 5.0,
        },
        "mounts": [mount("p1"), mount("p2", footprint=rectangle())],
    }
    return whole | changes


def disc(**changes):
    return {"shape": "disc", "diameter_mm": 5, "x_mm": -4.5, "y_mm": 0} | changes


def rectangle(**changes):
    whole = {"shape": "rectangle", "width_mm": 5, "height_mm": 4, "x_mm": 4, "y_mm": 1}
    return whole | {"rotation_deg": 30} | changes


def mount(id_, **changes):
    whole = {
        "id": id_,
        "footprint": disc(),
        "thickness_mm": 0.5,
        "form": "powder",
        "composition": "TiO2",
        "wants": ["Ti 2p"],
        "mounting": "copper tape",
        "mass_mg": 1.5,
        "surface_m2_g": 50,
        "max_temperature_c": 25,
        "loose_powder_removed": True,
    }
    return {name: value for name, value in (whole | changes).items() if value is not ...}


def refusal(given, **options):
    with pytest.raises(Refused) as refused:
        read_layout(given, **options)
    said = str(refused.value)
    assert said.count("\n") == 0
    assert said.endswith(".")
    for word in ("invalid", "illegal", "forbidden", "error", "please", "sorry", "oops"):
        assert word not in said.lower()
    return said


def test_given_a_whole_document_when_read_then_every_field_has_its_place():
    layout = read_layout(document())

    assert (layout.holder.diameter_mm, layout.holder.edge_margin_mm) == (25.4, 2.0)
    assert layout.rules.min_gap_mm == 1.5
    assert dict(layout.instrument.free_distance_mm) == {"the nearest hardware": 8.0}
    first, second = layout.mounts
    assert (first.id, first.form, first.wants, first.mass_mg) == ("p1", "powder", ("Ti 2p",), 1.5)
    assert first.loose_powder_removed is True
    assert (second.footprint.width_mm, second.footprint.rotation_deg) == (5.0, 30.0)


def test_given_only_what_is_needed_when_read_then_the_rest_is_unknown():
    layout = read_layout(
        {
            "holder": {"shape": "rectangle", "width_mm": 105, "height_mm": 15},
            "mounts": [
                {"id": "a", "footprint": {"shape": "disc", "diameter_mm": 4, "x_mm": 0, "y_mm": 0}}
            ],
        }
    )

    (alone,) = layout.mounts
    assert layout.instrument is None
    assert (alone.thickness_mm, alone.form, alone.wants, alone.mounting) == (None, None, (), None)
    assert layout.rules.min_gap_mm == shipped_limits()["min_gap_mm"].value


def test_given_mounts_without_a_place_when_read_for_arranging_then_they_are_taken():
    given = document(mounts=[mount("p1", footprint={"shape": "disc", "diameter_mm": 5})])

    assert not read_layout(given, placed=False).mounts[0].footprint.placed
    assert "x_mm of the footprint of mount p1 is missing" in refusal(given)


def test_given_several_obstacles_when_read_then_each_keeps_its_name():
    given = document(instrument={"free_distance_mm": {"analyser": 8, "gun": 6.5}})

    assert dict(read_layout(given).instrument.free_distance_mm) == {"analyser": 8.0, "gun": 6.5}


BAD_MOUNTS = {
    "footprint of mount p1 is missing": {"footprint": ...},
    "footprint of mount p1 is a list": {"footprint": []},
    "shape of the footprint of mount p1 is 'hexagon'; it is disc or rectangle": {
        "footprint": disc(shape="hexagon")
    },
    "shape of the footprint of mount p1 is missing": {"footprint": {"diameter_mm": 5}},
    "diameter_mm of the footprint of mount p1 is missing": {"footprint": disc(diameter_mm=None)},
    "diameter_mm of the footprint of mount p1 is 0; it must be above 0": {
        "footprint": disc(diameter_mm=0)
    },
    "height_mm of the footprint of mount p1 is -4": {"footprint": rectangle(height_mm=-4)},
    "x_mm of the footprint of mount p1 is NaN": {"footprint": disc(x_mm=math.nan)},
    "y_mm of the footprint of mount p1 is infinite": {"footprint": disc(y_mm=-math.inf)},
    "x_mm of the footprint of mount p1 is the text '3'": {"footprint": disc(x_mm="3")},
    "x_mm of the footprint of mount p1 is 1e+09; it must be at most 10000": {
        "footprint": disc(x_mm=1e9)
    },
    "rotation_deg of the footprint of mount p1 is true": {"footprint": disc(rotation_deg=True)},
    "thickness_mm of mount p1 is -0.5; it must be 0 or more": {"thickness_mm": -0.5},
    "thickness_mm of mount p1 is NaN; it must be a finite number": {"thickness_mm": math.nan},
    "thickness_mm of mount p1 has 401 digits": {"thickness_mm": 10**400},
    "form of mount p1 is 'pouder'; it is one of film, bulk": {"form": "pouder"},
    "form of mount p1 is a number": {"form": 3},
    "composition of mount p1 is a list": {"composition": ["TiO2"]},
    "wants of mount p1 is the text 'Ti 2p'; it must be a list of texts": {"wants": "Ti 2p"},
    "wants of mount p1 is a number; it must be text": {"wants": [3]},
    "mounting of mount p1 is false": {"mounting": False},
    "mass_mg of mount p1 is -1": {"mass_mg": -1},
    "surface_m2_g of mount p1 is an object": {"surface_m2_g": {}},
    "max_temperature_c of mount p1 is -300; it must be at least -273.15": {
        "max_temperature_c": -300
    },
    "loose_powder_removed of mount p1 is a number": {"loose_powder_removed": 1},
    "name of mount p1 has 5000 characters; at most 200": {"name": "n" * 5000},
    "stack_mm of mount p1 is a number; it must be a list of numbers": {"stack_mm": 3},
    "stack_mm of mount p1 is -1": {"stack_mm": [0.5, -1]},
}


@pytest.mark.parametrize("sentence", BAD_MOUNTS)
def test_given_one_field_of_a_mount_wrong_when_read_then_it_is_named(sentence):
    given = document(mounts=[mount("p1", **BAD_MOUNTS[sentence])])

    assert refusal(given).startswith(sentence)


BAD_DOCUMENTS = {
    "holder of the layout is missing": {"holder": None},
    "holder of the layout is the text 'round'": {"holder": "round"},
    "shape of the holder is 'oval'": {"holder": {"shape": "oval"}},
    "diameter_mm of the holder is missing": {"holder": {"shape": "disc"}},
    "height_mm of the holder is missing": {"holder": {"shape": "rectangle", "width_mm": 5}},
    "edge_margin_mm of the holder is 13, which leaves nothing of its 25.4 mm": {
        "holder": {"shape": "disc", "diameter_mm": 25.4, "edge_margin_mm": 13}
    },
    "max_thickness_mm of the holder is 0": {
        "holder": {"shape": "disc", "diameter_mm": 25.4, "max_thickness_mm": 0}
    },
    "rules of the layout is a list": {"rules": [1]},
    "min_gap_mm of the rules is -1; it must be 0 or more": {"rules": {"min_gap_mm": -1}},
    "min_gap_mm of the rules is NaN": {"rules": {"min_gap_mm": math.nan}},
    "instrument of the layout is a number": {"instrument": 3},
    "spot_um of the instrument is 0": {"instrument": {"spot_um": 0}},
    "source_elevation_deg of the instrument is 91": {"instrument": {"source_elevation_deg": 91}},
    "free_distance_mm of the instrument is -1": {"instrument": {"free_distance_mm": -1}},
    "gun of free_distance_mm of the instrument is the text 'far'": {
        "instrument": {"free_distance_mm": {"gun": "far"}}
    },
    "readout_sign of the instrument is 0.5": {"instrument": {"readout_sign": 0.5}},
    "mounts is missing": {"mounts": None},
    "mounts is an object; it must be a list": {"mounts": {}},
    "Mount number 2 is the text 'p2'": {"mounts": [mount("p1"), "p2"]},
    "id of mount number 1 is missing": {"mounts": [mount(...)]},
    "id of mount number 1 is empty": {"mounts": [mount("  ")]},
    "id of mount number 1 is a number; it must be text": {"mounts": [mount(7)]},
    "id 'a|b' of mount number 1 has a sign that ids cannot have": {"mounts": [mount("a|b")]},
    "id p1 is used twice, by mounts number 1 and 3": {
        "mounts": [mount("p1"), mount("p2"), mount("p1")]
    },
    "mounts holds 1000 mounts; at most 200 are taken": {
        "mounts": [mount(f"p{n}") for n in range(1000)]
    },
}


@pytest.mark.parametrize("sentence", BAD_DOCUMENTS)
def test_given_one_part_of_the_document_wrong_when_read_then_it_is_named(sentence):
    assert refusal(document(**BAD_DOCUMENTS[sentence])).startswith(sentence)


BAD_TEXTS = {
    "The layout is not JSON at line 1, column 2": b"{",
    "The layout is not JSON at line 1, column 1": b"",
    "The layout is not UTF-8 text (byte 2)": b'{"\xff": 1}',
    "A layout is a JSON object with holder and mounts, not a list": b"[]",
    "A layout is a JSON object with holder and mounts, not null": b"null",
    "holder is given twice": b'{"holder": 1, "holder": 2}',
    "The layout is nested too deeply": b"[" * 100_000,
    "The layout holds a number too long": b'{"a": ' + b"1" * 5000 + b"}",
    "The layout is 5000001 bytes long": b" " * 5_000_001,
}


@pytest.mark.parametrize("sentence", BAD_TEXTS)
def test_given_a_text_that_is_no_layout_when_read_then_one_sentence_tells_where(sentence):
    with pytest.raises(Refused) as refused:
        read_document(BAD_TEXTS[sentence])

    assert str(refused.value).startswith(sentence)


def test_given_nan_in_json_when_read_then_its_field_is_named():
    text = json.dumps(document(mounts=[mount("p1", thickness_mm=math.nan)]))

    assert refusal(read_document(text)).startswith("thickness_mm of mount p1 is NaN")


def test_given_a_layout_of_the_largest_size_when_read_then_it_is_taken():
    rows = [mount(f"p{n}") for n in range(200)]

    assert len(read_layout(document(mounts=rows)).mounts) == 200


def test_given_a_byte_order_mark_when_read_then_it_is_no_matter():
    assert read_document(b"\xef\xbb\xbf" + json.dumps(document()).encode())["rules"]


def test_given_an_answer_in_words_when_read_then_it_is_kept():
    given = document(mounts=[mount("p1", loose_powder_removed="tapped inverted")])

    assert read_layout(given).mounts[0].loose_powder_removed == "tapped inverted"


def test_every_shipped_limit_has_a_unit_and_a_source():
    limits = shipped_limits()

    assert len(limits) == len(LIMITS_FILE.read_text(encoding="utf-8").splitlines()) - 1
    assert all(limit.unit and limit.source for limit in limits.values())
    assert all(math.isfinite(limit.value) and limit.value >= 0 for limit in limits.values())


def test_given_a_limit_of_the_document_when_asked_then_it_comes_before_the_shipped_one():
    assert rules_of({"min_gap_mm": 0.0}).min_gap_mm == 0.0
    assert rules_of()["max_mounts"] == 200
