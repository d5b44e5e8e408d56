"""Four clocks, booked, present, source on, fault, by group, project or sample class; never by person."""

import json
from collections import Counter, defaultdict
from dataclasses import dataclass, field
from datetime import timedelta

from django.db.models import Q
from django.utils import timezone

from bookings import planning
from bookings.models import Booking, BookingRules, Fault, Load, Session, SessionPart
from facility.models import Entry

BY = {"group": "group", "project": "project", "class": "sample class"}
LONGEST = timedelta(days=370)
KINDS = ("booked", "present", "source_on", "fault", "charged")
NOBODY, NO_PROJECT, NO_SAMPLE = "no group", "no project", "no sample"


@dataclass
class Use:
    """One stretch of use: a session with its booking, or a booking that nobody came for."""

    instrument: str
    group: str
    project: str
    forms: list
    booked: list = field(default_factory=list)
    present: list = field(default_factory=list)
    source_on: list = field(default_factory=list)
    faults: list = field(default_factory=list)
    fault_is_charged: bool = False
    unused: bool = False
    late: bool = False


@dataclass
class Line:
    """Hours of one group, project or class; `unused` and `late` are counts."""

    name: str
    booked: float = 0.0
    present: float = 0.0
    source_on: float = 0.0
    fault: float = 0.0
    charged: float = 0.0
    unused: int = 0
    late: int = 0


def lines(start, end, *, by, instrument=None, group=None):
    """Hours inside [start, end) by name, in alphabetic order; a total never ranks people.

    Takes:   by, group, project or class; instrument and group, to look at one alone.
    """
    found = {}
    for use in uses(start, end, instrument=instrument, group=group):
        for name, share in _shares(use, by).items():
            line = found.setdefault(name, Line(name))
            for clock, hours in _clocks(use, start, end).items():
                setattr(line, clock, getattr(line, clock) + share * hours)
            if by != "class" or not use.forms:
                line.unused += use.unused
                line.late += use.late
    return sorted(found.values(), key=lambda line: line.name.lower())


def _shares(use, by):
    if by != "class":
        return {use.group if by == "group" else use.project: 1.0}
    return planning.shared(1.0, use.forms)


def _clocks(use, start, end):
    stretches = use.present or use.booked
    present = planning.hours_of(use.present, start, end)
    fault_here = planning.common(use.faults, stretches)
    fault_present = planning.hours_of(planning.common(use.faults, use.present), start, end)
    return {
        "booked": planning.hours_of(use.booked, start, end),
        "present": present,
        "source_on": planning.hours_of(use.source_on, start, end),
        "fault": planning.hours_of(fault_here, start, end),
        "charged": present if use.fault_is_charged else present - fault_present,
    }


def uses(start, end, *, instrument=None, group=None):
    """Every stretch of use that touches [start, end); the same few queries for any number."""
    now = timezone.now()
    sessions = _sessions(start, end, instrument, group)
    bookings = _bookings(start, end, instrument, group)
    faults = _faults(start, end, instrument)
    rules = {row.instrument_id: row for row in BookingRules.objects.all()}
    sources = _sources(sessions, rules, end)
    forms = _forms(sessions, start, end)
    found, told = [], set()
    for session, people, until in sessions:
        mine = [row for row in bookings if _belongs(row, session, people, until)]
        new = [row for row in mine if row.pk not in told]
        told.update(row.pk for row in new)
        rule = rules.get(session.instrument_id, BookingRules())
        found.append(
            Use(
                str(session.instrument),
                str(people[0].person.group or NOBODY),
                next((row.project.name for row in mine if row.project), NO_PROJECT),
                forms[session.pk],
                booked=[_held(row) for row in new],
                present=[(session.opened_at, until)],
                source_on=sources[session.pk],
                faults=faults[session.instrument_id],
                fault_is_charged=rule.fault_is_charged,
            )
        )
    for row in bookings:
        if row.pk not in told:
            rule = rules.get(row.place.instrument_id, BookingRules())
            found.append(_without_session(row, rule, faults[row.place.instrument_id], now))
    return found


def _without_session(row, rule, faults, now):
    """A booking in which nobody signed on: released, cancelled late, still to come, or a load only.

    Where a fault stood in its time, nobody could use it: it does not count as unused.
    """
    spoiled = planning.common(faults, [_held(row)])
    never_released = not row.cancelled_at and not rule.release_min and row.ends_at <= now
    return Use(
        str(row.place.instrument),
        str(row.person.group or NOBODY),
        row.project.name if row.project else NO_PROJECT,
        [],
        booked=[_held(row)],
        faults=faults,
        unused=not spoiled and (row.cancelled_why == Booking.Why.NOT_USED or never_released),
        late=row.cancelled_why == Booking.Why.PERSON,
    )


def _belongs(booking, session, people, until):
    """Whether a booking is the one under which a session ran."""
    if session.booking_id is not None:
        return booking.pk == session.booking_id
    if booking.place.instrument_id != session.instrument_id:
        return False
    starts, ends = _held(booking)
    if not (starts < until and ends > session.opened_at):
        return False
    return any(
        row.person_id == booking.person_id
        or (row.person.group_id is not None and row.person.group_id == booking.person.group_id)
        for row in people
    )


def _held(booking):
    """From when to when it held the time: released or cancelled late, until then only."""
    ends = booking.ends_at
    if booking.cancelled_at:
        ends = min(ends, max(booking.cancelled_at, booking.starts_at))
    return booking.starts_at, ends


def _sessions(start, end, instrument, group):
    found = Session.objects.filter(opened_at__lt=end, opened_at__gte=start - timedelta(days=7))
    found = found.filter(Q(closed_at=None) | Q(closed_at__gt=start)).select_related(
        "instrument__sheet"
    )
    if instrument is not None:
        found = found.filter(instrument=instrument)
    parts = defaultdict(list)
    rows = SessionPart.objects.filter(session__in=found).select_related("person__group")
    for row in rows.order_by("since", "pk"):
        parts[row.session_id].append(row)
    listed = []
    for session in found.order_by("opened_at"):
        people = parts[session.pk]
        if people and (group is None or people[0].person.group_id == group.pk):
            listed.append((session, people, session.closed_at or min(end, timezone.now())))
    return listed


def _bookings(start, end, instrument, group):
    """Bookings that held the time: standing, released, or cancelled too late to be used again."""
    found = (
        Booking.objects.of_people()
        .on_main()
        .touching(start, end)
        .select_related("place__instrument", "person__group", "project")
        .order_by("starts_at")
    )
    if instrument is not None:
        found = found.filter(place__instrument=instrument)
    if group is not None:
        found = found.filter(person__group=group)
    rules = {row.instrument_id: row for row in BookingRules.objects.all()}
    return [row for row in found if not row.cancelled_at or _counts(row, rules)]


def _counts(row, rules):
    if row.cancelled_why == Booking.Why.NOT_USED:
        return True
    late = rules.get(row.place.instrument_id, BookingRules()).late_cancel_hours
    return row.cancelled_why == Booking.Why.PERSON and (
        row.starts_at - timedelta(hours=late) < row.cancelled_at
    )


def _faults(start, end, instrument):
    found = Fault.objects.filter(began_at__lt=end).filter(Q(ended_at=None) | Q(ended_at__gt=start))
    if instrument is not None:
        found = found.filter(instrument=instrument)
    faults = defaultdict(list)
    for row in found:
        faults[row.instrument_id].append((row.began_at, row.ended_at or end))
    return faults


def _sources(sessions, rules, end):
    """When the source was on in each session, from what its log says of the source's device."""
    by_log = {session.log_id: (session, until) for session, _, until in sessions}
    devices = {row.source_device for row in rules.values()} | {BookingRules().source_device}
    says = Q()
    for device in devices:
        says |= Q(body__contains=f'"{device}"')
    changes = defaultdict(list)
    rows = Entry.objects.filter(says, log__in=by_log).order_by("happened_at", "pk")
    for log_id, happened_at, body in rows.values_list("log", "happened_at", "body"):
        session, _ = by_log[log_id]
        device = rules.get(session.instrument_id, BookingRules()).source_device
        sets = json.loads(body)["data"].get("sets") if body else None
        if isinstance(sets, dict) and device in sets:
            changes[session.pk].append((happened_at, sets[device]))
    found = {}
    for session, _, until in sessions:
        idle = _idle_states(session, rules.get(session.instrument_id, BookingRules()))
        found[session.pk] = planning.on_stretches(changes[session.pk], idle, until)
    return found


def _idle_states(session, rules):
    """The states in which the source is off: those the instrument rests in, and not known."""
    document = session.instrument.sheet.document if session.instrument.sheet_id else {}
    rest = document.get("rest", {}).get(rules.source_device, ["idle", "off"])
    return {"unknown", *([rest] if isinstance(rest, str) else rest)}


def _forms(sessions, start, end):
    """The forms of what was in the instrument during each session, from the loads' layouts."""
    loads = Load.objects.filter(loaded_at__lt=end).filter(
        Q(taken_out_at=None) | Q(taken_out_at__gt=start)
    )
    rows = list(loads.values_list("instrument", "loaded_at", "taken_out_at", "layout"))
    found = {}
    for session, _, until in sessions:
        found[session.pk] = [
            mount.get("form") or "not said"
            for place, since, gone, layout in rows
            if place == session.instrument_id
            and since < until
            and (gone is None or gone > session.opened_at)
            for mount in layout.get("mounts", [])
        ]
    return found


def unused_by_month(start, end, *, group=None):
    """Unused and late-cancelled bookings, by month and group: (month, group, unused, late)."""
    counts = defaultdict(Counter)
    for use in uses(start, end, group=group):
        if use.unused or use.late:
            month = use.booked[0][0].strftime("%Y-%m")
            counts[month, use.group].update(unused=int(use.unused), late=int(use.late))
    return [
        (month, name, row["unused"], row["late"]) for (month, name), row in sorted(counts.items())
    ]
