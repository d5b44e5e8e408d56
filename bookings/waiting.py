"""Verbs of waiting: want a stretch that is taken, be offered it when it is free, take it or not.

An offer holds nothing: it says first to one person, for a while, that time is free.
"""

from datetime import timedelta

from django.db import transaction
from django.urls import reverse
from django.utils import timezone

from bookings import tell
from bookings.models import Booking, BookingRules, Offer, Wish
from facility import access
from facility.errors import Refused

AT_MOST = 20  # wishes of one person, own proposal


@transaction.atomic
def want(*, place, by, start, end):
    """Put oneself on the list for a stretch; a second press is the same wish."""
    access.require(by, "booking.make")
    now = timezone.now()
    if end <= start or end <= now:
        raise Refused("Wait for a stretch that ends later than it starts, and later than now.")
    held = Booking.objects.standing().filter(place=place).touching(start, end)
    if not held.exists():
        raise Refused(f"{place} is free then. Book it.")
    if held.closures().exists():
        raise Refused(f"{place} is closed then: {held.closures().first().why or 'ask staff'}.")
    if Wish.objects.waiting().filter(person=by, ends_at__gt=now).count() >= AT_MOST:
        raise Refused(f"You wait for {AT_MOST} stretches already. Leave one of them first.")
    wish, _ = Wish.objects.get_or_create(
        person=by,
        place=place,
        starts_at=start,
        ends_at=end,
        ended_at=None,
        defaults={"made_at": now},
    )
    return wish


@transaction.atomic
def leave(*, wish, by):
    """Wait no longer."""
    if wish.person_id != by.pk and not access.may(by, "closure.make"):
        raise Refused("That is somebody else's wish.")
    Wish.objects.filter(pk=wish.pk, ended_at=None).update(ended_at=timezone.now())


def freed(*, place, start, end, now):
    """Time became free: the first who waits for some of it, and could have all they want, is told."""
    wishes = (
        Wish.objects.waiting()
        .filter(place=place, starts_at__lt=end, ends_at__gt=max(start, now))
        .filter(person__is_active=True)
        .order_by("made_at", "pk")
    )
    offered = []
    for wish in wishes:
        begins = max(wish.starts_at, now)
        clash = any(begins < until and wish.ends_at > since for since, until in offered)
        if clash or _is_offered(wish) or not _is_free(place, begins, wish.ends_at):
            continue
        offer(person=wish.person, place=place, start=begins, end=wish.ends_at, now=now, wish=wish)
        offered.append((begins, wish.ends_at))
    return len(offered)


def _is_free(place, start, end):
    return not Booking.objects.standing().filter(place=place).touching(start, end).exists()


def _is_offered(wish):
    """Whether somebody has an offer of that time that still stands."""
    return (
        Offer.objects.standing(timezone.now())
        .filter(place=wish.place, starts_at__lt=wish.ends_at, ends_at__gt=wish.starts_at)
        .exists()
    )


def offer(*, person, place, start, end, now, wish=None, instead_of=None):
    """Say to one person that a stretch is free, for as long as the instrument's rules give."""
    rules = BookingRules.objects.filter(instrument=place.instrument_id).first() or BookingRules()
    made = Offer.objects.create(
        person=person,
        place=place,
        starts_at=start,
        ends_at=end,
        instead_of=instead_of,
        wish=wish,
        made_at=now,
        until=min(end, now + timedelta(hours=rules.offer_hours)) if wish else end,
    )
    tell.tell(
        person=person,
        key=f"offer|{made.pk}",
        says=f"{place.instrument}: {tell.stretch(start, end)} is free. "
        f"It is offered to you first until {tell.moment(made.until)}.",
        url=reverse("bookings:offer", args=[made.pk]),
        direct=True,
    )
    return made


def got(*, person, place, start, end, booking):
    """They hold it now: their wish for it and an offer of it are answered."""
    now = timezone.now()
    Wish.objects.waiting().filter(
        person=person, place=place, starts_at__gte=start, ends_at__lte=end
    ).update(ended_at=now)
    Offer.objects.filter(
        person=person, place=place, answered_at=None, starts_at__lt=end, ends_at__gt=start
    ).update(answer=Offer.Answer.TAKEN, answered_at=now, booking=booking)


@transaction.atomic
def decline(*, offer, by):
    """Not wanted: the next who waits is told at once."""
    if offer.person_id != by.pk:
        raise Refused("That offer is for somebody else.")
    now = timezone.now()
    if Offer.objects.filter(pk=offer.pk, answered_at=None).update(
        answer=Offer.Answer.LEFT, answered_at=now
    ):
        if offer.wish_id:
            Wish.objects.filter(pk=offer.wish_id, ended_at=None).update(ended_at=now)
        freed(place=offer.place, start=offer.starts_at, end=offer.ends_at, now=now)


def pass_on(now):
    """Offers that nobody took in time go to the next who waits; for tick."""
    late = Offer.objects.filter(answered_at=None, until__lte=now).select_related("place")
    count = 0
    for row in late:
        row.answer, row.answered_at = Offer.Answer.PASSED, now
        row.save(update_fields=["answer", "answered_at"])
        Wish.objects.filter(pk=row.wish_id, ended_at=None).update(ended_at=now)
        if row.ends_at > now:
            freed(place=row.place, start=row.starts_at, end=row.ends_at, now=now)
        count += 1
    Wish.objects.waiting().filter(ends_at__lte=now).update(ended_at=now)
    return count
