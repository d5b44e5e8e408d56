"""The registry: what a rule is, and how it becomes a finding."""

from collections.abc import Callable
from dataclasses import dataclass

from facility.findings import Finding


@dataclass(frozen=True, slots=True)
class Hit:
    """What a rule function yields: a finding without its rule's own fields."""

    about: tuple[str, ...]
    severity: str
    says: str
    do: str = ""
    value: float | None = None
    limit: float | None = None
    unit: str = ""
    source: str = ""


@dataclass(frozen=True, slots=True)
class Rule:
    """One rule: its id and title, when it speaks and how gravely, who says so, who may override.

    `limits` are the names of the limits it compares with; `override` is staff, safety officer or
    nobody.
    """

    id: str
    title: str
    condition: str
    severities: tuple[str, ...]
    source: str
    limits: tuple[str, ...]
    override: str
    finds: Callable

    def findings(self, case):
        """This rule's findings on a case."""
        for hit in self.finds(case):
            if hit.severity not in self.severities:
                raise ValueError(f"{self.id} may be {self.severities}, not {hit.severity}")
            yield Finding(
                self.id,
                hit.about,
                hit.severity,
                value=hit.value,
                limit=hit.limit,
                unit=hit.unit,
                says=hit.says,
                do=hit.do,
                source=hit.source or self.source,
            )


RULES = {}


def rule(id_, title, condition, severities, source, *, limits=(), override="staff"):
    """Put a function into the registry."""

    def register(function):
        RULES[id_] = Rule(
            id_, title, condition, tuple(severities), source, tuple(limits), override, function
        )
        return function

    return register
