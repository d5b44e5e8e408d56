"""A person's calendar of one instrument as iCalendar, under a private address that can be renewed."""

import secrets
from datetime import timedelta

from django.db import transaction
from django.utils import timezone
from icalendar import Calendar, Event

from bookings.book import here, whose
from bookings.models import Booking, Feed
from facility import access
from facility.invite import digest_of

BACK, AHEAD = timedelta(days=60), timedelta(days=400)
AT_MOST = 3000


@transaction.atomic
def renew(*, person, instrument):
    """A new private address; the one before stops working. Returns its token, shown once."""
    access.require(person, "booking.make")
    end(person=person, instrument=instrument)
    token = secrets.token_urlsafe(32)
    Feed.objects.create(
        person=person, instrument=instrument, digest=digest_of(token), made_at=timezone.now()
    )
    return token


def end(*, person, instrument):
    """The address stops working."""
    Feed.objects.filter(person=person, instrument=instrument, ended_at=None).update(
        ended_at=timezone.now()
    )


def behind(token):
    """The feed under an address, or None: ended, of somebody who left, or never made."""
    return (
        Feed.objects.filter(digest=digest_of(token), ended_at=None, person__is_active=True)
        .select_related("person", "instrument")
        .first()
    )


def calendar_of(feed, now):
    """All of the instrument's time as this person may know it: theirs by name, others as taken."""
    calendar = Calendar()
    calendar.add("prodid", "-//Holdfast//Bookings//EN")
    calendar.add("version", "2.0")
    calendar.add("method", "PUBLISH")
    calendar.add("x-wr-calname", f"{feed.instrument}, Holdfast")
    rows = (
        Booking.objects.filter(place__instrument=feed.instrument, held_for=None)
        .touching(now - BACK, now + AHEAD)
        .shown()
        .order_by("starts_at")
    )
    for row in rows[:AT_MOST]:
        if row.cancelled_at is None or row.person_id == feed.person_id:
            calendar.add_component(_event(row, feed))
    calendar.add_missing_timezones(
        first_date=(now - BACK).date() - timedelta(days=400),
        last_date=(now + AHEAD).date() + timedelta(days=400),
    )
    return calendar.to_ical()


def _event(row, feed):
    """One booking; what it is for stays out, because it may name a sample."""
    event = Event()
    event.add("uid", f"{row.uid}@holdfast")
    event.add("dtstart", row.starts_at.astimezone(here()))
    event.add("dtend", row.ends_at.astimezone(here()))
    event.add("dtstamp", row.changed_at or row.made_at)
    event.add("last-modified", row.changed_at or row.made_at)
    event.add("sequence", row.sequence)
    event.add("status", "CANCELLED" if row.cancelled_at else "CONFIRMED")
    event.add("summary", _summary(row, feed))
    event.add("location", str(row.place))
    if row.person_id != feed.person_id:
        event.add("transp", "TRANSPARENT")
    return event


def _summary(row, feed):
    if row.is_closure:
        return f"{feed.instrument} closed: {row.why}" if row.why else f"{feed.instrument} closed"
    said = whose(row, feed.person)
    return f"{feed.instrument}: {'yours' if said == 'you' else f'taken by {said}'}"
