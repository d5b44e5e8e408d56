"""What kind of material a sample is, as far as the rules of the bench ask."""

import csv
from functools import cache
from pathlib import Path

from facility.errors import Refused
from samples.matter.composition import parse
from samples.matter.substances import elements

DATA = Path(__file__).parent / "data"

FERROMAGNETIC = frozenset({"Fe", "Co", "Ni", "Gd"})
"""Elements whose metal a magnetic lens pulls; from memory."""

NO_STABLE_ISOTOPE = frozenset(
    {"Tc", "Pm", "Po", "At", "Rn", "Fr", "Ra", "Ac", "Th", "Pa", "U", "Np", "Pu", "Am", "Cm"}
    | {"Bk", "Cf"}
)
"""Elements of which every isotope is radioactive; from memory."""


@cache
def _beam_sensitive():
    with (DATA / "beam_sensitive.csv").open(encoding="utf-8", newline="") as lines:
        return [(row["material"], row["how"], row["source"]) for row in csv.DictReader(lines)]


def beam_damage(composition):
    """How X-rays change a material and who says so, or None where nothing is known.

    >>> beam_damage(parse("PdO"))[0]
    'reduces to palladium metal'
    >>> beam_damage(parse("PET")) is None
    True
    """
    for material, how, source in _beam_sensitive():
        if material.startswith("class:"):
            if material.removeprefix("class:") in composition.classes:
                return how, source
        elif composition.name == material or _holds(composition, material):
            return how, source
    return None


def _holds(composition, formula):
    """Whether one substance of a sample is this compound, whatever water it carries."""
    try:
        wanted = parse(formula)
    except Refused:  # the row names a material, not a formula
        return False
    if wanted.is_named:
        return False
    return any(_same(dict(piece), dict(wanted.parts)) for piece in composition.pieces)


def _same(amounts, others):
    if amounts.keys() != others.keys():
        return False
    whole, other_whole = sum(amounts.values()), sum(others.values())
    return all(
        abs(amount / whole - others[symbol] / other_whole) < 0.01
        for symbol, amount in amounts.items()
    )


def is_fluoro_organic(composition):
    """Whether fluorine sits on carbon: by class, or a formula of carbon, fluorine and no metal.

    >>> is_fluoro_organic(parse("PTFE")), is_fluoro_organic(parse("CaF2"))
    (True, False)
    """
    if composition.classes & {"fluoropolymer", "fluoro-organic"}:
        return True
    table = elements()
    return any(
        {"C", "F"} <= {symbol for symbol, _ in piece}
        and not any(table[symbol].is_metal for symbol, _ in piece)
        for piece in composition.pieces
    )


def is_polymer(composition):
    """Whether it is a polymer or a biological material."""
    return bool(composition.classes & {"polymer", "biological"})


def is_ferromagnetic(composition):
    """Whether a magnet pulls it: by class, or a metal or alloy that holds Fe, Co, Ni or Gd.

    >>> is_ferromagnetic(parse("Ni")), is_ferromagnetic(parse("316L")), is_ferromagnetic(parse("NiO"))
    (True, False, False)
    """
    if "ferromagnetic" in composition.classes:
        return True
    if "alloy" in composition.classes:
        return False  # its class would say so
    table = elements()
    return any(
        FERROMAGNETIC & {symbol for symbol, _ in piece}
        and all(table[symbol].is_metal for symbol, _ in piece)
        for piece in composition.pieces
    )


def is_magnet(composition):
    """Whether it is a permanent magnet."""
    return "magnet" in composition.classes


def radioactive_elements(composition):
    """Elements of a sample that have no stable isotope.

    >>> radioactive_elements(parse("UO2"))
    ('U',)
    """
    return tuple(symbol for symbol in composition.elements if symbol in NO_STABLE_ISOTOPE)


def oil_or_grease(composition):
    """The word for an oil or grease that a sample is or holds, or None."""
    return next((word for word in ("oil", "grease") if word in composition.classes), None)


def creeping(composition):
    """Silicone or plasticised polymer: the word for what creeps and deposits, or None."""
    words = {"silicone": "silicone", "plasticised": "a plasticised polymer"}
    return next((word for kind, word in words.items() if kind in composition.classes), None)
