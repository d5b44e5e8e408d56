"""Verbs of time: hold a place, move, cancel; whose time it is as the asker may know it.

Every verb here takes its turn: instrument rows are locked first, in order of their keys, and what
the database refuses all the same becomes a sentence.
"""

import time
import zoneinfo
from dataclasses import dataclass
from datetime import timedelta
from functools import wraps

from django.conf import settings
from django.db import IntegrityError, OperationalError, connection, transaction
from django.utils import timezone

from bookings import duty, planning, tell, waiting
from bookings.models import Booking, BookingRules, GroupQuota
from facility import access, qualify
from facility.errors import Refused
from facility.models import Instrument, Person, Place

MAIN, INTRODUCTION = Place.Kind.STAGE, Place.Kind.INTRODUCTION
TRIES = 3
CANCELLING = ["cancelled_at", "cancelled_by", "cancelled_why", "sequence", "changed_at"]
ALL_HOURS = planning.Hours("staff")


def in_turn(verb):
    """One transaction for the verb; what a database refuses becomes Refused.

    A deadlock or a lock that did not come in time is tried again, unless an outer transaction
    would then be half done.
    """

    @wraps(verb)
    def taking_turns(**words):
        for trial in range(1, TRIES + 1):
            try:
                with transaction.atomic():
                    return verb(**words)
            except IntegrityError:  # the guard; the locks make this rare
                raise Refused("Somebody took that time a moment ago. Choose another.") from None
            except OperationalError:
                if connection.in_atomic_block or trial == TRIES:
                    raise Refused("Too many people book at this moment. Press again.") from None
                time.sleep(0.1 * trial)

    return taking_turns


def here():
    """The facility's zone."""
    return zoneinfo.ZoneInfo(settings.TIME_ZONE)


def rules_of(instrument):
    """The rules of an instrument: its row, or the defaults (not stored)."""
    row = BookingRules.objects.filter(instrument=instrument).first()
    return row or BookingRules(instrument=instrument)


def lock(*instruments):
    """Lock instrument rows in order of their keys; returns them by key."""
    keys = sorted({getattr(row, "pk", row) for row in instruments})
    rows = Instrument.objects.select_for_update().filter(pk__in=keys).order_by("pk")
    return {row.pk: row for row in rows}


@in_turn
def book(
    *,
    place,
    by,
    start,
    end,
    why="",
    project=None,
    person=None,
    loaded_before=False,
    series=None,
    sent_id=None,
):
    """Hold `place` from `start` until `end`, or raise Refused with who has the time.

    Takes:   person, for whom staff book; loaded_before, where the holder is brought in under a
             booking of the introduction chamber and none is held beside this one.
    """
    access.require(by, "booking.make")
    lock(place.instrument_id)
    if sent_id and (before := Booking.objects.filter(sent_id=sent_id).first()):
        return before
    person = _holder(by, person)
    wanted = Wanted(place, person, by, start, end, loaded_before)
    holding = refuse_unless_free(wanted)
    booking = made(place, by, start, end, person=person, why=why, project=project, series=series,
                   sent_id=sent_id)  # fmt: skip
    if holding:
        made(*holding, person=person, why=why, project=project, held_for=booking)
    waiting.got(person=person, place=place, start=start, end=end, booking=booking)
    _tell(booking, by, f"{by} booked for you: {booking.place.instrument}, {_when(booking)}.")
    return booking


@dataclass(frozen=True)
class Wanted:
    """What somebody wants to hold; `but` is the booking that is moved."""

    place: Place
    person: Person
    by: Person
    start: object
    end: object
    loaded_before: bool = False
    but: Booking | None = None


def _holder(by, person):
    """For whom: oneself, or for staff somebody else; known to the database and still here."""
    if person is not None and person.pk != by.pk:
        access.require(by, "closure.make")
    found = Person.objects.here().filter(pk=(person or by).pk).select_related("group").first()
    if found is None:
        raise Refused("That person is no longer here. Choose somebody who is.")
    return found


def refuse_unless_free(wanted):
    """Raise Refused with the first reason against; else the introduction's part to hold, or None.

    Returns (place, by, start, end) of the stretch for loading.
    """
    now, zone = timezone.now(), here()
    start, end = wanted.start.astimezone(zone), wanted.end.astimezone(zone)
    if planning.length_of(start, end) <= timedelta(0):
        raise Refused(f"A booking must end after it starts, {planning.words(start)}.")
    if end <= now:
        raise Refused("That time is over. Book from now on; what happened is in the sessions.")
    if reason := _against_the_rules(wanted, start, end, now):
        raise Refused(reason)
    if reason := taken_by(wanted.place, start, end, wanted.by, but=wanted.but):
        raise Refused(reason)
    holding = _for_loading(wanted, start, end)
    if holding and (reason := taken_by(*holding[:1], *holding[2:], wanted.by, but=wanted.but)):
        raise Refused(
            f"{reason} A holder could not be loaded then: start later, or tick that it is "
            "loaded before and book the introduction chamber for that."
        )
    return holding


def _against_the_rules(wanted, start, end, now):
    """The first rule that speaks against it; staff book past all rules but the time itself."""
    if wanted.by.is_house_staff:
        return ""
    instrument, rules = wanted.place.instrument, rules_of(wanted.place.instrument)
    if instrument.word == Instrument.Word.DOWN and start < now + timedelta(days=1):
        return f"{instrument} is down: {instrument.word_why or 'ask staff'}. Book later days."
    hours = hours_for(wanted.person, instrument)
    if hours is None:
        return (
            f"You have no standing qualification for {instrument}, so it cannot be booked. "
            "Ask staff for a training or a refresher."
        )
    on_main = wanted.place.kind == MAIN
    # a load may wait in the introduction chamber overnight, whatever the hours of the level
    asked = hours if on_main or not hours.may_book else None
    if wanted.but is not None and wanted.but.starts_at <= now:
        now = min(now, start)  # what has begun keeps its start, whatever notice is asked
    reason = planning.refusal(
        start,
        end,
        now=now,
        rules=as_law(rules),
        hours=asked,
        instrument=str(instrument),
    )
    return reason or (_over_quota(wanted, rules, start, end) if on_main else "")


def as_law(rules):
    """The row as the pure rules take it."""
    return planning.Rules(
        shortest=timedelta(minutes=rules.shortest_min),
        longest=timedelta(minutes=rules.longest_min),
        notice=timedelta(minutes=rules.notice_min),
        horizon=timedelta(days=rules.horizon_days),
    )


def hours_for(person, instrument):
    """When this person's level may book; staff at all hours, nobody without a standing level."""
    if person.is_house_staff:
        return ALL_HOURS
    found = qualify.standing(person, instrument)
    if found is None:
        return None
    level = qualify.level_of(instrument, found.level)
    return planning.Hours(
        word=found.get_level_display(),
        may_book=level.may_book,
        opens_at=level.opens_at,
        shuts_at=level.shuts_at,
        weekdays_only=level.weekdays_only,
    )


def quota_of(instrument, group, rules):
    """Hours a week of a group, or None for as much as is free."""
    own = GroupQuota.objects.filter(instrument=instrument, group=group).first()
    return own.hours if own else rules.quota_hours


def _over_quota(wanted, rules, start, end):
    group = wanted.person.group
    if group is None:
        return ""
    instrument = wanted.place.instrument
    quota = quota_of(instrument, group, rules)
    if quota is None:
        return ""
    monday = start.date() - timedelta(days=start.weekday())
    first, _ = planning.day_of(monday, start.tzinfo)
    last, _ = planning.day_of(monday + timedelta(days=7), start.tzinfo)
    held = (
        Booking.objects.standing()
        .on_main()
        .filter(place__instrument=instrument, person__group=group)
        .touching(first, last)
        .exclude(pk=wanted.but.pk if wanted.but else None)
    )
    hours = sum((row.ends_at - row.starts_at) / timedelta(hours=1) for row in held)
    return planning.over_quota(hours, start, end, quota, str(group), str(instrument))


def _for_loading(wanted, start, end):
    """The introduction chamber's stretch that a booking of the main chamber holds, or None."""
    if wanted.place.kind != MAIN or wanted.loaded_before:
        return None
    chamber = Place.objects.filter(instrument=wanted.place.instrument_id, kind=INTRODUCTION).first()
    loading = timedelta(minutes=rules_of(wanted.place.instrument).loading_min)
    if chamber is None or not loading:
        return None
    own = (  # they hold it already, from before on: the holder is loaded under that booking
        Booking.objects.standing()
        .filter(place=chamber, person=wanted.person, starts_at__lte=start, ends_at__gte=start)
        .exclude(held_for__isnull=False, held_for=wanted.but)
        .exists()
    )
    return None if own else (chamber, wanted.by, start, min(planning.later(start, loading), end))


def made(place, by, start, end, *, person, **more):
    """The row of a booking or closure, with its wall time; nothing is asked any more."""
    zone = here()
    return Booking.objects.create(
        place=place,
        person=person,
        starts_at=start,
        ends_at=end,
        wall_start=planning.wall_of(start, zone),
        wall_end=planning.wall_of(end, zone),
        zone=settings.TIME_ZONE,
        made_at=timezone.now(),
        made_by=by,
        **more,
    )


def taken_by(place, start, end, by, but=None):
    """Who holds the place then, as the asker may know it; empty where it is free."""
    held = (
        Booking.objects.standing()
        .filter(place=place)
        .touching(start, end)
        .select_related("person__group")
        .order_by("starts_at")
    )
    if but is not None:
        held = held.exclude(pk=but.pk).exclude(held_for=but.pk)
    first = held.first()
    if first is None:
        return ""
    zone = here()
    span = planning.stretch(first.starts_at.astimezone(zone), first.ends_at.astimezone(zone))
    if first.is_closure:
        return f"{place} is closed {span}: {first.why or 'ask staff'}."
    return f"{place} is booked {span} by {whose(first, by)}. Choose another time."


def where(place):
    """A booked place in a reader's words: Quayside, main chamber."""
    chamber = "main chamber" if place.kind == MAIN else "introduction chamber"
    return f"{place.instrument}, {chamber}"


def whose(booking, person):
    """The name on a booking as `person` may know it: own group and staff by name, else the group."""
    holder = booking.person
    if holder is None:
        return "nobody: closed"
    if holder.pk == person.pk:
        return "you"
    same_group = holder.group_id is not None and holder.group_id == person.group_id
    return str(holder) if same_group or person.is_house_staff else "another group"


def may_change(booking, person):
    """Whether the booking is theirs to move or cancel."""
    return booking.person_id == person.pk or access.may(person, "closure.make")


@in_turn
def move(*, booking, by, start, end, place=None):
    """Bring a booking to another time or place: both instruments locked, the same rules as for new.

    What it held of the introduction chamber moves with it. Moved to where it is, nothing changes.
    """
    place = place or booking.place
    lock(booking.place.instrument_id, place.instrument_id)
    booking = _standing(booking)
    if not may_change(booking, by):
        raise Refused("This is not your booking. Ask staff to move it.")
    if booking.held_for_id:
        raise Refused("This stretch belongs to a booking of the main chamber. Move that one.")
    if booking.is_closure:
        raise Refused("A closure is not moved. Cancel it and close another time.")
    now = timezone.now()
    if booking.is_over(now):
        raise Refused("That booking is over; it stays as it was.")
    if (place.pk, start, end) == (booking.place_id, booking.starts_at, booking.ends_at):
        return booking
    if booking.starts_at <= now and start != booking.starts_at:
        raise Refused("It has begun: only its end can move. Cancel it and book another time.")
    holds = list(Booking.objects.standing().filter(held_for=booking))
    wanted = Wanted(place, booking.person, by, start, end, not holds, booking)
    holding = refuse_unless_free(wanted)
    freed = (booking.place, booking.starts_at, booking.ends_at)
    with duty.watched(booking, by):
        drop(holds, by, Booking.Why.MOVED)
        _rewrite(booking, place, start, end, now)
    if holding:
        made(*holding, person=booking.person, why=booking.why, project=booking.project,
             held_for=booking)  # fmt: skip
    waiting.freed(place=freed[0], start=freed[1], end=freed[2], now=now)
    _tell(booking, by, f"{by} moved your time on {booking.place.instrument} to {_when(booking)}.")
    return booking


def _rewrite(booking, place, start, end, now):
    zone = here()
    booking.place, booking.starts_at, booking.ends_at = place, start, end
    booking.wall_start = planning.wall_of(start, zone)
    booking.wall_end = planning.wall_of(end, zone)
    booking.sequence += 1
    booking.changed_at = now
    booking.save()


def _standing(booking):
    """The row as it stands now, locked; refused where it was cancelled meanwhile."""
    row = Booking.objects.select_for_update(of=("self",)).filter(pk=booking.pk).first()
    if row is None or row.cancelled_at:
        raise Refused("That booking was cancelled meanwhile. Look at the day again.")
    return row


@in_turn
def cancel(*, booking, by, why=Booking.Why.PERSON):
    """Free the time, with what was held beside it; a second press changes nothing."""
    lock(booking.place.instrument_id)
    booking = Booking.objects.select_for_update(of=("self",)).get(pk=booking.pk)
    if booking.cancelled_at:
        return booking
    if not may_change(booking, by):
        raise Refused("This is not your booking. Ask staff to cancel it.")
    if booking.held_for_id:
        raise Refused("This stretch belongs to a booking of the main chamber. Cancel that one.")
    if booking.is_over(timezone.now()):
        raise Refused("That booking is over; it stays in the record.")
    free(booking, by, why)
    _tell(booking, by, f"{by} cancelled your time on {booking.place.instrument}, {_when(booking)}.")
    return booking


def _when(booking):
    return tell.stretch(booking.starts_at, booking.ends_at)


def _tell(booking, by, says):
    """Say to whom the time belongs what somebody else did with it."""
    if booking.person_id is None or booking.person_id == by.pk or booking.series_id:
        return
    tell.tell(
        person=booking.person,
        key=f"booking|{booking.pk}|{booking.sequence}",
        says=says,
        url=booking.get_absolute_url(),
        direct=True,
    )


def free(booking, by, why):
    """Cancel a row that is locked, and tell who waits; `by` None where the clock did it."""
    with duty.watched(booking, by):
        drop([booking, *Booking.objects.standing().filter(held_for=booking)], by, why)
    waiting.freed(
        place=booking.place, start=booking.starts_at, end=booking.ends_at, now=timezone.now()
    )
    return booking


def drop(rows, by, why):
    """Cancel rows that are locked; nobody is told."""
    now = timezone.now()
    for row in rows:
        row.cancelled_at, row.cancelled_by, row.cancelled_why = now, by, why
        row.sequence += 1
        row.changed_at = now
        row.save(update_fields=CANCELLING)
