"""Core levels and Auger lines: which line a person wants, and what else lies on it."""

import csv
import re
from dataclasses import dataclass
from functools import cache, lru_cache
from pathlib import Path

from facility.errors import Refused
from samples.matter.substances import elements

DATA = Path(__file__).parent / "data"

AL_KALPHA_EV = 1486.6
"""Usual value in the trade; from memory."""
MG_KALPHA_EV = 1253.6
"""Usual value in the trade; from memory."""

CLOSE_EV, NEAR_EV = 3.0, 9.0
"""Two tiers of overlap. Own proposal, from a test on 38 known pairs and 56 elements."""

SLOWEST_EV = 20.0
"""Electrons slower than this are not measured: the line is out of the source's reach."""

OXIDISERS = frozenset({"N", "O", "F", "S", "Cl", "Br", "I"})
"""Partners beside which an element may be oxidised."""
AS_ELEMENT_EV = 1.0
"""Shift of an element among partners that do not oxidise it. Own proposal."""

TOO_WEAK = frozenset({"5s", "5p1/2"})
"""Levels too weak to hide another line. Own proposal, after photoelectric cross sections from
memory."""

_FAMILIES = {"K": "KLL", "L": "LMM", "M": "MNN", "N": "NOO"}
_LEVEL = re.compile(r"(?P<shell>[1-7])\s*(?P<kind>[a-z])\s*(?P<spin>[1-9]\s*/?\s*2?)?")
_AUGER = re.compile(r"[KLMNO][0-9,]*[KLMNOV][0-9,]*[KLMNOV][0-9,]*")
_SPINS = {"1": "1/2", "3": "3/2", "5": "5/2", "7": "7/2"}
_PLAIN = str.maketrans("₀₁₂₃₄₅₆₇₈₉⁄", "0123456789/")


@dataclass(frozen=True, slots=True)
class Line:
    """One line of an element on the binding-energy axis.

    `low_ev` to `high_ev` is the span of its chemical states, to `high_beside_ev` where one of
    the elements `beside` is in the sample too.
    """

    element: str
    level: str
    energy_ev: float
    low_ev: float
    high_ev: float
    is_principal: bool
    source: str
    beside: tuple[str, ...] = ()
    high_beside_ev: float | None = None
    is_auger: bool = False

    def __str__(self):
        if self.is_auger:
            return f"{self.element} {_FAMILIES[self.level[0]]} ({self.level})"
        return f"{self.element} {self.level}"

    def span(self, partners=()):
        """Lowest and highest energy [eV] over the chemical states that these partners allow.

        Without partners (nothing is known of the sample) every common state counts; partners
        that oxidise nothing leave the element as it is.

        >>> sulfur = core_lines("S")[3]
        >>> sulfur.level, sulfur.span(), sulfur.span(["O"])
        ('2p3/2', (160.7, 164.5), (160.7, 170.0))
        """
        if partners and OXIDISERS.isdisjoint(partners):
            return self.low_ev, min(self.high_ev, self.energy_ev + AS_ELEMENT_EV)
        wide = self.high_beside_ev if any(one in self.beside for one in partners) else None
        return self.low_ev, max(self.high_ev, wide or self.high_ev)


@dataclass(frozen=True, slots=True)
class AugerLine:
    """An Auger line: its kinetic energy is fixed, its place on the binding axis is not."""

    element: str
    transition: str
    needs_level: str
    kinetic_energy_ev: float
    source: str

    def on_binding_axis(self, photon_energy_ev):
        """This line as seen with these photons, or None where they cannot excite it.

        >>> copper = auger_lines("Cu")[2]
        >>> copper.transition, copper.on_binding_axis(AL_KALPHA_EV).energy_ev
        ('L3M45M45', 567.93)
        >>> copper.on_binding_axis(MG_KALPHA_EV).energy_ev
        334.93
        """
        needed = next(line for line in core_lines(self.element) if line.level == self.needs_level)
        energy = round(photon_energy_ev - self.kinetic_energy_ev, 2)
        if needed.energy_ev >= photon_energy_ev or energy <= 0:
            return None
        return Line(
            self.element, self.transition, energy, energy, energy, False, self.source, is_auger=True
        )


@dataclass(frozen=True, slots=True)
class Interference:
    """Another element's line on a wanted one.

    `apart_ev` is the distance from the span of the wanted line's states (0 inside it),
    `shift_ev` the signed distance from its usual energy.
    """

    wanted: Line
    line: Line
    apart_ev: float
    shift_ev: float

    @property
    def both_principal(self):
        return self.wanted.is_principal and self.line.is_principal


# Tables


@cache
def _core_rows():
    """Rows of the table by element, read but not yet made into lines: most are never asked for."""
    rows = {}
    with (DATA / "binding_energies.csv").open(encoding="utf-8", newline="") as lines:
        table = csv.reader(lines)
        next(table)
        for row in table:
            rows.setdefault(row[0], []).append(row)
    return rows


def _line(row):
    element, level, energy, low, high, high_beside, beside, principal, source = row
    return Line(
        element,
        level,
        float(energy),
        float(low),
        float(high),
        principal == "yes",
        source,
        tuple(beside.split()),
        float(high_beside) if high_beside else None,
    )


@cache
def _auger_table():
    table = {}
    with (DATA / "auger_lines.csv").open(encoding="utf-8", newline="") as lines:
        for row in csv.DictReader(lines):
            line = AugerLine(
                row["element"],
                row["transition"],
                row["needs_level"],
                float(row["kinetic_energy_ev"]),
                row["source"],
            )
            table.setdefault(line.element, []).append(line)
    return {element: tuple(lines) for element, lines in table.items()}


@cache
def core_lines(element):
    """Core levels of an element, deepest first; none for hydrogen and helium."""
    return tuple(_line(row) for row in _core_rows().get(element, ()))


def auger_lines(element):
    """Auger lines of an element that the table holds."""
    return _auger_table().get(element, ())


@lru_cache(maxsize=2048)
def lines_seen(element, photon_energy_ev=None):
    """Every line of an element on the binding axis; Auger lines only where the photons are known.

    >>> [str(line) for line in lines_seen("Al", AL_KALPHA_EV)]
    ['Al 2s', 'Al 2p1/2', 'Al 2p3/2']
    """
    if photon_energy_ev is None:
        return core_lines(element)
    reach = photon_energy_ev - SLOWEST_EV
    core = [line for line in core_lines(element) if line.energy_ev <= reach]
    auger = (line.on_binding_axis(photon_energy_ev) for line in auger_lines(element))
    return (*core, *(line for line in auger if line is not None and line.energy_ev <= reach))


# The wanted line


@lru_cache(maxsize=4096)
def wanted_lines(text, photon_energy_ev=None):
    """The lines that a wish names, a doublet as its two components.

    Takes:   text such as `Cu 2p`, `Cu 2p3/2`, `Cu LMM`; photon_energy_ev [eV] or None.
    Returns: tuple of Line, the usual component last.
    Raises:  Refused when there is no such element or line, or the photons cannot reach it.
    >>> [str(line) for line in wanted_lines("Cu 2p", AL_KALPHA_EV)]
    ['Cu 2p1/2', 'Cu 2p3/2']
    >>> wanted_lines("Cu 7p")
    Traceback (most recent call last):
    ...
    facility.errors.Refused: Wanted line 'Cu 7p': copper has no 7p line to measure; it has 1s, 2s, 2p, 3s, 3p.
    """
    element, rest = _split(text)
    if _AUGER.fullmatch(rest):
        return _wanted_auger(text, element, rest, photon_energy_ev)
    level = _LEVEL.fullmatch(rest)
    lines = core_lines(element)
    if not level or not lines:
        raise Refused(f"Wanted line {text!r}: {_what_there_is(element, rest)}")
    name = level["shell"] + level["kind"]
    if level["spin"]:
        name += _SPINS.get(level["spin"][0], level["spin"])
    found = tuple(line for line in lines if line.level == name or line.level[:2] == name)
    if not found:
        raise Refused(f"Wanted line {text!r}: {_what_there_is(element, name)}")
    if photon_energy_ev is not None:
        reached = tuple(line for line in found if line in lines_seen(element, photon_energy_ev))
        if not reached:
            raise Refused(
                f"Wanted line {text!r} lies at {found[-1].energy_ev:g} eV, out of reach of "
                f"{photon_energy_ev:g} eV photons; name another line of {elements()[element].name}."
            )
        found = reached
    return found


def _split(text):
    """Element symbol and the rest of a wish."""
    tidy = str(text).translate(_PLAIN).strip()
    word = re.match(r"[^\W\d_]+", tidy)
    if not word:
        raise Refused(f"Wanted line {text!r} names no element; write it as Cu 2p or Cu 2p3/2.")
    table = elements()
    symbol = word.group()
    by_name = [one.symbol for one in table.values() if one.name == symbol.casefold()]
    if symbol not in table and by_name:
        return by_name[0], tidy[len(symbol) :].strip()
    if symbol not in table and symbol[:-3] in table and _AUGER.fullmatch(symbol[-3:]):
        return symbol[:-3], tidy[len(symbol) - 3 :].strip()
    if symbol not in table:
        small = symbol.capitalize()
        hint = f"; write {small}" if small in table else ""
        raise Refused(f"Wanted line {text!r}: {symbol!r} is not an element{hint}.")
    return symbol, tidy[len(symbol) :].strip()


def _wanted_auger(text, element, transition, photon_energy_ev):
    found = [
        line
        for line in auger_lines(element)
        if line.transition == transition or _FAMILIES[line.transition[0]] == transition
    ]
    if not found:
        raise Refused(
            f"Wanted line {text!r}: the table holds no {transition} line of "
            f"{elements()[element].name}; name a core level."
        )
    if photon_energy_ev is None:
        return ()
    seen = tuple(filter(None, (line.on_binding_axis(photon_energy_ev) for line in found)))
    if not seen:
        raise Refused(f"Wanted line {text!r} is not excited by {photon_energy_ev:g} eV photons.")
    return seen


def _what_there_is(element, name):
    """Which lines an element has, in a sentence."""
    spoken = elements()[element].name
    levels = list(dict.fromkeys(line.level[:2] for line in core_lines(element)))
    if not levels:
        return f"{spoken} has no core level to measure."
    if not name:
        return f"name its level as well, such as {element} {levels[-1]}."
    return f"{spoken} has no {name[:12]} line to measure; it has {', '.join(levels)}."


# Interference


def apart(line, low_ev, high_ev):
    """Distance of a line from a span of energies [eV], 0 inside it.

    >>> apart(wanted_lines("Al 2s")[0], 120.0, 130.0)
    2.2
    """
    beyond = max(low_ev - line.energy_ev, line.energy_ev - high_ev, 0.0)
    return round(beyond, 2)


def interferences(
    wanted, others, photon_energy_ev=None, *, partners=(), near_ev=NEAR_EV, close_ev=CLOSE_EV
):
    """Lines of other elements on a wanted line, nearest first.

    Takes:   wanted, a Line; others, element symbols; photon_energy_ev [eV] or None (then Auger
             lines are left out, their place is unknown); partners, the elements of the sample
             (they decide which chemical states are possible).
    Returns: list of Interference: within near_ev of the usual energy, or within close_ev of the
             span of chemical states.
    Source:  own proposal; energies from the tables, each row with its source.
    >>> ruthenium = interferences(wanted_lines("C 1s")[0], ["Ru"])
    >>> [(str(one.line), one.shift_ev) for one in ruthenium]
    [('Ru 3d3/2', -0.6), ('Ru 3d5/2', -4.8)]
    """
    low, high = wanted.span(partners)
    # Most lines are far away: one comparison settles them.
    first = min(wanted.energy_ev - near_ev, low - close_ev)
    last = max(wanted.energy_ev + near_ev, high + close_ev)
    found = []
    for element in dict.fromkeys(others):
        if element == wanted.element:
            continue
        for line in lines_seen(element, photon_energy_ev):
            if not first <= line.energy_ev <= last or line.level in TOO_WEAK:
                continue
            shift = round(line.energy_ev - wanted.energy_ev, 2)
            beyond = apart(line, low, high)
            if abs(shift) <= near_ev or beyond <= close_ev:
                found.append(Interference(wanted, line, beyond, shift))
    return sorted(found, key=lambda one: (one.apart_ev, abs(one.shift_ev)))


def alternates(element, others, photon_energy_ev=None, *, besides=(), partners=(), near_ev=NEAR_EV):
    """Lines of an element that nothing among `others` lies on, the strongest shells first.

    Takes:   element; others, element symbols; besides, lines not to offer again.
    Returns: tuple of Line, at most three.
    >>> [str(line) for line in alternates("Pt", ["Al", "O"], AL_KALPHA_EV)]
    ['Pt 4d5/2', 'Pt 4d3/2', 'Pt 4p3/2']
    """
    free = [
        line
        for line in lines_seen(element, photon_energy_ev)
        if line not in besides
        and not line.is_auger
        and line.energy_ev > SLOWEST_EV
        and not interferences(line, others, photon_energy_ev, partners=partners, near_ev=near_ev)
    ]
    shell = next((one.level[0] for one in core_lines(element) if one.is_principal), "0")

    def weakness(line):
        """The shell of the principal line is the strongest, and there the higher momentum."""
        return line.level[0] != shell, -"spdf".index(line.level[1]), line.energy_ev

    free.sort(key=lambda line: (not line.is_principal, *weakness(line)))
    return tuple(free[:3])
