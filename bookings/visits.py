"""Verbs of coming and leaving: invite a visitor, nothing left behind, hand over samples."""

from django.db import transaction
from django.urls import reverse
from django.utils import timezone

from bookings import book, tell
from bookings.models import Booking, Feed, Wish
from facility import access, invite, qualify
from facility.errors import Refused
from facility.models import Person, Visit
from samples import mount
from samples.models import Sample


@transaction.atomic
def invite_visitor(*, by, host, arrives_on, leaves_on, samples_ahead="", **who):
    """Somebody new with a stay; the host is told. Returns (person, token of the link)."""
    person, token = invite.invite(by=by, role=Person.Role.VISITOR, **who)
    arrange(person=person, host=host, arrives_on=arrives_on, leaves_on=leaves_on, by=by,
            samples_ahead=samples_ahead)  # fmt: skip
    return person, token


@transaction.atomic
def arrange(*, person, host, arrives_on, leaves_on, by, samples_ahead=""):
    """A stay of somebody who is known already."""
    visit = invite.arrange_visit(
        person=person,
        host=host,
        arrives_on=arrives_on,
        leaves_on=leaves_on,
        by=by,
        samples_ahead=samples_ahead,
    )
    if host.pk != by.pk:
        ahead = f" Samples ahead: {samples_ahead}." if samples_ahead else ""
        tell.tell(
            person=host,
            key=f"host|{visit.pk}",
            says=f"You host {person} from {arrives_on:%d %b} to {leaves_on:%d %b %Y}.{ahead} "
            "Show the house on the first day.",
            url=reverse("bookings:person", args=[person.pk]),
        )
    return visit


def left_here(person):
    """Samples of this person that the house still keeps."""
    return list(Sample.objects.filter(owner=person).kept().order_by("pk"))


@transaction.atomic
def close(*, visit, by):
    """Nothing was left behind: refused while a sample of theirs is kept here."""
    if by.pk != visit.host_id:
        access.require(by, "person.invite")
    visit = Visit.objects.select_for_update().get(pk=visit.pk)
    if visit.closed_at:
        return visit
    if kept := left_here(visit.person):
        raise Refused(
            f"{len(kept)} of {visit.person}'s samples {'is' if len(kept) == 1 else 'are'} still "
            f"here: {', '.join(str(row) for row in kept[:4])}"
            f"{' and others' if len(kept) > 4 else ''}. Record how each went, or hand them over."
        )
    visit.closed_at, visit.closed_by = timezone.now(), by
    visit.save(update_fields=["closed_at", "closed_by"])
    return visit


@transaction.atomic
def hand_over(*, person, to, by):
    """Everything of theirs that is still here belongs to somebody else from now on."""
    access.require(by, "person.invite")
    if to.pk == person.pk:
        raise Refused("Choose somebody else to take them over.")
    kept = left_here(person)
    if kept:
        mount.hand_over(samples=kept, to=to)
        tell.tell(
            person=to,
            key=f"handed over|{person.pk}|{kept[-1].pk}",
            says=f"{len(kept)} sample{'s' if len(kept) > 1 else ''} of {person} "
            f"{'are' if len(kept) > 1 else 'is'} yours now.",
            url=reverse("bookings:samples"),
            direct=True,
        )
    return kept


@transaction.atomic
def leave(*, person, by, to=None):
    """Somebody leaves for good: samples handed over, time freed, levels ended, sign-in shut.

    What they did stays in the record under their name.
    """
    access.require(by, "person.invite")
    person = Person.objects.select_for_update().get(pk=person.pk)
    if not person.is_active:
        return person
    if person.pk == by.pk:
        raise Refused("Nobody lets themselves out. Ask a colleague.")
    if person.is_superuser and not by.is_superuser:
        raise Refused(f"{person} keeps the tables; only another superuser lets them out.")
    kept = left_here(person)
    if kept and to is None:
        raise Refused(
            f"{person} has {len(kept)} sample{'s' if len(kept) > 1 else ''} here. "
            "Choose who takes them over."
        )
    if kept:
        hand_over(person=person, to=to, by=by)
    now = timezone.now()
    rows = Booking.objects.standing().filter(person=person, held_for=None, ends_at__gt=now)
    for row in rows.select_related("place__instrument"):
        book.cancel(booking=row, by=by, why=Booking.Why.LEFT)
    Wish.objects.waiting().filter(person=person).update(ended_at=now)
    Feed.objects.filter(person=person, ended_at=None).update(ended_at=now)
    Visit.objects.open().filter(person=person).update(closed_at=now, closed_by=by)
    qualify.end_all(person=person, why="has left")
    person.is_active, person.left_at = False, now
    person.save(update_fields=["is_active", "left_at"])
    return person
