"""A check that was entered, and the flag that its verdict or its charts ask for."""

from django.db import transaction
from django.utils import timezone

from bookings import health
from bookings.models import Flag
from facility import check as verbs
from facility.models import Check


@transaction.atomic
def enter(*, kind, by, typed, at=None, sent_id=None):
    """Store a check; beyond its limit, or signalling twice in a row, it becomes one flag."""
    row = verbs.enter(kind=kind, by=by, typed=typed, at=at, sent_id=sent_id)
    _flag(row)
    return row


@transaction.atomic
def end_rise(*, check, by):
    """End a rise; a leak-like one becomes a flag."""
    row = verbs.end_rise(check=check, by=by)
    _flag(row)
    return row


def _flag(row):
    if row.struck_at or row.doubt:
        return None
    kind = row.kind
    rule, severity, says = "CAL-01", row.verdict, row.says
    if row.verdict == Check.Verdict.WARN:
        rule = {"blank": "MEM-02", "rise": "PMP-02", "energy": "CAL-01"}.get(kind.sort, "CAL-03")
    elif row.verdict != Check.Verdict.STAFF:
        (now,) = health.kinds_now(kind.instrument, kinds=[kind])
        if not now.signal or now.last != row:
            return None
        rule, severity, says = "CAL-03", "warn", now.signal.chart.says
    flag, _ = Flag.objects.get_or_create(
        key=f"check|{row.pk}",
        defaults={
            "rule": rule, "severity": severity, "says": f"{kind.instrument}: {says}"[:300],
            "do": health.WHAT_TO_DO.get(kind.sort, "Look at it, and repeat it."),
            "source": f"{kind.name}; {kind.setting}"[:300],
            "evidence": {"check": row.pk}, "instrument": kind.instrument,
            "raised_at": timezone.now(),
        },
    )  # fmt: skip
    return flag
