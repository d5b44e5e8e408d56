"""Lines of the weekly review: what broke, what is open, who has it, and what a holder carries on."""

from dataclasses import dataclass, field
from datetime import datetime, timedelta
from urllib.parse import urlencode

from django.db.models import CharField, OuterRef, Q, Subquery, Value
from django.db.models.functions import Cast, Concat
from django.urls import reverse
from django.utils import timezone

from bookings.lines import Line
from bookings.models import Fault, Flag, FollowUp, Incident, Load
from facility.errors import Refused
from facility.findings import STAFF, WARN
from samples.matter.composition import parse
from samples.models import Cleaning

MOST = 40  # of each kind on one review
MOST_PROMISED = 200  # follow-ups that are open at once
LOOKED_BACK = timedelta(days=90)  # for powder on holders that were not cleaned; own proposal
MOST_LOADS = 400
POWDERS = ("powder", "porous powder")
TELLS_NOTHING = {"H", "C", "N", "O"}  # these are on every surface


def review_lines(instrument, week):
    """What broke and who has it, as it was known when the week ended; nothing where all is well."""
    return [
        *_faults(instrument, week),
        *_of_incidents(instrument, week),
        *_memory(instrument, week),
    ]


def _day(moment):
    return f"{timezone.localtime(moment):%d %b}"


def _faults(instrument, week):
    """Faults that began in the week or were still open when it ended, under their flags' keys."""
    open_then = Q(ended_at=None) | Q(ended_at__gte=week.end)
    flag = Flag.objects.filter(
        key=Concat(Value("fault|"), Cast(OuterRef("pk"), CharField()), output_field=CharField())
    )
    answered = flag.exclude(answer="").filter(answered_at__lt=week.end)
    rows = (
        Fault.objects.filter(instrument=instrument, entry__recorded_at__lt=week.end)
        .filter(open_then | Q(began_at__gte=week.start))
        .annotate(
            flag=Subquery(flag.values("pk")[:1]),
            had_by=Subquery(answered.values("answered_by__full_name")[:1]),
        )
        .select_related("by", "ended_by")[:MOST]
    )
    for row in rows:
        ended = row.ended_at is not None and row.ended_at < week.end
        has = f"reported by {row.by}"
        if ended:
            has = f"ended {_day(row.ended_at)} by {row.ended_by}"
        elif row.had_by is not None:
            has = f"{row.had_by or 'somebody'} has it"
        yield Line(
            key=f"fault|{row.pk}",
            heading="broke",
            says=f"Fault {row.pk}: {row.says.rstrip('.')}; {has}.",
            severity=STAFF,
            do="" if ended else "End the fault when it works again, or say who has it.",
            rule="fault",
            source="reported at the instrument",
            since=row.began_at,
            url=reverse("bookings:answer_flag", args=[row.flag]) if row.flag else "",
        )


def _of_incidents(instrument, week):
    """Incidents of the week, and what was promised after earlier ones and is not done."""
    promised = list(FollowUp.objects.undone_at(week.end).of(instrument).soonest()[:MOST_PROMISED])
    return [*_incidents(instrument, week, promised), *_overdue(instrument, week, promised)]


def _incidents(instrument, week, promised):
    """Incidents reported in the week or open when it ended.

    One that opened by itself stands in its own week with its hazard's flag, so not here too.
    """
    in_week = Q(reported_at__gte=week.start)
    rows = (
        Incident.objects.on(instrument)
        .known_at(week.end)
        .filter(Q(closed_at=None) | Q(closed_at__gte=week.end) | in_week)
        .exclude(in_week, key__isnull=False)
        .select_related("by")[:MOST]
    )
    for row in rows:
        closed = row.closed_at is not None and row.closed_at < week.end
        todo = [one for one in promised if one.incident_id == row.pk]
        has = ", ".join(dict.fromkeys(str(one.who) for one in todo)) or "nobody yet"
        yield Line(
            key=f"incident|{row.pk}",
            heading="broke",
            says=f"{row.get_kind_display().capitalize()}: {row.says[:160].rstrip('.') or 'redacted'}; "
            + ("closed." if closed else f"open, {has} has it."),
            severity=WARN if closed else STAFF,
            do="" if closed or todo else "Say who does what until when.",
            rule="incident",
            source="reported by a person",
            since=row.happened_at,
            url=row.get_absolute_url(),
        )


def _overdue(instrument, week, promised):
    """Follow-ups that were overdue when the week ended, as one line."""
    day = timezone.localdate(week.end)
    rows = [row for row in promised if row.until < day][:MOST]
    if rows:
        first = rows[0]
        yield Line(
            key=f"follow-ups|{instrument.pk}",
            heading="broke",
            says=f"{len(rows)} follow-up{'s' * (len(rows) > 1)} overdue: {first.says} "
            f"({first.who}, until {first.until:%d %b}).",
            do="Finish it, or agree another day with whoever has it.",
            rule="follow-up",
            source="the day that was agreed",
            url=reverse("bookings:follow_ups"),
            evidence=tuple((f"{row.until:%d %b}", f"{row.says}, {row.who}") for row in rows[1:6]),
        )


# What a holder carries on


@dataclass
class Dirty:
    """A holder that carried powder, and its loads since without a cleaning between."""

    holder: object
    load: object
    elements: tuple
    later: list = field(default_factory=list)
    cleaned_at: datetime | None = None


def dirty_holders(end):
    """Every Dirty known at `end`, the newest 90 days of loads looked at; two queries."""
    loads = list(
        Load.objects.filter(loaded_at__lt=end, loaded_at__gte=end - LOOKED_BACK)
        .select_related("holder")
        .order_by("-loaded_at")[:MOST_LOADS]
    )[::-1]
    cleanings = list(
        Cleaning.objects.filter(at__lt=end, at__gte=end - LOOKED_BACK)
        .exclude(holder=None)
        .order_by("at")
    )
    by_holder = {}
    for load in loads:
        by_holder.setdefault(load.holder_id, []).append((load.loaded_at, load))
    for row in cleanings:
        by_holder.setdefault(row.holder_id, []).append((row.at, row))
    return [one for events in by_holder.values() for one in _followed(events, end)]


def _followed(events, end):
    """The powder loads of one holder, each with what came after it until it was cleaned."""
    standing, found = None, []
    for _, thing in sorted(events, key=lambda event: event[0]):
        if isinstance(thing, Cleaning):
            if standing:
                standing.cleaned_at = thing.at
                found.append(standing)
            standing = None
        elif standing:
            standing.later.append(thing)
        elif elements := powder_elements(thing.layout):
            standing = Dirty(thing.holder, thing, elements)
    if standing and standing.load.taken_out_at and standing.load.taken_out_at < end:
        found.append(standing)
    return found


def powder_elements(layout):
    """What the powders of a layout would leave: their telling elements, none for no powder.

    >>> powder_elements({"mounts": [{"form": "powder", "composition": "SnO2"}]})
    ('Sn',)
    """
    found = []
    for row in layout.get("mounts", ()):
        if row.get("form") not in POWDERS:
            continue
        try:
            found += parse(row.get("composition") or "").elements
        except Refused:
            continue
    return tuple(dict.fromkeys(symbol for symbol in found if symbol not in TELLS_NOTHING))


def trace_url(holder, element, moment):
    """The address at which it can be followed."""
    on = timezone.localdate(moment).isoformat()
    asks = {"element": element, "on": on, "holder": holder.code}
    return f"{reverse('bookings:trace')}?{urlencode(asks)}"


def _memory(instrument, week):
    """Holders that carried powder on and were not cleaned, one line a holder."""
    for dirty in dirty_holders(week.end):
        loads = [dirty.load, *dirty.later]
        here = any(load.instrument_id == instrument.pk for load in loads)
        used = any(week.holds(load.loaded_at) for load in dirty.later)
        if not here or (dirty.cleaned_at and not used):
            continue
        what = ", ".join(dirty.elements[:3])
        since = "and was not cleaned since" if not dirty.cleaned_at else "and was cleaned late"
        many = len(dirty.later)
        after = f"; it went in {many} more time{'s' * (many != 1)}" if many else ""
        yield Line(
            key=f"memory|{dirty.holder.pk}|{dirty.load.pk}",
            heading="broke",
            says=f"Holder {dirty.holder} carried powder with {what} on {_day(dirty.load.loaded_at)} "
            f"{since}{after}.",
            severity=STAFF if many else WARN,
            do="Clean it, measure a blank; see where it may have gone.",
            rule="MEM-01",
            source="own proposal",
            since=dirty.load.loaded_at,
            url=trace_url(dirty.holder, dirty.elements[0], dirty.load.loaded_at),
            evidence=tuple((_day(load.loaded_at), f"load {load.pk}") for load in dirty.later[-4:]),
        )
