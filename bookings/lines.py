"""The lines of a weekly review and the week they belong to. Pure.

Each module that watches something says what needs a person as lines; `bookings/review.py` gathers
them, puts the seven gravest first and folds the rest.
"""

from dataclasses import dataclass, field
from datetime import datetime, timedelta

from facility.findings import SEVERITIES, WARN

# The order of page one; a line names its heading by the key.
HEADINGS = {
    "fit": "Fit for use",
    "broke": "What broke, and who has it",
    "vacuum": "Vacuum, against the same loads",
    "scale": "Energy scale and counts",
    "outside": "Done outside the rules",
    "order": "Order today",
    "ahead": "The next seven days",
}


@dataclass(frozen=True)
class Week:
    """From Monday 00:00 to the next, by the facility's clock; 167 to 169 hours long."""

    start: datetime
    end: datetime

    def holds(self, moment):
        return moment is not None and self.start <= moment < self.end

    @property
    def number(self):
        return self.start.isocalendar().week

    @property
    def next_seven_days(self):
        return self.end, self.end + timedelta(days=7)


@dataclass(frozen=True)
class Line:
    """One matter that needs a person, in one sentence, as it was known when its week ended."""

    key: str  # the same matter keeps its key from week to week
    heading: str  # a key of HEADINGS
    says: str
    severity: str = WARN
    do: str = ""
    rule: str = ""
    source: str = ""
    since: datetime | None = None
    before: str = ""  # what was done the last time, by whom
    url: str = ""  # to the raw rows
    flag: str = ""  # key of the flag that is answered with it; empty: the line's own
    evidence: tuple = field(default=())  # pairs of label and text
    drawing: object = None  # a small chart, where one shows the odd value

    @property
    def flag_key(self):
        return self.flag or self.key

    @property
    def weight(self):
        """Sorts the gravest first, then by heading."""
        return -SEVERITIES.index(self.severity), list(HEADINGS).index(self.heading)
