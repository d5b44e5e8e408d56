"""What is planted in the demo year: what, where, from when to when, in which runs.

Later tests compare what the tool finds with this list. Dates are counted back from the moment at
which the demo was filled; what lies before the demo's first fortnight is left out.
"""

from dataclasses import dataclass, field
from datetime import datetime, timedelta

SETTLING = timedelta(days=12)  # of ordinary runs before the first thing planted


@dataclass
class Planted:
    """One thing that goes wrong on purpose."""

    what: str
    instrument: str  # slug; empty where a holder carries it from one to the other
    start: datetime
    end: datetime
    cause: str = ""  # leak, outgassing, slow_pump, gauge; empty where no pump-down shows it
    size: float = 0.0
    says: str = ""
    holder: str = ""  # short name
    element: str = ""
    values: tuple = ()
    pumpdowns: list = field(default_factory=list)  # the runs that show it
    loads: list = field(default_factory=list)  # the loads that it touched, in order
    flags: list = field(default_factory=list)

    def holds(self, slug, moment):
        return self.instrument in ("", slug) and self.start <= moment < self.end

    def is_there(self):
        """Whether the story came to it: a date alone leaves no trace."""
        return bool(self.pumpdowns or self.loads or self.flags or self.values)

    def document(self):
        """As plain values, for a file."""
        row = dict(self.__dict__)
        for name in ("pumpdowns", "loads", "flags"):
            row[name] = [thing.pk for thing in row[name]]
        row["start"], row["end"] = self.start.isoformat(), self.end.isoformat()
        row["values"] = [list(value) for value in self.values]
        return row


WET_DAYS = (
    ("quayside", (341, 262, 180, 121, 47, 16)),
    ("headland", (318, 228, 208, 112, 29, 9)),
)


def calendar(now, first_day=None):
    """Everything planted in a year that ends at `now`, in order of time."""
    listed = [*_slow_changes(now), *_on_a_day(now), *_wet_loads(now)]
    if first_day is not None:
        listed = [row for row in listed if row.start - SETTLING >= first_day]
    return sorted(listed, key=lambda row: (row.start, row.what))


def _ago(now, days):
    return now - timedelta(days=days)


def _slow_changes(now):
    return [
        Planted(
            "slow leak", "quayside", _ago(now, 246), _ago(now, 204), "leak", 0.33,
            "The door seal lets air in: a floor that grows to a third of the threshold.",
        ),
        Planted(
            "failing pump", "headland", _ago(now, 192), _ago(now, 136), "slow_pump", 0.30,
            "The turbo pump loses 30 % of its speed in eight weeks.",
        ),
        Planted(
            "dirty gauge", "quayside", _ago(now, 112), _ago(now, 97), "gauge", 0.40,
            "The cold-cathode gauge of the introduction chamber reads 0.40 of the pressure.",
        ),
        Planted(
            "calibration drift", "quayside", _ago(now, 68), _ago(now, 40), "", 0.14,
            "Cu 2p3/2 creeps up by 0.14 eV in four weeks; Au 4f7/2 and Ag 3d5/2 stay.",
            values=(
                # days from the start, eV off the reference: Au 4f7/2, Ag 3d5/2, Cu 2p3/2
                (0, 0.01, 0.02, 0.03),
                (7, 0.02, 0.02, 0.06),
                (14, 0.01, 0.03, 0.10),
                (21, 0.02, 0.03, 0.14),
            ),
        ),
    ]  # fmt: skip


def _on_a_day(now):
    return [
        Planted(
            "power cut", "quayside", _ago(now, 171), _ago(now, 170.9), "", 0.0,
            "No power for half an hour at night: nobody knows where anything stands.",
        ),
        Planted(
            "power cut", "headland", _ago(now, 171), _ago(now, 170.9), "", 0.0,
            "No power for half an hour at night: nobody knows where anything stands.",
        ),
        Planted(
            "open cylinder valve", "headland", _ago(now, 78), _ago(now, 71), "", 62.0,
            "The nitrogen stays open after a session and 62 bar are gone by the next one.",
        ),
        Planted(
            "contaminated holder", "", _ago(now, 55), _ago(now, 26), "", 5.0,
            "Tin powder sheds on holder B9; it is not cleaned, and later loads show Sn 3d.",
            holder="B9", element="Sn",
        ),
    ]  # fmt: skip


def _wet_loads(now):
    return [
        Planted(
            "wet load", slug, _ago(now, day), _ago(now, day - 6), "outgassing", 1.9,
            "A porous powder that was never dried: the slow part takes nearly three times as long.",
        )
        for slug, days in WET_DAYS
        for day in days
    ]  # fmt: skip


@dataclass(frozen=True)
class Effects:
    """What the planted faults do to a pump-down that starts now."""

    leak: float = 0.0  # floor as a share of the threshold
    raised: float = 1.0
    gauge: float = 1.0  # reading over pressure, cold cathode of the introduction chamber
    rows: tuple = ()


def effects(listed, slug, moment):
    """Effects of everything that holds on an instrument at a moment; wet loads are not counted."""
    leak, raised, gauge, rows = 0.0, 1.0, 1.0, []
    for row in listed:
        if not row.cause or row.what == "wet load" or not row.holds(slug, moment):
            continue
        share = (moment - row.start) / (row.end - row.start)
        if row.cause == "leak":
            leak = row.size * max(share, 0.1)
        elif row.cause == "slow_pump":
            raised = 1 / (1 - row.size * share)
        elif row.cause == "gauge":
            gauge = row.size
        rows.append(row)
    return Effects(leak, raised, gauge, tuple(rows))
