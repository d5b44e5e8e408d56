import pytest

from samples.matter.composition import parse
from samples.matter.substances import elements, named_materials
from samples.matter.volatility import (
    Evaporation,
    evaporations,
    fits,
    melts_low,
    severity_of,
    unknown_compound,
    vapour_pressure_torr,
    water_load,
)


def verdicts(text, temperature_c=None):
    found = evaporations(parse(text), temperature_c)
    return [severity_of(one, staff_torr=1e-8, stop_torr=1e-5) for one in found]


@pytest.mark.parametrize(
    ("text", "temperature_c", "expected"),
    [
        ("Zn", None, [None]),
        ("Zn", 150, ["staff"]),
        ("Zn", 600, ["staff"]),  # above every fit
        ("W", 20, [None]),
        ("Si", 800, [None]),
        ("Si", 1100, ["staff"]),
        ("naphthalene", 25, ["stop"]),
        ("C10H8", 25, ["stop"]),
        ("pentacene", 25, ["staff"]),  # below its fit, which starts at 197 °C
        ("TCNQ", 25, ["staff"]),  # no fit at all
        ("brass", 25, [None]),
        ("brass", 150, ["staff"]),
        ("Cu70Zn30", 150, ["staff"]),
        ("ZnO", 150, []),
        ("CdTe", 150, []),
        ("PTFE", 150, []),
        ("SAM", 25, []),
        ("Zn/C", 150, ["staff", None]),
    ],
)
def test_verdicts_follow_the_hottest_planned_temperature(text, temperature_c, expected):
    assert verdicts(text, temperature_c) == expected


def test_given_a_cooled_sample_when_judged_then_the_room_it_is_loaded_from_counts():
    (cold,) = evaporations(parse("I2"), -100)

    assert cold.temperature_c == 25
    assert cold.torr == pytest.approx(0.31, rel=0.05)


def test_given_no_fit_for_the_temperature_when_judged_then_it_says_what_is_published():
    (biphenyl,) = evaporations(parse("biphenyl"), 80)

    assert biphenyl.torr is None
    assert "published values of biphenyl span 7 to 61 °C" in biphenyl.why


@pytest.mark.parametrize(
    ("torr", "at_most", "expected"),
    [
        (1e-8, False, None),
        (1.01e-8, False, "staff"),
        (1e-5, False, "staff"),
        (1.01e-5, False, "stop"),
        (1e-3, True, "staff"),
        (None, False, "staff"),
    ],
)
def test_limits_are_met_on_the_right_side(torr, at_most, expected):
    one = Evaporation("zinc", 25, torr, at_most)

    assert severity_of(one, staff_torr=1e-8, stop_torr=1e-5) == expected


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("HgCl2", ("Hg", "Cl")),
        ("CdSe", ("Cd", "Se")),
        ("MoS2", ("S",)),
        ("PbI2", ("I",)),
        ("CsPbBr3", ("Br",)),
        ("FeCl3", ("Cl",)),
        ("S8", ("S",)),
        ("As", ("As",)),
        ("GaAs", ("As",)),
        ("H3PO4", ("P",)),
        ("ZnO", ()),
        ("NaCl", ()),
        ("LiFePO4", ()),
        ("BaSO4", ()),
        ("TiO2", ()),
        ("Zn", ()),
        ("I2", ()),
        ("brass", ()),
        ("ZIF-8", ()),
        ("Nafion", ()),
        ("Si0.999P0.001", ()),
    ],
)
def test_compounds_without_a_published_pressure_are_for_staff(text, expected):
    assert unknown_compound(parse(text)) == expected


def test_given_a_phosphate_heated_past_what_is_known_when_judged_then_it_is_for_staff():
    assert unknown_compound(parse("LiFePO4"), 300) == ()
    assert unknown_compound(parse("LiFePO4"), 500) == ("P",)


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("stearic acid", True),
        ("biphenyl", True),
        ("naphthalene", False),  # melts at 80.3 °C
        ("anthracene", False),
        ("SAM", False),
        ("[BMIM][BF4]", False),
        ("Ga", False),
        ("TiO2", False),
    ],
)
def test_only_molecular_films_melt_low(text, expected):
    assert melts_low(parse(text)) is expected


@pytest.mark.parametrize(("area", "speed"), [(-1, 20), (float("nan"), 20), (1, 0), (1, -5)])
def test_given_an_impossible_surface_when_loaded_then_it_is_refused(area, speed):
    with pytest.raises(ValueError, match="must be 0 or more"):
        water_load(area, speed)


def test_water_grows_with_the_surface_and_the_hours_fall_with_the_pump():
    assert water_load(2).gas_pa_l == pytest.approx(2 * water_load(1).gas_pa_l)
    assert water_load(1, 40).hours == pytest.approx(water_load(1, 20).hours / 2)
    assert water_load(0).hours == 0


def test_every_fit_has_a_source_and_names_a_known_substance():
    known = {element.name for element in elements().values()}
    known |= {material.name for material in named_materials()}
    with_fit = [name for name in known if fits(name)]

    assert len(with_fit) > 90
    for name in with_fit:
        for fit in fits(name):
            assert fit.source
            assert fit.t_min_k < fit.t_max_k
            assert fit.substance in known


def test_given_the_solid_and_the_liquid_when_asked_then_each_is_used_inside_its_own_range():
    solid, liquid = fits("indium")

    assert vapour_pressure_torr("indium", 150) * 133.322 == solid.pressure_pa(423.15)
    assert vapour_pressure_torr("indium", 200) * 133.322 == liquid.pressure_pa(473.15)
