"""Tables of matter: every element, and materials that people call by name."""

import csv
from dataclasses import dataclass
from functools import cache
from pathlib import Path

DATA = Path(__file__).parent / "data"


@dataclass(frozen=True, slots=True)
class Element:
    """A chemical element: symbol, number, name, mass [g/mol], whether it is a metal."""

    symbol: str
    number: int
    name: str
    mass: float
    is_metal: bool


@dataclass(frozen=True, slots=True)
class Material:
    """A material people call by name, with the nominal formula of what it is made of."""

    name: str
    aliases: tuple[str, ...]
    formula: str
    classes: frozenset
    melting_c: float | None
    source: str


@cache
def elements():
    """Every element by its symbol.

    >>> elements()["Cu"].name
    'copper'
    """
    with (DATA / "elements.csv").open(encoding="utf-8", newline="") as lines:
        return {
            row["symbol"]: Element(
                row["symbol"],
                int(row["number"]),
                row["name"],
                float(row["mass"]),
                row["metal"] == "yes",
            )
            for row in csv.DictReader(lines)
        }


@cache
def named_materials():
    """Every named material, in the order of the table."""
    with (DATA / "named_materials.csv").open(encoding="utf-8", newline="") as lines:
        return tuple(
            Material(
                row["name"],
                tuple(filter(None, row["aliases"].split("|"))),
                row["formula"],
                frozenset(row["classes"].split()),
                float(row["melting_c"]) if row["melting_c"] else None,
                row["source"],
            )
            for row in csv.DictReader(lines)
        )


@cache
def by_name():
    """Names as written, and in small letters.

    Abbreviations count in their own capitals (PS is polystyrene, not phosphorus and sulfur), or
    all in small letters, which no formula is.
    """
    exact, folded = {}, {}
    for element in elements().values():
        folded[element.name.casefold()] = element
    folded |= {"aluminum": elements()["Al"], "cesium": elements()["Cs"]}
    folded |= {"sulphur": elements()["S"]}
    for material in named_materials():
        for alias in (material.name, *material.aliases):
            (exact if _is_abbreviation(alias) else folded)[_key(alias)] = material
    return exact, folded


@cache
def small_letters():
    exact, _ = by_name()
    return {alias.casefold(): material for alias, material in exact.items()}


def _is_abbreviation(alias):
    """Whether a name counts only in its own capitals: it could be read as a formula otherwise."""
    return sum(char.isupper() for char in alias) > 1


def _key(alias):
    return alias if _is_abbreviation(alias) else " ".join(alias.casefold().split())
