import pytest
from hypothesis import given
from hypothesis import strategies as st

from facility.errors import Refused
from samples.matter.lines import (
    AL_KALPHA_EV,
    MG_KALPHA_EV,
    alternates,
    apart,
    auger_lines,
    core_lines,
    interferences,
    lines_seen,
    wanted_lines,
)
from samples.matter.substances import elements

ALL = [line for element in elements() for line in core_lines(element)]


def names(lines):
    return [str(line) for line in lines]


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("Cu 2p", ["Cu 2p1/2", "Cu 2p3/2"]),
        ("Cu 2p3/2", ["Cu 2p3/2"]),
        ("Cu2p3/2", ["Cu 2p3/2"]),
        ("Cu 2p 3/2", ["Cu 2p3/2"]),
        ("Cu 2p₃/₂", ["Cu 2p3/2"]),
        ("Cu 2p3", ["Cu 2p3/2"]),
        ("copper 2p3/2", ["Cu 2p3/2"]),
        ("C 1s", ["C 1s"]),
        ("Au 4f7/2", ["Au 4f7/2"]),
        ("Zn L3M45M45", ["Zn LMM (L3M45M45)"]),
    ],
)
def test_wanted_lines_are_read_as_people_write_them(text, expected):
    assert names(wanted_lines(text, AL_KALPHA_EV)) == expected


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("Cu 7p", "copper has no 7p line to measure; it has 1s, 2s, 2p, 3s, 3p"),
        ("Cu 2d", "no 2d line"),
        ("Cu 2p5/2", "no 2p5/2 line"),
        ("Xx 2p", "'Xx' is not an element"),
        ("cu 2p", "'cu' is not an element; write Cu"),
        ("H 1s", "hydrogen has no core level"),
        ("Cu", "name its level as well, such as Cu 3p"),
        ("2p", "names no element"),
        ("", "names no element"),
        ("Al KLL", "no KLL line of aluminium"),
    ],
)
def test_given_a_line_that_does_not_exist_when_wanted_then_it_is_refused_by_name(text, says):
    with pytest.raises(Refused, match=says):
        wanted_lines(text)


@given(st.text(max_size=20) | st.from_regex(r"[A-Z][a-z]? ?[0-9][spdf]?([0-9]/2)?", fullmatch=True))
def test_given_any_text_when_wanted_then_there_are_lines_or_one_sentence(text):
    try:
        lines = wanted_lines(text, AL_KALPHA_EV)
    except Refused as refusal:
        lines, said = (), str(refusal)
    else:
        said = ""
        assert lines
    assert len(said.splitlines()) <= 1
    assert all(line.energy_ev < AL_KALPHA_EV for line in lines)


def test_given_a_level_deeper_than_the_photons_when_wanted_then_it_is_refused():
    assert names(wanted_lines("Mg 1s", AL_KALPHA_EV)) == ["Mg 1s"]
    with pytest.raises(Refused, match=r"1303 eV, out of reach of 1253\.6 eV photons"):
        wanted_lines("Mg 1s", MG_KALPHA_EV)


def test_auger_lines_move_on_the_binding_axis_with_the_photons():
    (copper,) = wanted_lines("Cu L3M45M45", AL_KALPHA_EV)
    (same,) = wanted_lines("Cu L3M45M45", MG_KALPHA_EV)

    assert copper.energy_ev - same.energy_ev == pytest.approx(AL_KALPHA_EV - MG_KALPHA_EV)


def test_given_magnesium_photons_when_gallium_is_beside_nitrogen_then_its_auger_lines_are_away():
    nitrogen = wanted_lines("N 1s")[0]

    with_al = names(one.line for one in interferences(nitrogen, ["Ga"], AL_KALPHA_EV))
    with_mg = names(one.line for one in interferences(nitrogen, ["Ga"], MG_KALPHA_EV))

    assert with_al == ["Ga LMM (L2M45M45)"]
    assert with_mg == []


def test_given_a_level_beyond_the_photons_when_lines_are_listed_then_its_auger_lines_are_left_out():
    assert "Mg KLL (KL23L23)" in names(lines_seen("Mg", AL_KALPHA_EV))
    assert not any(line.is_auger for line in lines_seen("Mg", MG_KALPHA_EV))


def test_given_no_photon_energy_when_lines_are_listed_then_auger_lines_are_left_out():
    assert not any(line.is_auger for line in lines_seen("Cu"))


def test_the_span_of_states_reaches_sulfate_only_beside_oxygen():
    sulfur = wanted_lines("S 2p3/2")[0]

    assert sulfur.span(["Mo", "S"]) == (160.7, 164.5)
    assert sulfur.span(["Mo", "O"]) == (160.7, 170.0)


def test_the_span_of_a_metal_among_metals_holds_no_oxide():
    (titanium,) = wanted_lines("Ti 2p3/2")

    assert titanium.span(["Ti", "Al"])[1] == pytest.approx(454.8)
    assert titanium.span(["Ti", "O"])[1] == titanium.span()[1] == pytest.approx(459.4)


def test_given_a_line_inside_the_span_of_states_when_compared_then_it_is_not_apart():
    (oxide,) = wanted_lines("Al 2p3/2")

    assert apart(wanted_lines("Cu 3p3/2")[0], *oxide.span()) == 0.0
    assert apart(wanted_lines("Cu 3p1/2")[0], *oxide.span()) == pytest.approx(1.8)


def test_own_lines_never_interfere():
    (cobalt,) = wanted_lines("Co 2p3/2", AL_KALPHA_EV)

    assert interferences(cobalt, ["Co"], AL_KALPHA_EV) == []


def test_interferences_come_nearest_first():
    (carbon,) = wanted_lines("C 1s")

    found = interferences(carbon, ["Sr", "Ru", "K"])

    assert [one.apart_ev for one in found] == sorted(one.apart_ev for one in found)
    assert {"Ru 3d5/2", "Sr 3p1/2", "K 2p3/2"} <= set(names(one.line for one in found))


@pytest.mark.parametrize(
    ("element", "beside", "offered"),
    [
        ("Ru", ["C", "O"], "Ru 3p3/2"),
        ("Mo", ["S"], "Mo 3p3/2"),
        ("Pt", ["Al", "O"], "Pt 4d5/2"),
        ("Al", ["Pt"], "Al 2s"),
        ("Pd", ["O"], "Pd 3d5/2"),
        ("Ti", ["In", "O"], "Ti 2s"),
        ("Fe", ["In"], "Fe 2p1/2"),
    ],
)
def test_alternate_lines_of_the_trade_come_first(element, beside, offered):
    assert names(alternates(element, beside, AL_KALPHA_EV))[0] == offered


def test_given_copper_beside_aluminium_when_alternates_are_asked_then_2s_is_not_offered():
    assert "Al 2s" not in names(alternates("Al", ["Cu"], AL_KALPHA_EV))


def test_every_row_has_a_source_and_its_energy_inside_its_span():
    for line in ALL:
        assert line.source
        assert line.low_ev <= line.energy_ev <= line.high_ev
        assert line.energy_ev >= 10


def test_every_auger_line_needs_a_level_that_the_table_holds():
    for element in elements():
        for auger in auger_lines(element):
            assert auger.needs_level in {line.level for line in core_lines(element)}
