import pytest

from facility.errors import Refused
from samples.matter.lines import core_lines
from samples.matter.mounts import Mounting, find_mounting, shipped_mountings


def test_every_medium_of_the_layout_document_is_known():
    assert set(shipped_mountings()) == {
        "copper tape",
        "carbon tape",
        "indium foil",
        "gold foil",
        "aluminium foil",
        "tantalum clip",
        "stainless steel",
        "silicon wafer",
        "none",
    }


def test_every_medium_has_a_source_and_elements_with_lines():
    for mounting in shipped_mountings().values():
        assert mounting.source
        assert all(core_lines(element) for element in mounting.elements)


def test_steel_is_taken_to_hold_molybdenum_and_tape_shows_its_adhesive():
    assert "Mo" in find_mounting("stainless steel").elements
    assert find_mounting("copper tape").elements == ("Cu", "C", "O", "Si")
    assert find_mounting("carbon tape").elements == ("C", "O", "Si")
    assert find_mounting("carbon tape").adhesive == ("O", "Si")


@pytest.mark.parametrize("name", ["Copper Tape", "  copper   tape", "COPPER TAPE"])
def test_given_any_spelling_of_case_when_looked_up_then_the_medium_is_found(name):
    assert find_mounting(name).name == "copper tape"


def test_given_no_name_when_looked_up_then_there_is_none():
    assert find_mounting(None) is None


def test_given_a_medium_of_the_facility_when_looked_up_then_it_is_found():
    added = {"Silver paint": Mounting("Silver paint", ("Ag", "C"), 60.0, True, "this laboratory")}

    assert find_mounting("silver paint", added).elements == ("Ag", "C")


def test_given_an_unknown_medium_when_looked_up_then_it_is_refused_by_name():
    with pytest.raises(Refused, match="'double tape' is not known; it is one of copper tape"):
        find_mounting("double tape")
