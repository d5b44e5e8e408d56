"""What a sample is made of: formulas as chemists write them, and materials known by name."""

import re
from dataclasses import dataclass
from functools import lru_cache

from facility.errors import Refused
from samples.matter.spellings import tidy
from samples.matter.substances import Element, by_name, elements, small_letters

LONGEST_TEXT = 200
DEEPEST_BRACKETS = 12
LARGEST_AMOUNT = 1e6
UNKNOWN_AMOUNT = 0.5  # what x, y or δ stands for; only presence counts
TRACE = 1e-9  # an amount below it is arithmetic, not matter

OPENING = {"(": ")", "[": "]", "{": "}"}
VARIABLES = "xyznδ"
SEPARATORS = "·*/@:;,+-&"
_NUMBER = re.compile(r"[12]/[3]|[13]/[48]|1/2|\d+(?:\.\d+)?|\.\d+")
_SPACED_NUMBER = re.compile(r" +(?=\d+(?:\.\d+)?(?: *$| +[A-Z(\[]))")
_OXIDATION_STATE = re.compile(r"\((?:I{1,3}|IV|VI{0,3})\)(?!\d)")
_FACE = re.compile(r"\s*(?:\(-?\d[-\d\s]{1,5}\d\)|\[-?\d[-\d\s]{1,5}\d\])")
_VARIABLE = re.compile(r"(?:[-+±]\s?[xyznδd]|[xyznδ])(?![a-z])")
_CHARGE = re.compile(r"\^?\s*(?:(?P<n>\d{1,2})(?P<sign>[+-])|(?P<signs>[+]{1,4}|-{1,4})(?P<m>\d?))")
_PERCENT = re.compile(
    r"\(?\s*(\d+(?:[.,]\d+)?)\s*(?P<unit>(?:wt|at|mol|mass|vol|w)\b\.?)?\s*-?%\s*\)?", re.I
)
_UNIT_AFTER = re.compile(
    r"\(?\s*(\d+(?:[.,]\d+)?)\s*%\s*(?P<unit>wt|at|mol|mass|vol|w)\b\.?\s*\)?", re.I
)
_WORDS = re.compile(r"[^·*/@;,+%()]*")
_LINKS = re.compile(
    r"(?:and|on|in|with|of|doped|powders?|nanopowder|nanoparticles?|NPs|nanowires?|thin|films?|"
    r"foils?|pellets?|single|crystals?|coatings?|layers?|bulk|sheets?|wires?|native|porous|sample)\b"
)
_REMARK = re.compile(r"\s+\((?:[a-zα-ω][^()%]*)\)")


@dataclass(frozen=True, slots=True)
class Composition:
    """Elements with their amounts, and what is known of the material where it has a name.

    `parts` are (symbol, share of all atoms) in the order written; `classes` are words for the
    rules: polymer, alloy, silicone, porous, molecular ...; `melting_c` is where it melts.
    """

    text: str
    parts: tuple[tuple[str, float], ...]
    name: str | None = None
    classes: frozenset = frozenset()
    melting_c: float | None = None
    charge: int = 0
    pieces: tuple[tuple[tuple[str, float], ...], ...] = ()

    @property
    def is_named(self):
        return self.name is not None

    @property
    def elements(self):
        """Symbols, in the order written."""
        return tuple(symbol for symbol, _ in self.parts)

    @property
    def amounts(self):
        """Share of all atoms by symbol.

        >>> parse("SiO2").amounts["O"]
        0.6667
        """
        return {symbol: round(share, 4) for symbol, share in self.parts}

    @property
    def is_element(self):
        return len(self.parts) == 1

    @property
    def is_porous(self):
        return "porous" in self.classes

    def __contains__(self, symbol):
        return symbol in self.elements

    def __str__(self):
        return self.name or self.text


def find_named(text):
    """The named material (or element) a text stands for, or None.

    >>> find_named("Stainless  steel 316L").name
    'stainless steel 316'
    >>> find_named("Co") is None
    True
    >>> find_named("tin").name, find_named("TiN")
    ('tin', None)
    """
    exact, folded = by_name()
    said = " ".join(text.split())
    if found := exact.get(said):
        return found
    if found := folded.get(said.casefold()):
        return None if _is_formula(said) else found
    return small_letters().get(said) if said.islower() else None


def _is_formula(text):
    """Whether its capitals say that a text is a formula and no name: TiN, IrON, CoAl.

    Names are written small, with a first capital, or all in capitals.
    """
    words = re.findall(r"[^\W\d_]+", text)
    if all(word.islower() or word.isupper() or word.istitle() for word in words):
        return False
    try:
        _Reader(text, names=False).composition()
    except Refused:
        return False
    return True


# Reading


@lru_cache(maxsize=4096)
def parse(text):
    """The composition that a text stands for.

    Takes:   text, a formula (`CuSO4·5H2O`, `Ti0.98Nb0.02O2`, `[Fe(CN)6]4-`), a mixture
             (`5 wt% Pt/TiO2`, `SiO2 + 3 % C`) or the name of a material (`brass`, `PTFE`).
    Returns: Composition; shares of atoms sum to 1. Weight percents are turned into atoms.
    Raises:  Refused with what is wrong and at which character.
    >>> parse("CuSO4·5H2O").elements
    ('Cu', 'S', 'O', 'H')
    >>> parse("CO").elements, parse("Co").elements
    (('C', 'O'), ('Co',))
    >>> parse("TiXx2")
    Traceback (most recent call last):
    ...
    facility.errors.Refused: Composition 'TiXx2': 'Xx' at character 3 is not an element.
    """
    if not isinstance(text, str) or not text.strip():
        raise Refused("Enter the composition: a formula such as TiO2, or a name such as brass.")
    if len(text) > LONGEST_TEXT:
        raise Refused(
            f"The composition has {len(text)} characters; at most {LONGEST_TEXT} are read."
        )
    if (named := _named(text)) is not None:
        return named
    return _Reader(text).composition()


def _named(text):
    found = find_named(text)
    if found is None:
        return None
    if isinstance(found, Element):
        return Composition(
            text.strip(), ((found.symbol, 1.0),), found.name, pieces=(((found.symbol, 1.0),),)
        )
    inner = _Reader(found.formula, names=False).composition()
    return Composition(
        text.strip(), inner.parts, found.name, found.classes, found.melting_c, 0, inner.pieces
    )


class _Reader:
    """Reads one text from left to right; `origin` keeps each sign's place in what was typed."""

    def __init__(self, text, *, names=True):
        self.typed = text
        self.names = names
        self.text, self.origin = tidy(text)
        self.at = 0
        self.charge = 0

    # the whole

    def composition(self):
        pieces = self._pieces()
        totals = {}
        for amounts, weight in pieces:
            for symbol, amount in amounts.items():
                totals[symbol] = totals.get(symbol, 0.0) + amount * weight
        whole = sum(totals.values())
        if whole <= TRACE:
            raise Refused(f"Composition {self.typed.strip()!r} holds no element.")
        parts = tuple((symbol, amount / whole) for symbol, amount in totals.items())
        classes = frozenset().union(*(classes for classes in self.classes))
        return Composition(
            self.typed.strip(),
            parts,
            classes=classes,
            charge=self.charge if len(pieces) == 1 else 0,
            pieces=tuple(tuple(amounts.items()) for amounts, _ in pieces),
        )

    def _pieces(self):
        """Substances of a mixture, each with the number of formula units it counts."""
        self.classes = []
        found = []  # (amounts, percent or None, unit)
        while self._skip_separators():
            start = self.at
            percent, unit = self._percent()
            amounts = self._substance()
            if percent is None:
                percent, unit = self._percent()
            if percent is not None and percent > 100:
                self._refuse(f"{percent:g} % is more than the whole", start)
            found.append((amounts, percent, unit))
        if not found:
            self._refuse("no element is there", 0)
        return self._weighed(found)

    def _weighed(self, found):
        stated = sum(percent for _, percent, _ in found if percent is not None)
        if not any(percent is not None for _, percent, _ in found):
            return [(amounts, 1.0) for amounts, _, _ in found]
        if stated > 100.5:
            raise Refused(
                f"Composition {self.typed.strip()!r}: the percents add up to {stated:g}; "
                f"they must be at most 100."
            )
        open_shares = sum(percent is None for _, percent, _ in found)
        rest = max(100 - stated, 0.0) / open_shares if open_shares else 0.0
        by_mass = not any((unit or "").startswith(("at", "mol")) for _, _, unit in found)
        weighed = []
        for amounts, percent, _ in found:
            share = rest if percent is None else percent
            atoms = sum(amounts.values())
            mass = sum(elements()[symbol].mass * n for symbol, n in amounts.items())
            weighed.append((amounts, share / (mass if by_mass else atoms)))
        return weighed

    # parts of a mixture

    def _skip_separators(self):
        """Move to the next substance; False at the end."""
        while self.at < len(self.text):
            if remark := _REMARK.match(self.text, self.at) or _FACE.match(self.text, self.at):
                self.at = remark.end()
            elif self.text[self.at] == " " or self.text[self.at] in SEPARATORS + ".":
                self.at += 1
            elif word := _LINKS.match(self.text, self.at):
                self.at = word.end()
            else:
                return True
        return False

    def _percent(self):
        start = self._after_spaces()
        found = _UNIT_AFTER.match(self.text, start) or _PERCENT.match(self.text, start)
        if not found:
            return None, None
        self.at = found.end()
        while self.at < len(self.text) and self.text[self.at] in " :":
            self.at += 1
        return float(found.group(1).replace(",", ".")), (found.group("unit") or "").lower()

    def _substance(self):
        """One formula, hydrate parts not included, or one material known by its name."""
        if self.names and (found := self._name_ahead()):
            return found
        self.at = self._after_spaces()
        factor = self._number()
        self.at = self._after_spaces()
        amounts = self._group(closing=None, depth=0)
        if not amounts:
            self._refuse_sign()
        return {symbol: n * (1.0 if factor is None else factor) for symbol, n in amounts.items()}

    def _name_ahead(self):
        """Amounts of a material whose name comes next, longest name first; None where none does."""
        words = _WORDS.match(self.text, self.at).group()
        while words.strip():
            found = find_named(words)
            if found is not None:
                self.at += len(words.rstrip())
                if isinstance(found, Element):
                    return {found.symbol: 1.0}
                self.classes.append(found.classes)
                return dict(_Reader(found.formula, names=False).composition().parts)
            words = words[: max(words.rfind(" "), words.rfind(":"), 0)]
        return None

    # formulas

    def _group(self, *, closing, depth):
        """Elements and brackets up to `closing`, or up to what ends a formula."""
        if depth > DEEPEST_BRACKETS:
            self._refuse(f"brackets are nested more than {DEEPEST_BRACKETS} deep", self.at)
        opened_at = self.at - 1
        amounts = {}
        while self.at < len(self.text):
            char = self.text[self.at]
            if char == closing:
                self.at += 1
                return amounts
            if char in OPENING:
                if amounts and (state := _OXIDATION_STATE.match(self.text, self.at)):
                    self.at = state.end()
                    continue
                if depth == 0 and _FACE.match(self.text, self.at):
                    break
                if depth == 0 and _REMARK.match(self.text, max(self.at - 1, 0)):
                    break
                if depth == 0 and amounts and _PERCENT.match(self.text, self.at):
                    break
                self.at += 1
                inner = self._group(closing=OPENING[char], depth=depth + 1)
                self._add(amounts, inner, self._subscript(single=False))
            elif char.isalpha() and char.isupper():
                symbol = self._symbol()
                self._add(amounts, {symbol: 1.0}, self._subscript(single=not amounts))
            elif closing is not None and char in "·*., ;/:-+":
                self.at += 1  # inside brackets a hydrate or a list of elements: (Ba,Sr)TiO3
                factor = self._number() or 1.0
                if factor != 1.0:
                    rest = self._group(closing=closing, depth=depth + 1)
                    self._add(amounts, rest, factor)
                    return amounts
            elif closing is None and amounts and (char in SEPARATORS + ". %" or char.isdigit()):
                break
            else:
                self._refuse_sign()
        if closing is not None:
            self._refuse(f"the bracket '{self.text[opened_at]}' is not closed", opened_at)
        return amounts

    def _symbol(self):
        table = elements()
        for length in (2, 1):
            symbol = self.text[self.at : self.at + length]
            if len(symbol) != length or (length == 2 and not symbol[1].islower()):
                continue
            if symbol in table or symbol == "D":
                follows = self.text[self.at + length : self.at + length + 1]
                if follows.islower() and follows not in VARIABLES:
                    break  # Oq: neither an element nor an amount
                self.at += length
                return "H" if symbol == "D" else symbol
        word = re.compile(r".[a-zα-ω]*").match(self.text, self.at).group()
        self._refuse(f"'{word[:12]}' at character {self._place(self.at)} is not an element")

    def _subscript(self, *, single):
        """Amount of what was just read; a charge is taken off first.

        `single`: this is the first element, so that Fe3+ is one iron with a charge of three.
        """
        if self._take_charge(single=single):
            return 1.0
        start = self.at
        if spaced := _SPACED_NUMBER.match(self.text, self.at):
            self.at = spaced.end()
        number = self._number()
        value = 1.0 if number is None else number
        if number is not None and self._take_charge(single=False):
            return value
        while variable := _VARIABLE.match(self.text, self.at):
            if number is None and variable.start() == start:
                value = UNKNOWN_AMOUNT
            self.at = variable.end()
        return value

    def _take_charge(self, *, single):
        """Read a charge that ends the formula here, if there is one."""
        found = _CHARGE.match(self.text, self.at)
        if not found or not self._ends(found.end()):
            return False
        digits = found.group("n") or found.group("m")
        marked = self.text[self.at] in "^ "
        if found.group("n") and not (single or marked or self.text[self.at - 1] in ")]}"):
            return self._take_glued_charge(found)
        if found.group("signs") and self.text[self.at] == " ":
            return False  # "TiO2 + C" is a mixture
        sign = found.group("sign") or found.group("signs")
        size = int(digits) if digits else len(sign)
        self.charge += size if sign[0] == "+" else -size
        self.at = found.end()
        return True

    def _take_glued_charge(self, found):
        """SO42-: the last digit is the charge, those before it the amount."""
        digits = found.group("n")
        if len(digits) < 2:
            # NH4+, NO3-: the digit is the amount, the sign a single charge
            self.charge += 1 if found.group("sign") == "+" else -1
            self.text = self.text[: found.end() - 1] + " " + self.text[found.end() :]
            return False
        size = int(digits[-1])
        self.charge += size if found.group("sign") == "+" else -size
        self.text = self.text[: found.end() - 2] + "  " + self.text[found.end() :]
        return False

    def _ends(self, at):
        """Whether nothing of the same formula follows."""
        if at >= len(self.text):
            return True
        if self.text[at] in ")]}":
            return True
        return self.text[at] in " ·*/@:;," and not _VARIABLE.match(self.text, at)

    def _number(self):
        found = _NUMBER.match(self.text, self._after_spaces() if self.at == 0 else self.at)
        if not found:
            return None
        over, _, under = found.group().partition("/")
        value = float(over) / float(under or 1)
        if value > LARGEST_AMOUNT:
            self._refuse(f"the amount {found.group()[:12]} is above {LARGEST_AMOUNT:g}", self.at)
        if value <= 0:
            self._refuse(f"the amount {found.group()[:12]} must be above zero", self.at)
        self.at = found.end()
        return value

    def _add(self, amounts, inner, factor):
        for symbol, amount in inner.items():
            amounts[symbol] = amounts.get(symbol, 0.0) + amount * factor

    # places and refusals

    def _after_spaces(self):
        at = self.at
        while at < len(self.text) and self.text[at] == " ":
            at += 1
        return at

    def _place(self, at):
        """Where a sign stands in what was typed, counted from 1."""
        return self.origin[min(at, len(self.origin) - 1)] + 1

    def _refuse(self, why, at=None):
        where = "" if at is None else f" (character {self._place(at)})"
        raise Refused(f"Composition {self.typed.strip()!r}: {why}{where}.")

    def _refuse_sign(self):
        if self.at >= len(self.text):
            self._refuse("a formula is missing at its end", len(self.text) - 1)
        char, place = self.text[self.at], self._place(self.at)
        if char in ")]}":
            self._refuse(f"'{char}' at character {place} closes no bracket")
        if char.isalpha():
            word = re.compile(r"[^\W\d_]+").match(self.text, self.at).group()
            capital = word[:2].capitalize()
            hint = (
                f"; a symbol starts with a capital, such as {capital}"
                if capital in elements()
                else ""
            )
            self._refuse(f"'{word[:20]}' at character {place} is not an element{hint}")
        shown = f"'{char}'" if char.isprintable() else f"the sign U+{ord(char):04X}"
        self._refuse(f"{shown} at character {place} has no meaning there")


def spoken(symbol):
    """Name of an element for a sentence.

    >>> spoken("Cu")
    'copper'
    """
    return elements()[symbol].name
