"""Findings: computed remarks about a load, a holder or an instrument. Plain values only."""

import math
from dataclasses import asdict, dataclass

NOTE, WARN, STAFF, STOP = "note", "warn", "staff", "stop"
SEVERITIES = (NOTE, WARN, STAFF, STOP)
"""From mildest to gravest; `staff` waits for a person, `stop` means "not yet"."""

_RANK = {severity: rank for rank, severity in enumerate(SEVERITIES)}


@dataclass(frozen=True, slots=True)
class Finding:
    """One remark of one rule, with the numbers that led to it.

    `about` holds the ids of what it is about (mounts of a layout), `says` the sentence for
    people, `do` what to do next, `source` where the rule or its limit comes from. `value` and
    `limit` are in `unit`; either may be None where a rule compares no numbers.
    """

    rule: str
    about: tuple[str, ...]
    severity: str
    value: float | None = None
    limit: float | None = None
    unit: str = ""
    says: str = ""
    do: str = ""
    source: str = ""

    def __post_init__(self):
        if self.severity not in _RANK:
            raise ValueError(
                f"severity of {self.rule} is {self.severity!r}, not one of {SEVERITIES}"
            )
        if isinstance(self.about, str):
            raise ValueError(f"about of {self.rule} must be a tuple of ids, not {self.about!r}")
        if not self.says:
            raise ValueError(f"finding {self.rule} says nothing")
        for name in ("value", "limit"):
            number = getattr(self, name)
            if number is not None and not math.isfinite(number):
                raise ValueError(f"{name} of {self.rule} is {number}, not a finite number")
        object.__setattr__(self, "about", tuple(self.about))

    @property
    def rank(self):
        """0 for a note, 3 for a stop: for sorting."""
        return _RANK[self.severity]

    def as_dict(self):
        """Plain values for JSON, `about` as a list."""
        return asdict(self) | {"about": list(self.about)}


def rank(severity):
    """Place of a severity in SEVERITIES, mildest 0.

    >>> rank("stop") > rank("staff") > rank("warn") > rank("note")
    True
    """
    return _RANK[severity]


def worst(findings):
    """The gravest severity among findings, or None where there are none.

    >>> worst([Finding("PWD-01", ("p1",), "stop", says="Loose powder is still there.")])
    'stop'
    >>> worst([]) is None
    True
    """
    return max((finding.severity for finding in findings), key=rank, default=None)


def gravest_first(findings):
    """Findings in the order people should read them: gravest first, then by rule and ids."""
    return sorted(findings, key=lambda finding: (-finding.rank, finding.rule, finding.about))
