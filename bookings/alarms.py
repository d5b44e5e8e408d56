"""The alarm budget: how many of the holders that were loaded had a warning or a stop."""

from collections import Counter
from dataclasses import dataclass, field

from bookings import flag
from bookings.models import Load
from facility.findings import STOP
from samples import bench, limits, risks
from samples.matter.declared import Surroundings

WARN_AT_MOST, STOP_AT_MOST = 0.15, 0.01  # of ordinary holders; own proposal


@dataclass
class Budget:
    """Loads looked at; those that asked anything new; those with a stop; counts by rule.

    `standing` are the loads with anything graver than a note, asked before or not.
    """

    loads: int = 0
    standing: int = 0
    warned: int = 0
    stopped: int = 0
    by_rule: Counter = field(default_factory=Counter)

    @property
    def warned_part(self):
        return self.warned / self.loads if self.loads else 0.0

    @property
    def stopped_part(self):
        return self.stopped / self.loads if self.loads else 0.0

    @property
    def holds(self):
        return self.warned_part <= WARN_AT_MOST and self.stopped_part <= STOP_AT_MOST


def measure(loads=None):
    """Findings of each load's holder as it stood when the door closed, under the limits in force.

    The same finding is asked once, as its flag is. What a holder remembers is left out: it speaks
    of the load before.
    """
    budget, rules, asked = Budget(), limits.in_force(), set()
    if loads is None:
        loads = Load.objects.select_related("holder__type", "instrument").order_by("loaded_at")
    for load in loads:
        mounts = load.mounts_inside()
        if not mounts:
            continue
        read = bench.layout_of(load.holder, mounts, load.instrument, rules=rules)
        around = Surroundings(of={f"p{m.position}": bench.declared_of(m.sample) for m in mounts})
        found = risks.assess(read, around, on_problem=lambda refusal: None)
        keys = dict(flag.keys_of(load.holder, mounts, found))
        new = [one for key, one in keys.items() if key not in asked]
        asked |= keys.keys()
        budget.loads += 1
        budget.standing += bool(keys)
        budget.warned += bool(new)
        budget.stopped += any(one.severity == STOP for one in new)
        budget.by_rule.update({(one.rule, one.severity) for one in new})
    return budget
