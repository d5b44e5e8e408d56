"""Verbs of time: hold a place, close it, cancel."""

import zoneinfo

from django.conf import settings
from django.db import IntegrityError, transaction
from django.utils import timezone

from bookings.models import Booking
from facility import access
from facility.errors import Refused
from facility.models import Instrument


def book(*, place, by, start, end, why="", closure=False, sent_id=None):
    """Hold `place` from `start` until `end`, or raise Refused with who has the time."""
    access.require(by, "closure.make" if closure else "booking.make")
    try:
        with transaction.atomic():
            return _book(place, by, start, end, why, closure, sent_id)
    except IntegrityError:  # the database's own guard; the lock below makes this rare
        raise Refused(_taken(place, start, end, by) or f"{place} is taken then.") from None


def _book(place, by, start, end, why, closure, sent_id):
    Instrument.objects.select_for_update().get(pk=place.instrument_id)  # one booker at a time
    if sent_id and (before := Booking.objects.filter(sent_id=sent_id).first()):
        return before
    now = timezone.now()
    if end <= start:
        raise Refused(
            f"A booking must end after it starts, {timezone.localtime(start):%d %b %H:%M}."
        )
    if end <= now:
        raise Refused("That time is over. Book from now on; what happened is in the sessions.")
    if taken := _taken(place, start, end, by):
        raise Refused(taken)
    zone = zoneinfo.ZoneInfo(settings.TIME_ZONE)
    return Booking.objects.create(
        place=place,
        person=None if closure else by,
        starts_at=start,
        ends_at=end,
        wall_start=f"{start.astimezone(zone):%Y-%m-%dT%H:%M}",
        wall_end=f"{end.astimezone(zone):%Y-%m-%dT%H:%M}",
        zone=settings.TIME_ZONE,
        why=why,
        made_at=now,
        made_by=by,
        sent_id=sent_id,
    )


def _taken(place, start, end, by):
    """Who holds the place then, as the asker may know it; empty where it is free."""
    held = (
        Booking.objects.standing()
        .filter(place=place)
        .touching(start, end)
        .select_related("person__group")
        .first()
    )
    if held is None:
        return ""
    span = f"{timezone.localtime(held.starts_at):%d %b %H:%M} to {timezone.localtime(held.ends_at):%H:%M}"
    if held.is_closure:
        return f"{place} is closed {span}: {held.why or 'ask staff'}."
    return f"{place} is booked {span} by {whose(held, by)}. Choose another time."


def whose(booking, person):
    """The name on a booking as `person` may know it: own group and staff by name, else the group."""
    holder = booking.person
    if holder is None:
        return "nobody: closed"
    if holder.pk == person.pk:
        return "you"
    same_group = holder.group_id is not None and holder.group_id == person.group_id
    return str(holder) if same_group or person.is_house_staff else "another group"


@transaction.atomic
def cancel(*, booking, by):
    """Free the time; a second press changes nothing."""
    booking = Booking.objects.select_for_update().get(pk=booking.pk)
    if booking.cancelled_at:
        return booking
    if booking.person_id != by.pk and not access.may(by, "closure.make"):
        raise Refused("This is not your booking. Ask staff to cancel it.")
    booking.cancelled_at, booking.cancelled_by = timezone.now(), by
    booking.save(update_fields=["cancelled_at", "cancelled_by"])
    return booking
