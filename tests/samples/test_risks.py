import time
from types import MappingProxyType

import pytest

from facility.errors import Refused
from samples.layout import read_layout, shipped_limits
from samples.matter.declared import Blank, Declared, Past, Surroundings
from samples.risks import RULES, assess
from samples.risks.beam import argon_fact
from samples.risks.case import read_case
from samples.risks.neighbours import remembered_as, wanted_apart

INSTRUMENT = {
    "photon_energy_ev": 1486.6,
    "spot_um": 400,
    "source_elevation_deg": 45,
    "z_ref_mm": 20,
    "free_distance_mm": 8,
    "margin_mm": 1.5,
    "tape_mm": 0.08,
}


def mount(id_="p1", x_mm=0.0, *, size_mm=4.0, **fields):
    footprint = {"shape": "rectangle", "width_mm": size_mm, "height_mm": size_mm}
    return {"id": id_, "footprint": footprint | {"x_mm": x_mm, "y_mm": 0.0}, **fields}


def layout(*mounts, instrument=None, rules=None):
    holder = {"shape": "rectangle", "width_mm": 80, "height_mm": 20, "max_thickness_mm": 6.0}
    document = {"holder": holder, "mounts": list(mounts), "rules": rules}
    return read_layout(document | ({"instrument": instrument} if instrument else {}))


def found(rule, *mounts, instrument=None, rules=None, declared=None, **surroundings):
    """Findings of one rule; `declared` is about the first mount."""
    of = MappingProxyType({mounts[0]["id"]: Declared(**declared)}) if declared else {}
    findings = assess(
        layout(*mounts, instrument=instrument, rules=rules), Surroundings(of=of, **surroundings)
    )
    return [one for one in findings if one.rule == rule]


def severities(*args, **kwargs):
    return [one.severity for one in found(*args, **kwargs)]


# Volatility


@pytest.mark.parametrize(
    ("composition", "temperature_c", "expected"),
    [
        ("Zn", None, []),
        ("Zn", 150, ["staff"]),
        ("Cd", 150, ["stop"]),
        ("Hg", 25, ["stop"]),
        ("I2", None, ["stop"]),
        ("TiO2", 150, []),
        ("Zn", 600, ["staff"]),
        (None, 150, []),
    ],
)
def test_given_a_volatile_element_when_assessed_then_its_vapour_pressure_decides(
    composition, temperature_c, expected
):
    one = mount(composition=composition, max_temperature_c=temperature_c)

    assert severities("VOL-01", one) == expected


def test_given_zinc_in_a_bake_when_assessed_then_the_sentence_has_the_numbers():
    (zinc,) = found("VOL-01", mount(composition="Zn", max_temperature_c=150))

    assert "at 150 °C zinc evaporates at 9.5 × 10⁻⁸ torr" in zinc.says
    assert zinc.value == pytest.approx(9.5e-8, rel=0.01)
    assert (zinc.limit, zinc.unit) == (1e-8, "torr")
    assert "Alcock" in zinc.source


def test_given_other_limits_in_the_document_when_assessed_then_they_decide():
    zinc = mount(composition="Zn", max_temperature_c=150)

    assert severities("VOL-01", zinc, rules={"vapour_stop_torr": 1e-8}) == ["stop"]
    assert severities("VOL-01", zinc, rules={"vapour_staff_torr": 1e-7}) == []


@pytest.mark.parametrize(
    ("rule", "composition", "expected"),
    [
        ("VOL-02", "stearic acid", ["staff"]),
        ("VOL-02", "anthracene", []),
        ("VOL-02", "SAM", []),
        ("VOL-03", "mineral oil", ["stop"]),
        ("VOL-03", "silicone grease", ["stop"]),
        ("VOL-03", "PDMS", ["staff"]),
        ("VOL-03", "soft PVC", ["staff"]),
        ("VOL-03", "PVC", []),
        ("VOL-04", "CdSe", ["staff"]),
        ("VOL-04", "ZnO", []),
        ("VOL-04", "S8", ["staff"]),
        ("BEM-01", "nitrocellulose", ["warn"]),
        ("BEM-01", "PTFE", ["warn"]),
        ("BEM-01", "nylon", ["warn"]),
        ("BEM-01", "PVC", ["warn"]),
        ("BEM-01", "PET", []),
        ("BEM-01", "PI", []),
        ("BEM-01", "PAN", []),
        ("BEM-01", "PdO", ["warn"]),
        ("BEM-01", "MoO3", ["warn"]),
        ("BEM-01", "CuO", ["warn"]),
        ("BEM-01", "CuSO4·5H2O", ["warn"]),
        ("BEM-01", "Cu2O", []),
        ("FLU-01", "PTFE", ["note"]),
        ("FLU-01", "Nafion", ["note"]),
        ("FLU-01", "CaF2", []),
        ("HAZ-01", "LiPF6", ["staff"]),
        ("HAZ-01", "UO2", ["stop"]),
        ("HAZ-01", "TiO2", []),
        ("OUT-02", "battery electrolyte", ["stop"]),
    ],
)
def test_given_a_material_when_assessed_then_its_rule_speaks(rule, composition, expected):
    assert severities(rule, mount(composition=composition)) == expected


# Powder


@pytest.mark.parametrize("form", ["powder", "porous powder"])
@pytest.mark.parametrize(
    ("answer", "expected"),
    [
        (None, ["stop"]),
        (False, ["stop"]),
        ("no", ["stop"]),
        ("Not yet.", ["stop"]),
        (True, []),
        ("tapped off upside down", []),
    ],
)
def test_given_powder_when_assessed_then_it_may_not_load_before_what_is_loose_is_off(
    form, answer, expected
):
    assert severities("PWD-01", mount(form=form, loose_powder_removed=answer)) == expected


def test_given_a_film_when_assessed_then_nobody_asks_about_powder():
    assert found("PWD-01", mount(form="film")) == []


@pytest.mark.parametrize(
    ("fields", "expected"),
    [
        ({"form": "powder", "loose_powder_removed": False}, ["stop"]),
        ({"form": "powder", "loose_powder_removed": True}, ["staff"]),
        ({"form": "pellet"}, ["staff"]),
        ({"form": "film"}, []),
    ],
)
def test_given_the_ion_gun_is_planned_when_assessed_then_powder_is_not_etched(fields, expected):
    assert severities("PWD-02", mount(**fields), declared={"ion_gun": True}) == expected
    assert severities("PWD-02", mount(**fields)) == []


@pytest.mark.parametrize(
    ("fields", "declared", "expected"),
    [
        ({"form": "powder", "composition": "Ni"}, {}, ["staff"]),
        ({"form": "powder", "composition": "magnetite"}, {}, ["staff"]),
        ({"form": "film", "composition": "Ni"}, {}, []),
        ({"form": "powder", "composition": "NiO"}, {}, []),
        ({"form": "powder", "composition": "NiO"}, {"magnetic": True}, ["staff"]),
        ({"form": "bulk", "composition": "NdFeB"}, {}, ["staff"]),
        ({"form": "powder", "composition": "Ni"}, {"magnetic_lens": False}, []),
    ],
)
def test_given_a_magnetic_sample_when_assessed_then_staff_are_asked(fields, declared, expected):
    one = mount(loose_powder_removed=True, **fields)

    assert severities("PWD-03", one, declared=declared or {"extracted": True}) == expected


@pytest.mark.parametrize(
    ("declared", "expected"),
    [
        ({"particle_nm": 20, "extracted": False}, ["warn"]),
        ({"particle_nm": 20, "extracted": True}, []),
        ({"particle_nm": 20}, []),
        ({"particle_nm": 100, "extracted": False}, []),
    ],
)
def test_given_nanopowder_outside_the_extraction_when_assessed_then_it_warns(declared, expected):
    assert severities("PWD-04", mount(form="powder"), declared=declared) == expected


# Gas


@pytest.mark.parametrize(
    ("mass_mg", "surface_m2_g", "expected"),
    [
        (1, 1500, ["warn"]),
        (5, 50, ["warn"]),
        (1, 100, []),
        (None, 1500, []),
        (1, None, []),
    ],
)
def test_given_a_porous_sample_when_assessed_then_its_water_counts(mass_mg, surface_m2_g, expected):
    one = mount(form="porous powder", mass_mg=mass_mg, surface_m2_g=surface_m2_g)

    assert severities("OUT-01", one) == expected


def test_given_a_milligram_of_a_framework_when_assessed_then_it_says_thirty_bare_holders():
    one = mount(form="porous powder", mass_mg=1, surface_m2_g=1500)

    (load,) = found("OUT-01", one)

    assert "30 bare holders" in load.says
    assert "5.1 h" in load.says
    assert "overnight" in load.do
    assert (load.value, load.limit) == (pytest.approx(49.4, abs=0.1), 20)


@pytest.mark.parametrize(
    ("declared", "expected"),
    [
        ({"immersed": True}, ["stop"]),
        ({"immersed": True, "dried": True}, []),
        ({"immersed": True, "dried": True, "rinsed": False}, ["staff"]),
        ({"immersed": False}, []),
    ],
)
def test_given_a_sample_from_a_liquid_when_assessed_then_it_must_be_dry(declared, expected):
    assert severities("OUT-02", mount(form="electrode"), declared=declared) == expected


# Mounting


@pytest.mark.parametrize(
    ("mounting", "wants", "expected", "named"),
    [
        ("copper tape", "Cu 2p", ["warn"], "copper itself"),
        ("carbon tape", "C 1s", ["warn"], "carbon itself"),
        ("copper tape", "Si 2p", ["warn"], "silicon itself"),
        ("copper tape", "O 1s", ["note"], "as the air does"),
        ("copper tape", "C 1s", ["note"], "as the air does"),
        ("copper tape", "Al 2p", ["warn"], "Cu 3p3/2"),
        ("indium foil", "Ti 2p", ["warn"], "In 3d3/2"),
        ("indium foil", "Fe 2p", ["note"], "In 3p1/2"),
        ("gold foil", "Pd 3d", ["warn"], "Au 4d5/2"),
        ("stainless steel", "S 2s", ["warn"], "Mo 3d5/2"),
        ("tantalum clip", "N 1s", ["warn"], "Ta 4p3/2"),
        ("carbon tape", "K 2p3/2", ["note"], "C 1s"),
        ("gold foil", "Ti 2p", [], ""),
        ("none", "Cu 2p", [], ""),
    ],
)
def test_given_a_mounting_medium_when_a_line_is_wanted_then_what_hides_it_is_named(
    mounting, wants, expected, named
):
    findings = found("MNT-01", mount(mounting=mounting, wants=[wants]), instrument=INSTRUMENT)

    assert [one.severity for one in findings] == expected
    assert all(named in one.says for one in findings)


@pytest.mark.parametrize(
    ("composition", "expected"), [("graphene", ["warn"]), ("TiO2", ["note"]), (None, ["warn"])]
)
def test_given_carbon_tape_when_carbon_is_only_the_reference_then_it_is_a_note(
    composition, expected
):
    one = mount(mounting="carbon tape", composition=composition, wants=["C 1s"])

    assert severities("MNT-01", one, instrument=INSTRUMENT) == expected


def test_given_nothing_is_wanted_when_assessed_then_the_mount_hides_nothing():
    one = mount(mounting="copper tape", composition="CuO")

    assert found("MNT-01", one, instrument=INSTRUMENT) == []
    assert found("OVL-01", one, instrument=INSTRUMENT) == []


def test_given_a_hidden_line_when_assessed_then_a_clear_mounting_medium_is_offered():
    (hidden,) = found(
        "MNT-01", mount(mounting="copper tape", wants=["Cu 2p"]), instrument=INSTRUMENT
    )

    assert "indium foil" in hidden.do
    assert "copper tape instead" not in hidden.do


def test_given_several_grey_lines_when_assessed_then_they_are_one_note_for_the_sample():
    one = mount(mounting="indium foil", composition="Fe2O3", wants=["Fe 2p3/2", "Ti 2p1/2"])

    notes = [hit for hit in found("MNT-01", one, instrument=INSTRUMENT) if hit.severity == "note"]

    assert len(notes) == 1
    assert "In 3p1/2" in notes[0].says
    assert "In 3d3/2" in notes[0].says


@pytest.mark.parametrize(
    ("size_mm", "expected"), [(2.0, []), (1.99, ["warn"]), (0.5, ["warn"]), (4.0, [])]
)
def test_given_a_small_sample_when_assessed_then_the_beam_tails_count(size_mm, expected):
    one = mount(size_mm=size_mm)

    assert severities("MNT-02", one, instrument=INSTRUMENT) == expected
    assert severities("MNT-02", one) == []


def test_given_several_small_samples_when_assessed_then_the_smallest_comes_first():
    mounts = [mount("p1", 0, size_mm=1.9), mount("p2", 20, size_mm=0.5)]

    assert [one.about for one in found("MNT-02", *mounts, instrument=INSTRUMENT)] == [
        ("p2",),
        ("p1",),
    ]


@pytest.mark.parametrize(
    ("mounting", "temperature_c", "expected"),
    [
        ("indium foil", 156.6, []),
        ("indium foil", 157, ["stop"]),
        ("copper tape", 120, ["stop"]),
        ("tantalum clip", 800, []),
        ("indium foil", None, []),
        (None, 800, []),
    ],
)
def test_given_a_planned_temperature_when_assessed_then_the_mount_must_stand_it(
    mounting, temperature_c, expected
):
    one = mount(mounting=mounting, max_temperature_c=temperature_c)

    assert severities("MNT-03", one) == expected


# Neighbours


@pytest.mark.parametrize(
    ("forms", "gap_mm", "expected"),
    [
        (("film", "film"), 3.0, []),
        (("film", "film"), 2.9, ["warn"]),
        (("pellet", "pellet"), 2.0, []),
        (("pellet", "pellet"), 1.9, ["warn"]),
        (("pellet", "film"), 2.5, ["warn"]),
        (("powder", "film"), 4.9, ["warn"]),
        (("powder", "film"), 5.0, []),
        ((None, None), 0.5, []),
    ],
)
def test_given_two_neighbours_when_assessed_then_their_forms_ask_for_a_distance(
    forms, gap_mm, expected
):
    mounts = [mount("p1", 0, form=forms[0]), mount("p2", 4 + gap_mm, form=forms[1])]

    assert severities("XCN-01", *mounts) == expected


def test_given_a_sputtered_sample_when_assessed_then_its_neighbours_keep_further_away():
    mounts = [mount("p1", 0, form="film"), mount("p2", 11.9, form="film")]

    (near,) = found("XCN-01", *mounts, declared={"ion_gun": True})

    assert (near.value, near.limit) == (pytest.approx(7.9), 8)


def test_given_a_volatile_sample_when_assessed_then_nothing_may_lie_beside_it():
    mounts = [mount("p1", -30, composition="PDMS"), mount("p2", 0), mount("p3", 30)]

    (beside,) = found("XCN-01", *mounts)

    assert beside.about == ("p1", "p2")
    assert "holder of its own" in beside.do


def test_given_two_that_overlap_when_assessed_then_their_distance_is_not_named_as_well():
    mounts = [mount("p1", 0, form="film"), mount("p2", 2, form="film")]

    assert severities("GEO-02", *mounts) == ["stop"]
    assert found("XCN-01", *mounts) == []
    assert found("GEO-03", *mounts) == []


def test_given_what_may_spread_when_arranging_then_unlike_neighbours_are_wanted_apart():
    powder = mount("p1", 0, form="powder", composition="TiO2", loose_powder_removed=True)
    film = mount("p2", 20, form="film", composition="TiO2")
    twin = mount("p3", -20, form="powder", composition="TiO2", loose_powder_removed=True)
    holder = layout(powder, film, twin, mount("p4", 30, form="film", composition="SiO2"))
    wanted, by_id = wanted_apart(holder), {one.id: one for one in holder.mounts}

    assert wanted(by_id["p1"], by_id["p2"]) == 5
    assert wanted(by_id["p1"], by_id["p3"]) == 0
    assert wanted(by_id["p2"], by_id["p4"]) == 0


@pytest.mark.parametrize(
    ("past", "expected"),
    [
        (Past("PDMS", "silicone", "3 Mar"), ["stop"]),
        (Past("PDMS", "silicone", "3 Mar", cleaned=True), ["stop"]),
        (Past("PDMS", "silicone", "3 Mar", cleaned=True, blank=True), []),
        (Past("KI", "iodine", "3 Mar", cleaned=True), ["stop"]),
        (Past("ZrO2", "loose powder", "3 Mar", cleaned=True), []),
        (Past("PTFE", "fluoro-organic", "3 Mar"), ["stop"]),
        (Past("PTFE", "fluoro-organic", "3 Mar", inside_dedication=True), []),
    ],
)
def test_given_a_holder_with_a_past_when_assessed_then_it_must_be_clean(past, expected):
    assert severities("MEM-01", mount(), past=(past,)) == expected


@pytest.mark.parametrize(
    ("fields", "expected"),
    [
        ({"composition": "PDMS"}, ("silicone",)),
        ({"composition": "PTFE"}, ("fluoro-organic",)),
        ({"composition": "PbI2"}, ("iodine",)),
        ({"composition": "S8"}, ("sulfur",)),
        ({"composition": "MoS2"}, ()),
        ({"composition": "CdSe"}, ("selenium",)),
        ({"form": "powder"}, ("loose powder",)),
        ({"form": "powder", "loose_powder_removed": True, "composition": "TiO2"}, ()),
    ],
)
def test_what_a_holder_remembers(fields, expected):
    (specimen,) = read_case(layout(mount(**fields))).specimens

    assert remembered_as(specimen) == expected


@pytest.mark.parametrize(
    ("blank", "expected"),
    [
        (Blank("Si", 2.0, 0.1, 0.1, seen_twice=True), ["warn"]),
        (Blank("Si", 2.0, 0.1, 0.1), []),
        (Blank("Si", 0.5, 0.0, 0.0, seen_twice=True), []),
        (Blank("Si", 1.0, 0.5, 0.2, seen_twice=True), []),
    ],
)
def test_given_a_blank_when_assessed_then_only_what_is_above_its_history_counts(blank, expected):
    assert severities("MEM-02", mount(), blanks=(blank,)) == expected


# Beam and ions


def test_given_a_short_look_when_assessed_then_fluorine_is_not_named():
    ptfe = mount(composition="PTFE")

    assert severities("FLU-01", ptfe, declared={"beam_minutes": 10}) == []
    assert severities("FLU-01", ptfe, declared={"beam_minutes": 31}) == ["note"]
    assert severities("FLU-01", ptfe, declared={"beam_minutes": 10, "ion_gun": True}) == ["note"]


@pytest.mark.parametrize(
    ("composition", "declared", "expected"),
    [
        ("NiO", {"ion_gun": True, "question": "oxidation state"}, ["warn"]),
        ("PET", {"ion_gun": True}, ["warn"]),
        ("NiO", {"ion_gun": True, "question": "composition"}, []),
        ("NiO", {"question": "oxidation state"}, []),
    ],
)
def test_given_the_ion_gun_and_a_question_of_chemistry_when_assessed_then_it_warns(
    composition, declared, expected
):
    assert severities("ION-01", mount(composition=composition), declared=declared) == expected


def test_argon_is_a_fact_for_the_page_and_never_a_finding():
    assert "Ar 2p3/2" in argon_fact(Declared(ion_gun=True))
    assert argon_fact(Declared()) is None
    assert found("ION-02", mount(composition="NiO"), declared={"ion_gun": True}) == []


# Lines


def test_given_ruthenium_beside_carbon_when_assessed_then_an_alternate_is_offered():
    (carbon,) = found("OVL-01", mount(composition="RuO2", wants=["C 1s"]), instrument=INSTRUMENT)

    assert carbon.severity == "warn"
    assert "Ru 3d3/2" in carbon.says
    assert "Ru 3d5/2" in carbon.says
    assert "Ru 3p3/2 (461.5 eV)" in carbon.do


def test_given_a_weak_line_nearby_when_assessed_then_it_is_one_folded_note():
    one = mount(composition="SrTiO3", wants=["C 1s", "O 1s", "Ti 2p"])

    (note,) = found("OVL-01", one, instrument=INSTRUMENT)

    assert note.severity == "note"
    assert "Sr 3p1/2" in note.says


def test_given_no_photon_energy_when_assessed_then_auger_lines_are_left_out():
    gan = mount(composition="GaN", wants=["N 1s"])

    assert "Ga LMM" in found("OVL-01", gan, instrument=INSTRUMENT)[0].says
    assert found("OVL-01", gan) == []
    assert found("OVL-01", gan, instrument=INSTRUMENT | {"photon_energy_ev": 1253.6}) == []


def test_given_a_near_neighbour_when_assessed_then_its_lines_count():
    film = mount("p1", 0, form="film", composition="Fe2O3", wants=["Fe 2p"])
    near = mount("p2", 6.5, form="film", composition="In2O3")
    far = mount("p2", 12, form="film", composition="In2O3")

    (hit,) = found("OVL-01", film, near, instrument=INSTRUMENT)

    assert hit.about == ("p1", "p2")
    assert "In 3p1/2" in hit.says
    assert found("OVL-01", film, far, instrument=INSTRUMENT) == []


def test_given_a_neighbour_of_another_group_when_assessed_then_its_composition_is_not_told():
    film = mount("p1", 0, form="film", composition="Fe2O3", wants=["Fe 2p"])
    near = mount("p2", 6.5, form="film", composition="In2O3")

    (hit,) = found("OVL-01", film, near, instrument=INSTRUMENT, hidden=frozenset({"p2"}))

    assert "In" not in hit.says.replace("p1", "")
    assert "ask staff" in hit.do


# Heights


def test_given_a_tall_neighbour_when_a_low_sample_is_focused_then_the_stage_stops():
    low = mount("p1", 0, thickness_mm=0.42, mounting="copper tape")
    tall = mount("p2", 20, thickness_mm=7.42, mounting="copper tape")

    (limit,) = found("HGT-01", low, tall, instrument=INSTRUMENT)

    assert limit.about == ("p2", "p1")
    assert (limit.value, limit.limit) == (19.5, 19.0)
    assert "20 + 8 − 1.5 − 7.5 = 19" in limit.says


def test_given_flat_samples_when_assessed_then_the_stage_may_go():
    mounts = [
        mount("p1", 0, thickness_mm=0.42, mounting="copper tape"),
        mount("p2", 20, thickness_mm=3.12, mounting="copper tape"),
    ]

    assert found("HGT-01", *mounts, instrument=INSTRUMENT) == []


def test_given_a_falling_readout_when_assessed_then_the_limit_is_on_the_other_side():
    mounts = [
        mount("p1", 0, thickness_mm=0.42, mounting="copper tape"),
        mount("p2", 20, thickness_mm=7.42, mounting="copper tape"),
    ]

    (limit,) = found("HGT-01", *mounts, instrument=INSTRUMENT | {"readout_sign": -1})

    assert (limit.value, limit.limit) == (20.5, 21.0)


def test_given_a_holder_that_does_not_pass_the_gauge_when_assessed_then_it_stops():
    assert severities("HGT-02", mount(), passes_gauge=False, gauge_mm=3.0) == ["stop"]
    assert severities("HGT-02", mount(), passes_gauge=True, gauge_mm=3.0) == []
    assert severities("HGT-02", mount()) == []


@pytest.mark.parametrize(("spot_um", "expected"), [(100, ["note"]), (250, []), (400, [])])
def test_given_a_small_spot_when_assessed_then_a_calliper_does_not_focus_it(spot_um, expected):
    instrument = INSTRUMENT | {"spot_um": spot_um}

    # half of 100 µm at 45° is 50 µm: own geometry
    assert severities("HGT-03", mount(thickness_mm=1), instrument=instrument) == expected


def test_given_a_step_between_neighbours_when_assessed_then_its_shadow_counts():
    mounts = [
        mount("p1", 0, thickness_mm=2.5, mounting="none"),
        mount("p2", 5.9, thickness_mm=0.5, mounting="none"),
    ]

    (shade,) = found("HGT-04", *mounts, instrument=INSTRUMENT)

    assert shade.about == ("p1", "p2")
    assert (shade.value, shade.limit) == (1.9, 2.0)


# Hazards


@pytest.mark.parametrize(
    ("hazard", "permit", "expected"),
    [
        ("explosive", None, ["stop"]),
        ("explosive", True, ["stop"]),
        ("radioactive", None, ["stop"]),
        ("radioactive", True, ["staff"]),
        ("infectious", False, ["stop"]),
        ("pyrophoric", None, ["staff"]),
        ("water-reactive", None, ["staff"]),
        ("acutely toxic, category 1", None, ["staff"]),
        ("CMR powder", None, ["staff"]),
        ("nano powder", None, ["staff"]),
        ("HF former", None, ["staff"]),
        ("toxic", None, ["note"]),
        ("smelly", None, ["note"]),
    ],
)
def test_given_a_declared_hazard_when_assessed_then_its_list_decides(hazard, permit, expected):
    declared = {"hazards": (hazard,), "permit": permit}

    assert severities("HAZ-01", mount(), declared=declared) == expected


def test_given_a_nano_powder_by_its_size_when_assessed_then_it_counts_as_declared():
    assert severities("HAZ-01", mount(form="powder"), declared={"particle_nm": 30}) == ["staff"]
    assert severities("HAZ-01", mount(form="film"), declared={"particle_nm": 30}) == []


# Geometry


def test_given_a_sample_past_the_edge_when_assessed_then_it_stops_once():
    (past,) = found("GEO-01", mount(x_mm=39))

    assert past.severity == "stop"
    assert past.value == pytest.approx(1.0)


def test_given_a_narrow_gap_when_assessed_then_each_pair_is_named():
    mounts = [mount("p1", 0), mount("p2", 4.5), mount("p3", 9.0)]

    narrow = found("GEO-03", *mounts)

    assert [one.about for one in narrow] == [("p1", "p2"), ("p2", "p3")]
    assert {(one.value, one.limit) for one in narrow} == {(0.5, 1.0)}


def test_given_a_thick_sample_when_assessed_then_the_holder_type_decides():
    assert severities("GEO-04", mount(thickness_mm=6.0)) == []
    assert severities("GEO-04", mount(thickness_mm=6.1)) == ["stop"]


# The whole


def test_given_an_ordinary_holder_when_assessed_then_nothing_is_said():
    mounts = [
        mount("p1", -12, form="film", composition="TiO2", wants=["Ti 2p"], mounting="gold foil"),
        mount("p2", 0, form="bulk", composition="316L", wants=["Cr 2p"], mounting="carbon tape"),
        mount(
            "p3",
            12,
            form="powder",
            composition="CeO2",
            wants=["Ce 3d"],
            mounting="carbon tape",
            loose_powder_removed=True,
        ),
    ]

    findings = assess(layout(*mounts, instrument=INSTRUMENT))

    assert [one for one in findings if one.severity != "note"] == []


def test_given_an_empty_holder_when_assessed_then_nothing_is_said():
    assert assess(layout()) == []
    assert assess(layout(instrument=INSTRUMENT)) == []


@pytest.mark.parametrize(
    ("fields", "says"),
    [
        ({"composition": "TiXx2"}, "composition of mount p1, 'TiXx2': 'Xx' at character 3"),
        ({"wants": ["Cu 7p"]}, "wants of mount p1, 'Cu 7p': copper has no 7p line"),
        ({"wants": ["Xx 2p"]}, "wants of mount p1, 'Xx 2p': 'Xx' is not an element"),
        ({"mounting": "chewing gum"}, "mounting of mount p1, 'chewing gum' is not known"),
    ],
)
def test_given_a_text_that_means_nothing_when_assessed_then_it_is_refused_by_name(fields, says):
    with pytest.raises(Refused, match=says):
        assess(layout(mount(**fields)))


def test_given_one_bad_text_when_somebody_takes_it_then_the_rest_is_kept():
    problems = []
    mounts = [mount("p1", composition="Xx"), mount("p2", 20, composition="Hg")]

    findings = assess(layout(*mounts), on_problem=problems.append)

    assert [one.about for one in findings if one.rule == "VOL-01"] == [("p2",)]
    assert [str(one) for one in problems] == [
        "composition of mount p1, 'Xx': 'Xx' at character 1 is not an element."
    ]


def test_findings_come_gravest_first():
    mounts = [mount("p1", composition="PTFE"), mount("p2", 20, composition="Hg")]

    ranks = [one.rank for one in assess(layout(*mounts))]

    assert ranks == sorted(ranks, reverse=True)
    assert len(set(ranks)) > 1


def test_twelve_samples_are_assessed_within_twenty_milliseconds():
    materials = ("RuO2", "HKUST-1", "GaN", "Sb2O3", "TiO2", "brass")
    mounts = [
        mount(
            f"p{n}",
            7.0 * n - 38,
            form="film",
            composition=materials[n % 6],
            wants=["C 1s", "O 1s"],
            mounting=("copper tape", "indium foil")[n % 2],
            thickness_mm=0.5,
        )
        for n in range(12)
    ]
    twelve = layout(*mounts, instrument=INSTRUMENT)
    assess(twelve)  # the tables are read once

    seconds = []
    for _ in range(10):
        start = time.perf_counter()
        assess(twelve)
        seconds.append(time.perf_counter() - start)

    assert min(seconds) <= 0.020  # the best: other work on the machine is not ours


def test_every_limit_of_a_rule_is_shipped_with_a_source():
    for rule in RULES.values():
        for name in rule.limits:
            assert shipped_limits()[name].source


def test_every_rule_has_a_title_a_condition_and_a_source():
    for rule in RULES.values():
        assert rule.title
        assert rule.condition
        assert rule.source
        assert rule.severities


FORBIDDEN = ("invalid", "illegal", "forbidden", "error", "please", "sorry", "oops")


def test_sentences_are_for_people():
    busy = layout(
        mount("p1", -30, composition="Hg", form="powder", wants=["C 1s"], mounting="copper tape"),
        mount("p2", -25.5, composition="RuO2", form="film", wants=["C 1s"], thickness_mm=7),
        mount("p3", 0, composition="PDMS", wants=["Si 2p"], mounting="copper tape", size_mm=0.5),
        mount("p4", 20, composition="UO2", mass_mg=5, surface_m2_g=500, thickness_mm=0.1),
        instrument=INSTRUMENT,
    )

    findings = assess(busy)

    assert len({one.rule for one in findings}) > 9
    for one in findings:
        assert one.says.endswith(".")
        assert one.do.endswith(".")
        assert not any(word in f"{one.says} {one.do}".casefold() for word in FORBIDDEN)
