"""Verbs of closures: close an instrument, tell each person once, offer free time in booking order."""

from datetime import timedelta

from django.urls import reverse
from django.utils import timezone

from bookings import planning, tell, waiting
from bookings.book import MAIN, as_law, drop, free, here, hours_for, in_turn, lock, made, rules_of
from bookings.models import Booking
from facility import access
from facility.errors import Refused
from facility.models import Place

AHEAD = timedelta(days=28)  # free time is looked for so far after a closure; own proposal


@in_turn
def close(*, instrument, by, start, end, why, sent_id=None):
    """Close every place of an instrument; bookings that touch it are cancelled and told.

    Returns the closure of the main chamber. Each person is told once, in the order in which they
    booked, and the first free time of the same length after it is offered to them.
    """
    access.require(by, "closure.make")
    lock(instrument)
    if sent_id and (before := Booking.objects.filter(sent_id=sent_id).first()):
        return before
    now = timezone.now()
    if end <= start:
        raise Refused(
            f"A closure must end after it starts, {planning.words(start.astimezone(here()))}."
        )
    if end <= now:
        raise Refused("That time is over. Close from now on.")
    if not why.strip():
        raise Refused("Say why it is closed; everybody sees it.")
    places = list(
        Place.objects.filter(instrument=instrument, kind__in=[MAIN, Place.Kind.INTRODUCTION])
    )
    touched = Booking.objects.standing().filter(place__in=places).touching(start, end)
    if other := touched.closures().first():
        raise Refused(
            f"{instrument} is closed {tell.stretch(other.starts_at, other.ends_at)} already."
        )
    cancelled = _cancel(touched.of_people(), by)
    rows = [
        made(
            place,
            by,
            start,
            end,
            person=None,
            why=why.strip(),
            sent_id=sent_id if place.kind == MAIN else None,
        )
        for place in places
    ]
    for row in cancelled:  # what lay outside the closure is free
        waiting.freed(place=row.place, start=row.starts_at, end=row.ends_at, now=now)
    _tell(cancelled, instrument, start, end, why.strip(), now)
    return next((row for row in rows if row.place.kind == MAIN), rows[0])


def _cancel(touched, by):
    """Cancel the bookings themselves; what was held beside them goes with them."""
    rows = list(touched.select_related("held_for", "person", "place__instrument"))
    owners = {row.held_for_id for row in rows if row.held_for_id}
    more = Booking.objects.standing().filter(pk__in=owners - {row.pk for row in rows})
    roots = [row for row in rows if not row.held_for_id]
    roots += more.select_related("person", "place__instrument")
    held = Booking.objects.standing().filter(held_for__in=[row.pk for row in roots])
    drop([*roots, *held], by, Booking.Why.CLOSED)
    return sorted(roots, key=lambda row: (row.made_at, row.pk))


def _tell(cancelled, instrument, start, end, why, now):
    """Offers in booking order, so that who booked first chooses first; one sentence a person."""
    offered, lost = [], {}
    for row in cancelled:
        lost.setdefault(row.person, []).append(row)
        if slot := _slot_for(row, end, offered):
            offered.append((row.place_id, *slot))
            waiting.offer(
                person=row.person, place=row.place, start=slot[0], end=slot[1], now=now,
                instead_of=row,
            )  # fmt: skip
    for person, rows in lost.items():
        times = "; ".join(tell.stretch(row.starts_at, row.ends_at) for row in rows[:4])
        more = f" and {len(rows) - 4} more" if len(rows) > 4 else ""
        tell.tell(
            person=person,
            key=f"closed|{instrument.pk}|{start:%Y%m%dT%H%M}|{rows[0].pk}",
            says=f"{instrument} is closed {tell.stretch(start, end)}: {why}. "
            f"Your time is cancelled: {times}{more}.",
            url=reverse("bookings:bookings"),
            direct=True,
        )


def _slot_for(row, after, offered):
    """The first free stretch of the same length after the closure, at hours that they may book."""
    zone, length = here(), row.ends_at - row.starts_at
    after = max(after, timezone.now()).astimezone(zone)
    held = Booking.objects.standing().filter(place=row.place).touching(after, after + AHEAD)
    taken = [planning.Taken(one.starts_at, one.ends_at) for one in held]
    taken += [planning.Taken(s, e) for place, s, e in offered if place == row.place_id]
    instrument = row.place.instrument
    hours, rules = hours_for(row.person, instrument), as_law(rules_of(instrument))
    if hours is None:
        return None

    def allows(start, end):
        now = timezone.now()
        return not planning.refusal(
            start, end, now=now, rules=rules, hours=hours, instrument=str(instrument)
        )

    # the same time of day first, on the next days; then the first hours that are free
    wall = row.starts_at.astimezone(zone).replace(tzinfo=None)
    for days in range(1, AHEAD.days):
        try:
            start = planning.moment_of(wall + timedelta(days=days), zone)
        except ValueError:
            continue
        free_then = all(
            one.end <= start or one.start >= planning.later(start, length) for one in taken
        )
        if start >= after and free_then and allows(start, planning.later(start, length)):
            return start, planning.later(start, length)
    return planning.next_slot(taken, length, after=after, until=after + AHEAD, allows=allows)


@in_turn
def open_again(*, closure, by):
    """Take a closure back, on all places of the instrument; who waits is told."""
    access.require(by, "closure.make")
    lock(closure.place.instrument_id)
    rows = Booking.objects.standing().filter(
        place__instrument=closure.place.instrument_id,
        person=None,
        starts_at=closure.starts_at,
        ends_at=closure.ends_at,
    )
    for row in rows.select_related("place__instrument"):
        free(row, by, Booking.Why.PERSON)
    return closure
