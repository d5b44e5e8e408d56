"""The wall board of an instrument: what is on now, what is next; behind a private address, no names."""

import secrets
from datetime import timedelta

from django.db import transaction
from django.utils import timezone

from bookings import learning, pump
from bookings.models import Board, Booking, LeftRunning, PumpDown, Session
from facility import access
from facility.invite import digest_of
from facility.models import Chamber, Instrument

AHEAD = timedelta(days=2)


@transaction.atomic
def renew(*, instrument, by):
    """A new private address; the one before stops working. Returns its token, shown once."""
    access.require(by, "board.keep")
    Instrument.objects.select_for_update().get(pk=instrument.pk)
    end(instrument=instrument, by=by)
    token = secrets.token_urlsafe(32)
    Board.objects.create(
        instrument=instrument, digest=digest_of(token), made_at=timezone.now(), made_by=by
    )
    return token


@transaction.atomic
def end(*, instrument, by):
    """The address stops working."""
    access.require(by, "board.keep")
    Board.objects.filter(instrument=instrument, ended_at=None).update(ended_at=timezone.now())


def behind(token):
    """The instrument under an address, or None."""
    row = (
        Board.objects.filter(digest=digest_of(token), ended_at=None)
        .select_related("instrument")
        .first()
    )
    return row and row.instrument


def standing():
    """The boards that show, by instrument."""
    return {row.instrument_id: row for row in Board.objects.filter(ended_at=None)}


def now_on(instrument, now):
    """What the board says; nobody's name, no sample, no group."""
    running = (
        PumpDown.objects.running()
        .filter(chamber__instrument=instrument, chamber__kind=Chamber.Kind.INTRODUCTION)
        .select_related("chamber__instrument")
        .first()
    )
    session = Session.objects.open().filter(instrument=instrument).first()
    bookings = list(
        Booking.objects.standing()
        .on_main()
        .filter(place__instrument=instrument, ends_at__gt=now, starts_at__lt=now + AHEAD)
        .order_by("starts_at")[:4]
    )
    here = next((row for row in bookings if row.starts_at <= now), None)
    later = next((row for row in bookings if row.starts_at > now), None)
    marks = (
        LeftRunning.objects.filter(session__instrument=instrument, ended_at=None, until__gt=now)
        .order_by("until")[:2]
    )  # fmt: skip
    return {
        "state": _state(running, session, here, now),
        "pressure": _pressure(instrument, running),
        "ready": _ready(running),
        "next": _next(later, now),
        "marks": [{"until": _at(row.until, now), "phone": _number(row.phone)} for row in marks],
    }


def _state(running, session, here, now):
    """(mark, words) of the moment."""
    until = f", booked until {_at(here.ends_at, now)}" if here and not here.is_closure else ""
    if running:
        return "pumping", f"pumping down{until}"
    if session:
        return "in-use", f"in use{until}"
    if here is not None and here.is_closure:
        return "closed", f"closed until {_at(here.ends_at, now)}"
    if here is not None:
        return "ready", f"booked until {_at(here.ends_at, now)}"
    return "ready", "free"


def _next(row, now):
    if row is None:
        return "nothing booked for two days"
    what = "closed" if row.is_closure else "booked"
    return f"{what} {_at(row.starts_at, now)} until {_at(row.ends_at, row.starts_at)}"


def _ready(running):
    """(bold, pencil): about when a load may be transferred."""
    found = learning.forecast_of(running) if running else None
    if found is None:
        return None
    low, ready, high = learning.local_ready(running, found)
    if found.low80_s == found.high80_s:
        return f"below the threshold since {ready:%H:%M}", ""
    return f"ready about {ready:%H:%M}", f"80 % between {low:%H:%M} and {high:%H:%M}"


def _pressure(instrument, running):
    """(pascal, unit, chamber, moment) of the newest reading that matters, or None."""
    wanted = Chamber.Kind.INTRODUCTION if running else Chamber.Kind.MAIN
    gauges = pump.gauges_of(instrument, wanted)
    newest = pump.newest(gauges)
    shown = [(newest[row.pk], row) for row in gauges if newest[row.pk]]
    if not shown:
        return None
    reading, gauge = max(shown, key=lambda pair: pair[0].at)
    return {
        "pascal": reading.pressure_pa,
        "unit": gauge.unit,
        "chamber": gauge.chamber.get_kind_display(),
        "at": reading.at,
    }


def _number(phone):
    """The number alone: a name beside it is nobody's business in the corridor."""
    return " ".join("".join(c if c in "+0123456789" else " " for c in phone).split())


def _at(moment, now):
    at = timezone.localtime(moment)
    return f"{at:%H:%M}" if at.date() == timezone.localdate(now) else f"{at:%a %H:%M}"
