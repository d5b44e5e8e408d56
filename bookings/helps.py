"""Does the tool help? Flags raised, real, not real, and what nobody was warned of, by quarter.

Real is what staff answered with seen, fixed or watched. Missed is a fault or an incident without a
flag of a rule on the same instrument or holder in the 14 days before (own proposal); what people
report and hazards that were reached are no warnings and count on that side only.
"""

from dataclasses import dataclass
from datetime import datetime, time, timedelta

from django.db.models import Count, Exists, OuterRef, Q
from django.db.models.functions import TruncQuarter
from django.utils import timezone

from bookings.models import Fault, Flag, Incident
from samples.risks import RULES

QUARTERS = 8
WARNED = timedelta(days=14)
REPORTED = ("fault", "hazard", "incident")
FAMILIES = {
    "VOL": "volatile and wet", "OUT": "volatile and wet", "PWD": "powder, neighbours, memory",
    "XCN": "powder, neighbours, memory", "MEM": "powder, neighbours, memory",
    "PMP": "pump-downs and gauges", "GAU": "pump-downs and gauges", "DRI": "pump-downs and gauges",
    "HGT": "height", "GEO": "places on the holder", "OVL": "lines and mounting",
    "MNT": "lines and mounting", "BEM": "beam", "FLU": "beam", "ION": "beam", "CAL": "energy scale",
    "HAZ": "hazards", "GAS": "hazards", "INV": "stores",
}  # fmt: skip
OF_KIND = {
    "contamination": "powder, neighbours, memory",
    "collision": "height",
    "leak": "pump-downs and gauges",
    "exposure": "hazards",
}
WATCHED = {"PMP-01": "Pump-down unlike the others"}  # what the science says, no rule of the bench
FAULTS, OTHER = "faults that people reported", "other"


@dataclass
class Helped:
    """One quarter of one family, or of one rule."""

    quarter: str
    family: str
    raised: int = 0
    real: int = 0
    not_real: int = 0
    by_itself: int = 0  # its cause went away before anybody answered
    missed: int = 0

    @property
    def title(self):
        """What a rule is about; empty for a family."""
        rule = RULES.get(self.family)
        return rule.title if rule else WATCHED.get(self.family, "")

    @property
    def waiting(self):
        return self.raised - self.real - self.not_real - self.by_itself


def since(now):
    """The first day of the quarters that are looked at."""
    today = timezone.localdate(now)
    month = today.year * 12 + (today.month - 1) // 3 * 3 - 3 * (QUARTERS - 1)
    first = datetime.combine(today.replace(year=month // 12, month=month % 12 + 1, day=1), time(0))
    return timezone.make_aware(first)


def _name(moment):
    at = timezone.localtime(moment)
    return f"{at.year} Q{(at.month + 2) // 3}"


def figures(now=None):
    """(by family, by rule): lists of Helped, the newest quarter first; three queries."""
    start = since(now or timezone.now())
    families, rules = {}, {}
    cleared = Q(answer="") & ~Q(cleared_at=None)
    rows = (
        Flag.objects.filter(raised_at__gte=start)
        .exclude(rule__in=REPORTED)
        .annotate(quarter=TruncQuarter("raised_at"))
        .values("quarter", "rule")
        .annotate(
            raised=Count("pk"),
            real=Count("pk", filter=Q(answer__in=["seen", "fixed", "watched"])),
            not_real=Count("pk", filter=Q(answer="not real")),
            by_itself=Count("pk", filter=cleared),
        )
    )
    for row in rows:
        quarter = _name(row["quarter"])
        family = FAMILIES.get(row["rule"][:3], OTHER)
        for found, word in ((families, family), (rules, row["rule"])):
            line = found.setdefault((quarter, word), Helped(quarter, word))
            for name in ("raised", "real", "not_real", "by_itself"):
                setattr(line, name, getattr(line, name) + row[name])
    for moment, family in _missed(start):
        key = _name(moment), family
        families.setdefault(key, Helped(*key)).missed += 1
    return _in_order(families), _in_order(rules)


def _in_order(found):
    rows = sorted(found.values(), key=lambda row: row.family)
    return sorted(rows, key=lambda row: row.quarter, reverse=True)


def _warned(at, **same):
    """Whether a rule spoke of the same thing in the days before."""
    return Exists(
        Flag.objects.exclude(rule__in=REPORTED)
        .exclude(answer="not real")
        .filter(raised_at__lt=OuterRef(at), raised_at__gte=OuterRef(at) - WARNED)
        .filter(**{name: OuterRef(other) for name, other in same.items()})
    )


def _missed(start):
    """(moment, family) of every fault and incident that no rule warned of."""
    faults = Fault.objects.filter(began_at__gte=start).filter(
        ~_warned("began_at", instrument="instrument")
    )
    for moment in faults.values_list("began_at", flat=True):
        yield moment, FAULTS
    told = Incident.objects.filter(happened_at__gte=start).filter(
        ~_warned("happened_at", instrument="instrument"), ~_warned("happened_at", holder="holder")
    )
    for moment, kind in told.values_list("happened_at", "kind"):
        yield moment, OF_KIND.get(kind, OTHER)
