"""What can go wrong with a holder as it stands: one function for each rule, all in RULES.

Plain values in, findings out. Limits come by name from the layout's rules; a rule whose inputs
are missing stays silent. Distances and lines are computed by geometry and samples.matter.
"""

from samples.risks import (  # noqa: F401  importing a module registers its rules
    beam,
    evaporation,
    gas,
    hazards,
    heights,
    mounting,
    neighbours,
    outline,
    overlaps,
    powder,
)
from samples.risks.case import read_case
from samples.risks.registry import RULES

__all__ = ["RULES", "assess"]


def assess(layout, surroundings=None, *, on_problem=None):
    """Every finding on a layout, gravest first, then in the order of the registry.

    Takes:   layout; surroundings, what else is known (samples.matter.declared), or None;
             on_problem, a function that gets each Refused in place of it being raised.
    Raises:  Refused, naming the mount, for a composition, line or mounting that means nothing.
    >>> from samples.layout import read_layout
    >>> at = {"shape": "disc", "diameter_mm": 5, "x_mm": 0, "y_mm": 0}
    >>> layout = read_layout({"holder": {"shape": "disc", "diameter_mm": 25.4}, "mounts": [
    ...     {"id": "p1", "footprint": at, "form": "powder", "composition": "TiO2"}]})
    >>> [(one.rule, one.severity) for one in assess(layout)]
    [('PWD-01', 'stop')]
    """
    case = read_case(layout, surroundings, on_problem=on_problem)
    found = [one for each in RULES.values() for one in each.findings(case)]
    return sorted(found, key=lambda one: -one.rank)
