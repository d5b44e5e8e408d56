"""Who leaves an instrument at rest: whose time ends last, or who took it over (BKG-02).

Computed anew at each look, so that a cancellation passes the duty on by itself; what a person
took over is a row, and stands until it is given back.
"""

from contextlib import contextmanager
from dataclasses import dataclass
from datetime import time, timedelta

from django.db import transaction
from django.urls import reverse
from django.utils import timezone

from bookings import planning, tell
from bookings.models import Booking, Duty, Flag, Session
from facility import access, log
from facility.errors import Refused
from facility.models import DeviceState, Instrument, Person

DUTY_AT = time(17)  # published rule of a shared facility: unassigned at 17:00, staff are told
A_DAY = timedelta(days=1)


@dataclass(frozen=True)
class Owner:
    """Who leaves an instrument at rest on a day, and by which right."""

    person: Person
    taken: bool = False
    booking: Booking | None = None


# Reads


def owners(instruments, day, after=None):
    """{instrument's key: Owner} of a day in two queries; only time after `after`, where it is said."""
    return _owners(instruments, [day], after)[day]


def owner(instrument, day, after=None):
    """The Owner of one instrument's shut-down on a day, or None."""
    return owners([instrument], day, after).get(instrument.pk)


def _owners(instruments, days, after=None):
    zone = timezone.get_default_timezone()
    start, end = planning.day_of(min(days), zone)[0], planning.day_of(max(days), zone)[1]
    held = (
        Booking.objects.standing()
        .of_people()
        .on_main()
        .filter(place__instrument__in=instruments)
        .touching(start if after is None else max(start, after), end)
        .select_related("person__group", "place")
    )
    by_instrument = {}
    for row in held:
        stretches = by_instrument.setdefault(row.place.instrument_id, [])
        stretches.append((row.starts_at, row.ends_at, row))
    found = {day: {} for day in days}
    for day in days:
        for key, stretches in by_instrument.items():
            last = planning.shut_down_duty(stretches, day, zone)
            if last is not None:
                found[day][key] = Owner(last.person, booking=last)
    taken = Duty.objects.standing().filter(instrument__in=instruments, day__in=days)
    for row in taken.select_related("person__group"):
        found[row.day][row.instrument_id] = Owner(row.person, taken=True)
    return found


def words(instrument, found, person):
    """The sentence of a duty as this person may know it."""
    if found is None:
        return f"Nobody has the shut-down of {instrument}."
    name = _name(found.person, person)
    leaves = "You leave" if name == "you" else f"{name} leaves"
    if found.taken:
        return f"{leaves} {instrument} at rest: taken over."
    whose = "your" if name == "you" else "their"
    until = planning.words(timezone.localtime(found.booking.ends_at))
    return f"{leaves} {instrument} at rest: {whose} time ends last, {until}."


def _name(owner, person):
    """The owner's name as `person` may know it: own group, and staff among themselves or known."""
    if owner.pk == person.pk:
        return "you"
    same_group = owner.group_id is not None and owner.group_id == person.group_id
    known = same_group or person.is_house_staff or owner.is_house_staff
    return str(owner) if known else "Somebody of another group"


def lines(instruments, day, person, today):
    """The duty of each instrument on a day, in words, with what this person may press."""
    found = owners(instruments, day)
    listed = []
    for row in instruments:
        has = found.get(row.pk)
        mine = has is not None and has.person.pk == person.pk
        open_day = day >= today
        listed.append(
            {
                "instrument": row,
                "says": words(row, has, person),
                "nobody": has is None,
                "mine": mine,
                "may_take": open_day
                and not (has and has.taken)
                and access.may(person, "duty.take", row),
                "may_give_back": open_day
                and has is not None
                and has.taken
                and (mine or access.may(person, "closure.make")),
            }
        )
    return listed


# Verbs


def _locked(instrument):
    """The instrument's row, locked alone: its log may be missing, and no outer join is locked."""
    rows = Instrument.objects.select_for_update(of=("self",)).select_related("log")
    return rows.get(pk=instrument.pk)


@transaction.atomic
def take(*, instrument, day, by):
    """`by` leaves the instrument at rest on that day; who had it is told, a waiting flag clears."""
    access.require(by, "duty.take", instrument)
    instrument = _locked(instrument)
    now = timezone.now()
    if day < timezone.localdate(now):
        raise Refused(f"{day:%d %b %Y} is over. Take over today's shut-down, or a later one.")
    before = owner(instrument, day)
    if before is not None and before.taken:
        if before.person.pk == by.pk:
            return Duty.objects.standing().get(instrument=instrument, day=day)
        raise Refused(f"{before.person} took this over already. Agree who does it.")
    Duty.objects.filter(instrument=instrument, day=day, given_back_at=None).update(
        given_back_at=now  # of somebody who has left
    )
    row = Duty.objects.create(instrument=instrument, day=day, person=by, taken_at=now)
    log.write(log=instrument.log, kind="duty", by=by, data={"day": str(day), "taken": True})
    clear(instrument, day, now)
    if before is not None and before.person.pk != by.pk:
        _tell(before.person, row, f"{by} leaves {instrument} at rest on {_on(day)}; you need not.")
    return row


@transaction.atomic
def give_back(*, instrument, day, by):
    """The shut-down goes back to whose time ends last; a second press changes nothing."""
    instrument = _locked(instrument)
    row = Duty.objects.filter(instrument=instrument, day=day, given_back_at=None).first()
    if row is None:
        return None
    if row.person_id != by.pk and not access.may(by, "closure.make"):
        raise Refused(f"{row.person} took this over. Only they, or staff, give it back.")
    row.given_back_at = timezone.now()
    row.save(update_fields=["given_back_at"])
    log.write(log=instrument.log, kind="duty", by=by, data={"day": str(day), "taken": False})
    after = owner(instrument, day)
    if after is not None and after.person.pk != by.pk:
        _tell(after.person, row, f"You leave {instrument} at rest on {_on(day)} after all.")
    return row


def _on(day):
    return f"{day:%a} {day.day} {day:%b}"


def _tell(person, row, says):
    back = "back" if row.given_back_at else "taken"
    tell.tell(
        person=person,
        key=f"duty|{row.pk}|{back}",
        says=says,
        url=reverse("bookings:day", args=[row.day.isoformat()]),
        direct=True,
    )


@contextmanager
def watched(booking, by):
    """Tell whoever gets the duty of today or tomorrow by a change of this booking inside the block.

    Later days need no message: they show on the day's page, and change again.
    """
    today = timezone.localdate()
    days = [today, today + A_DAY]
    instrument = booking.place.instrument_id
    before = _owners([instrument], days)
    yield
    after = _owners([instrument], days)
    for day in days:
        had, has = before[day].get(instrument), after[day].get(instrument)
        if has is None or (had and had.person.pk == has.person.pk):
            continue
        if by is not None and has.person.pk == by.pk:
            continue
        tell.tell(
            person=has.person,
            key=f"duty|{instrument}|{day}|{has.booking.pk if has.booking else 0}",
            says=f"{booking.place.instrument}: your time is the last on {_on(day)} now, so you leave it at rest.",
            url=reverse("bookings:day", args=[day.isoformat()]),
        )


# By the clock


def watch_shut_down(now):
    """BKG-02: at 17:00 an instrument is not at rest and nobody is there, to come, or took it over."""
    at = timezone.localtime(now)
    if at.time() < DUTY_AT:
        return 0
    count, day = 0, at.date()
    for instrument in Instrument.objects.select_related("sheet").exclude(sheet=None):
        stirring = _not_at_rest(instrument)
        there = Session.objects.open().filter(instrument=instrument).exists()
        if not stirring or there or owner(instrument, day, after=now) is not None:
            clear(instrument, day, now)
            continue
        _raise(instrument, day, stirring, now)
        count += 1
    return count


def _key(instrument, day):
    return f"BKG-02|{instrument.pk}|{day}"


def clear(instrument, day, now):
    """The waiting flag of that evening clears by itself: its cause is gone."""
    Flag.objects.waiting().filter(key=_key(instrument, day)).update(cleared_at=now)


def _raise(instrument, day, stirring, now):
    """One flag an evening, raised again where its cause came back; staff are told once."""
    says = (
        f"{instrument}: nobody has the shut-down duty tonight; not at rest: {', '.join(stirring)}."
    )
    key = _key(instrument, day)
    row, new = Flag.objects.get_or_create(
        key=key,
        defaults={
            "rule": "BKG-02",
            "severity": "warn",
            "says": says,
            "do": "Bring it to rest, or ask who was there last.",
            "source": "published rule of a shared facility: unassigned at 17:00",
            "evidence": {"devices": stirring},
            "instrument": instrument,
            "raised_at": now,
        },
    )
    if not new and row.cleared_at and not row.answer:
        row.cleared_at = None
        row.save(update_fields=["cleared_at"])
    tell.tell_staff(key=key, says=says, url=reverse("bookings:day", args=[day.isoformat()]))


def _not_at_rest(instrument):
    rest = instrument.sheet.document.get("rest", {})
    found = []
    for row in DeviceState.objects.filter(instrument=instrument):
        allowed = rest.get(row.device)
        allowed = [allowed] if isinstance(allowed, str) else allowed
        if allowed is not None and row.state != "unknown" and row.state not in allowed:
            found.append(f"{row.device.replace('_', ' ')} {row.state.replace('_', ' ')}")
    return found
