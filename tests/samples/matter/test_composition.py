import pytest
from hypothesis import given
from hypothesis import strategies as st

from facility.errors import Refused
from samples.matter.composition import find_named, parse
from samples.matter.substances import elements, named_materials


def ratio(text):
    """Amounts relative to the scarcest element, rounded."""
    amounts = dict(parse(text).parts)
    least = min(amounts.values())
    return {symbol: round(amount / least, 2) for symbol, amount in amounts.items()}


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("SiO2", {"Si": 1, "O": 2}),
        ("TiO₂", {"Ti": 1, "O": 2}),
        ("CuSO4·5H2O", {"Cu": 1, "S": 1, "O": 9, "H": 10}),
        ("CuSO4*5H2O", {"Cu": 1, "S": 1, "O": 9, "H": 10}),
        ("CuSO4.5H2O", {"Cu": 1, "S": 1, "O": 9, "H": 10}),
        ("CuSO4 · 5 H2O", {"Cu": 1, "S": 1, "O": 9, "H": 10}),
        ("CaSO4.0.5H2O", {"Ca": 1, "S": 1, "O": 4.5, "H": 1}),
        ("CaSO4·½H2O", {"Ca": 1, "S": 1, "O": 4.5, "H": 1}),
        ("MgCl2.6H2O", {"Mg": 1, "Cl": 2, "H": 12, "O": 6}),
        ("Al2(SO4)3·18H2O", {"Al": 2 / 2, "S": 1.5, "O": 15, "H": 18}),
        ("K4[Fe(CN)6]·3H2O", {"K": 4, "Fe": 1, "C": 6, "N": 6, "H": 6, "O": 3}),
        ("((CH3)3Si)2O", {"C": 6, "H": 18, "Si": 2, "O": 1}),
        ("{[Cu(NH3)4]SO4}·H2O", {"Cu": 1, "N": 4, "H": 14, "S": 1, "O": 5}),
        ("Ti0.98Nb0.02O2", {"Ti": 49, "Nb": 1, "O": 100}),
        ("Ti0,98Nb0,02O2", {"Ti": 49, "Nb": 1, "O": 100}),
        ("LiNi1/3Mn1/3Co1/3O2", {"Li": 3, "Ni": 1, "Mn": 1, "Co": 1, "O": 6}),
        ("(Ba,Sr)TiO3", {"Ba": 1, "Sr": 1, "Ti": 1, "O": 3}),
        ("La0.7Sr0.3MnO3-δ", {"La": 2.33, "Sr": 1, "Mn": 3.33, "O": 10}),
        ("WO3-x", {"W": 1, "O": 3}),
        ("0.5Li2O·0.5P2O5", {"Li": 1, "O": 3, "P": 1}),
        ("Fe 2 O 3", {"Fe": 1, "O": 1.5}),
        ("D2O", {"H": 2, "O": 1}),
        ("SrTiO3(001)", {"Sr": 1, "Ti": 1, "O": 3}),
        ("Cu(I)O", {"Cu": 1, "O": 1}),
        ("MoS2 powder", {"Mo": 1, "S": 2}),
        ("TiO2 (anatase)", {"Ti": 1, "O": 2}),
        ("Au@SiO2", {"Au": 1, "Si": 1, "O": 2}),
        ("70 at.% Cu 30 at.% Zn", {"Cu": 2.33, "Zn": 1}),
        ("Cu70Zn30", {"Cu": 2.33, "Zn": 1}),
    ],
)
def test_formulas_are_read_as_chemists_write_them(text, expected):
    assert ratio(text) == {symbol: round(amount, 2) for symbol, amount in expected.items()}


@pytest.mark.parametrize(
    ("text", "charge", "expected"),
    [
        ("SO4 2-", -2, {"S": 1, "O": 4}),
        ("SO42-", -2, {"S": 1, "O": 4}),
        ("SO₄²⁻", -2, {"S": 1, "O": 4}),
        ("NH4+", 1, {"N": 1, "H": 4}),
        ("Fe3+", 3, {"Fe": 1}),
        ("[Fe(CN)6]4-", -4, {"Fe": 1, "C": 6, "N": 6}),
        ("Cl-", -1, {"Cl": 1}),
    ],
)
def test_charges_are_taken_off(text, charge, expected):
    assert parse(text).charge == charge
    assert ratio(text) == expected


def test_weight_percents_become_atoms():
    amounts = dict(parse("5 wt% Pt/TiO2").parts)

    # 5 g of Pt (195.08 g/mol) in 95 g of TiO2 (79.87 g/mol): 0.0256 : 1.189 formula units
    assert amounts["Pt"] / amounts["Ti"] == pytest.approx((5 / 195.08) / (95 / 79.87), rel=1e-3)


def test_case_tells_cobalt_from_carbon_and_oxygen():
    assert parse("Co").elements == ("Co",)
    assert parse("CO").elements == ("C", "O")
    assert parse("SN").elements == ("S", "N")
    assert parse("Sn").elements == ("Sn",)


@pytest.mark.parametrize(
    ("text", "holds"),
    [
        ("TiN", "Ti N"),
        ("TiN/Si", "Ti N Si"),
        ("5 wt% TiN in SiC", "Ti N Si C"),
        ("TiN coating", "Ti N"),
        ("tin", "Sn"),
        ("Tin", "Sn"),
        ("TIN", "Sn"),
        ("tin on copper", "Sn Cu"),
        ("IrON", "Ir O N"),
        ("Iron", "Fe"),
        ("CoAl", "Co Al"),
        ("Coal", "C H O S N"),
        ("BONe", "B O Ne"),
        ("CoO", "Co O"),
        ("NiO", "Ni O"),
        ("SnO", "Sn O"),
        ("InN", "In N"),
        ("CN", "C N"),
        ("NaCN", "Na C N"),
        ("HoF3", "Ho F"),
        ("HOF", "H O F"),
        ("PbO", "Pb O"),
        ("POs", "P Os"),
        ("PoS", "Po S"),
        ("ScN", "Sc N"),
        ("SCN", "S C N"),
        ("CsN", "Cs N"),
        ("NbN", "Nb N"),
        ("HfN", "Hf N"),
        ("CuSn", "Cu Sn"),
        ("PolyStyrene", "C H"),
    ],
)
def test_capitals_tell_a_formula_from_a_name(text, holds):
    assert set(parse(text).elements) == set(holds.split())


def test_no_name_of_an_element_hides_a_formula_that_is_spelled_like_it():
    """Every way to write a name as symbols, such as TiN of tin, is read as these symbols."""
    symbols, tried = {s.casefold(): s for s in elements()}, 0

    def spelled(rest):
        if not rest:
            yield ()
        for length in (1, 2):
            if len(rest) >= length and (symbol := symbols.get(rest[:length])):
                yield from ((symbol, *more) for more in spelled(rest[length:]))

    names = [one.name for one in elements().values()]
    names += [alias for one in named_materials() for alias in (one.name, *one.aliases)]
    for name in names:
        for parts in spelled(name.casefold()) if name.isalpha() and name.islower() else ():
            formula = "".join(parts)
            if not (formula.istitle() or formula.isupper()):
                tried += 1
                assert set(parse(formula).elements) == set(parts), formula
    assert tried >= 10


@pytest.mark.parametrize(
    ("text", "holds", "classes"),
    [
        ("stainless steel", "Fe Cr Ni Mo", {"alloy"}),
        ("316L", "Fe Cr Ni Mo", {"alloy"}),
        ("Brass", "Cu Zn", {"alloy"}),
        ("PTFE", "C F", {"polymer", "fluoropolymer"}),
        ("ptfe", "C F", {"polymer", "fluoropolymer"}),
        ("PVC", "C H Cl", {"polymer"}),
        ("PS", "C H", {"polymer"}),
        ("PDMS", "C H Si O", {"silicone"}),
        ("soda-lime glass", "Si O Na Ca", {"glass"}),
        ("[BMIM][TFSI]", "C H F N O S", {"ionic-liquid"}),
        ("HKUST-1", "Cu C H O", {"framework", "porous"}),
        ("zeolite", "Na Al Si O", {"porous"}),
        ("copper", "Cu", set()),
        ("Aluminium", "Al", set()),
        ("Ti-6Al-4V", "Ti Al V", {"alloy"}),
        ("10 % PVDF + 80 % NMC811 + 10 % carbon black", "C F Li Ni Mn Co O", {"fluoropolymer"}),
        ("gold on silicon", "Au Si", set()),
    ],
)
def test_named_materials_have_their_elements(text, holds, classes):
    composition = parse(text)

    assert set(holds.split()) <= set(composition.elements)
    assert classes <= composition.classes


def test_porous_materials_say_so():
    assert parse("HKUST-1").is_porous
    assert not parse("TiO2").is_porous
    assert parse("HKUST-1").is_named
    assert not parse("TiO2").is_named


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("Xx", "'Xx' at character 1 is not an element"),
        ("TiXx2", "'Xx' at character 3 is not an element"),
        ("  TiXx2", "'Xx' at character 5 is not an element"),
        ("co", "'co' at character 1 is not an element; a symbol starts with a capital, such as Co"),
        ("tio2", "such as Ti"),
        ("NACL", "'A' at character 2 is not an element"),
        ("Oq", "'Oq' at character 1 is not an element"),
        ("CuSO4·5Hx2Qo", "'Qo' at character 11 is not an element"),
        ("Ti(O2", r"the bracket '\(' is not closed \(character 3\)"),
        ("TiO2)", r"'\)' at character 5 closes no bracket"),
        ("Ti0O2", r"the amount 0 must be above zero \(character 3\)"),
        ("Ti99999999O", r"above 1e\+06 \(character 3\)"),
        ("120% Cu", "120 % is more than the whole"),
        ("80% Cu + 40% Zn", "the percents add up to 120"),
        ("Ti$O2", r"'\$' at character 3 has no meaning there"),
        ("TiO2\x00", r"the sign U\+0000 at character 5"),
        ("5", "a formula is missing"),
        ("((((((((((((((C))))))))))))))", "nested more than 12 deep"),
        ("unobtainium", "'unobtainium' at character 1"),
        ("", "Enter the composition"),
        ("   ", "Enter the composition"),
        ("C" * 201, "201 characters"),
    ],
)
def test_given_nonsense_when_read_then_it_is_refused_by_its_place(text, says):
    with pytest.raises(Refused, match=says):
        parse(text)


@given(st.text(max_size=60))
def test_given_any_text_when_read_then_there_is_an_answer_or_one_sentence(text):
    try:
        composition = parse(text)
    except Refused as refusal:
        said = str(refusal)
    else:
        said = ""
        assert abs(sum(share for _, share in composition.parts) - 1) < 1e-6
    assert len(said.splitlines()) <= 1


@given(st.text(alphabet="CHONaTiSl()[]0123456789.,·*-+ %x/", max_size=30))
def test_given_any_mix_of_symbols_when_read_then_only_elements_come_out(text):
    try:
        composition = parse(text)
    except Refused:
        return
    assert set(composition.elements) <= set(elements())


def test_every_named_material_is_found_by_each_of_its_names():
    for material in named_materials():
        assert material.source
        for name in (material.name, *material.aliases):
            assert find_named(name) is material
            assert parse(name).elements


def test_no_name_hides_an_element_symbol():
    for symbol in elements():
        assert parse(symbol).elements == (symbol,)
