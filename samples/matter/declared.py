"""What people declare of a sample, and what a holder remembers, beyond the layout document.

All of it may be missing; a rule that needs it then stays silent. A layout document may carry the
fields of `Declared` in its mounts, under the same names.
"""

from dataclasses import dataclass, field, fields
from types import MappingProxyType

from facility.errors import Refused

QUESTIONS = ("composition", "oxidation state", "polymer", "contamination", "depth profile")

CLEANED_WITH_A_BLANK = frozenset({"silicone", "mercury", "iodine", "sulfur"})
"""What a holder may keep though it looks clean: asks for a blank as well. Own proposal."""


@dataclass(frozen=True, slots=True)
class Declared:
    """Plans, history and hazards of one mount, None where nobody has said."""

    ion_gun: bool | None = None
    question: str | None = None
    magnetic: bool | None = None
    magnetic_lens: bool | None = None
    particle_nm: float | None = None
    extracted: bool | None = None
    immersed: bool | None = None
    dried: bool | None = None
    rinsed: bool | None = None
    hazards: tuple[str, ...] = ()
    permit: bool | None = None
    beam_minutes: float | None = None


@dataclass(frozen=True, slots=True)
class Past:
    """A risky thing that a holder or chamber carried: what, when, what was done since."""

    what: str
    kind: str
    when: str
    cleaned: bool = False
    blank: bool = False
    where: str = "holder"
    inside_dedication: bool = False

    @property
    def is_open(self):
        """Whether it may still come off: until cleaned, with a blank where the kind asks."""
        if self.inside_dedication:
            return False
        return not self.cleaned or (self.kind in CLEANED_WITH_A_BLANK and not self.blank)


@dataclass(frozen=True, slots=True)
class Blank:
    """One element on a blank measured after a risky sample, against its history [at.%]."""

    element: str
    at_percent: float
    mean: float
    spread: float
    seen_twice: bool = False


@dataclass(frozen=True, slots=True)
class Surroundings:
    """Everything the rules may use beside the layout.

    `of` holds Declared by mount id; `hidden` the mounts whose composition the reader may not
    know; `mountings` what the facility added to the mounting media; `passes_gauge` whether the
    holder goes under the go/no-go gauge of `gauge_mm`.
    """

    of: MappingProxyType = field(default_factory=lambda: MappingProxyType({}))
    past: tuple[Past, ...] = ()
    blanks: tuple[Blank, ...] = ()
    hidden: frozenset = frozenset()
    mountings: MappingProxyType = field(default_factory=lambda: MappingProxyType({}))
    passes_gauge: bool | None = None
    gauge_mm: float | None = None


NUMBERS = ("particle_nm", "beam_minutes")
TEXTS = ("question",)


def surroundings_of(document):
    """What a layout document itself declares of its mounts.

    Raises: Refused when a field has the wrong kind of value.
    >>> document = {"mounts": [{"id": "p1", "ion_gun": True, "hazards": ["nano"]}]}
    >>> surroundings_of(document).of["p1"].hazards
    ('nano',)
    """
    rows = document.get("mounts") or []
    return Surroundings(MappingProxyType({row.get("id"): declared_of(row) for row in rows}))


def declared_of(row):
    """The Declared of one mount of a document."""
    values = {}
    for one in fields(Declared):
        value = row.get(one.name)
        if value is not None:
            values[one.name] = _read(row.get("id"), one.name, value)
    return Declared(**values)


def _read(mount, name, value):
    if name == "hazards":
        if not isinstance(value, list) or not all(isinstance(each, str) for each in value):
            raise Refused(f"{name} of mount {mount} must be a list of texts.")
        return tuple(each.strip() for each in value if each.strip())
    if name in NUMBERS:
        if isinstance(value, bool) or not isinstance(value, int | float) or not 0 <= value < 1e12:
            raise Refused(f"{name} of mount {mount} must be a number of 0 or more.")
        return float(value)
    if name in TEXTS:
        if not isinstance(value, str) or value.casefold().strip() not in QUESTIONS:
            raise Refused(f"{name} of mount {mount} must be one of {', '.join(QUESTIONS)}.")
        return value.casefold().strip()
    if not isinstance(value, bool):
        raise Refused(f"{name} of mount {mount} must be true or false.")
    return value
