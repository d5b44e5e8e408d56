"""The wall board of an instrument: what is on now, what is next; behind a private address, no names."""

import hashlib
import secrets
from datetime import timedelta

from django.db import transaction
from django.db.models import OuterRef, Subquery
from django.utils import timezone

from bookings import learning, pump
from bookings.models import Board, Booking, LeftRunning, PumpDown, Reading, Session
from facility import access
from facility.invite import digest_of
from facility.models import Chamber, Gauge, Instrument

AHEAD = timedelta(days=2)
FORECAST_S = 300  # a forecast is looked at anew so often while nobody reads; own choice


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


def behind(token, now):
    """The board under an address with what `news` looks at, or None; one query."""
    return (
        Board.objects.filter(digest=digest_of(token), ended_at=None)
        .select_related("instrument")
        .annotate(**_looked_at(now))
        .first()
    )


def _looked_at(now):
    """Keys of what is on now and next, of the board's instrument."""
    here = OuterRef("instrument")
    pumped = PumpDown.objects.running().filter(chamber__instrument=here)
    open_now = Session.objects.open().filter(instrument=here).order_by("opened_at")
    held = Booking.objects.standing().on_main().filter(place__instrument=here)
    on = held.filter(starts_at__lte=now, ends_at__gt=now)
    later = held.filter(starts_at__gt=now, starts_at__lt=now + AHEAD).order_by("starts_at")
    left = LeftRunning.objects.filter(session__instrument=here, ended_at=None, until__gt=now)
    return {
        "running": Subquery(pumped.values("pk")[:1]),
        "session": Subquery(open_now.values("pk")[:1]),
        "held": Subquery(on.values("ends_at")[:1]),
        "begins": Subquery(later.values("starts_at")[:1]),
        "ends": Subquery(later.values("ends_at")[:1]),
        "left": Subquery(left.order_by("until").values("pk")[:1]),
    }


def news(board, now):
    """A short word that changes when the board has something new; one query more."""
    last = Reading.objects.filter(gauge=OuterRef("pk")).order_by("-at", "-pk").values("pk")
    gauges = Gauge.objects.filter(chamber__instrument=board.instrument_id, on_ion_gun=False)
    seen = [
        *gauges.order_by("pk").annotate(last=Subquery(last[:1])).values_list("pk", "last"),
        board.instrument.word, board.instrument.word_why, board.running, board.session,
        board.held, board.begins, board.ends, board.left,
        int(now.timestamp() // FORECAST_S) if board.running else 0,
    ]  # fmt: skip
    return hashlib.sha256(repr(seen).encode()).hexdigest()[:16]


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
