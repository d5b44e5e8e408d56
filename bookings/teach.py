"""Verbs that train people and say so: the facility's verbs with the message that belongs to them."""

from django.db import transaction
from django.urls import reverse

from bookings import tell
from bookings.models import Session
from facility import qualify


@transaction.atomic
def begin(*, person, instrument, level, by, refresher=False):
    """Open a training; the session in which both take part now is noted with it."""
    together = (
        Session.objects.open()
        .filter(instrument=instrument, parts__person=person)
        .filter(parts__session__parts__person=by)
        .first()
    )
    return qualify.begin_training(
        person=person,
        instrument=instrument,
        level=level,
        by=by,
        refresher=refresher,
        session_number=together.pk if together else None,
    )


@transaction.atomic
def grant(*, training, by, lapses_on=None):
    """Grant a level and tell its person."""
    row = qualify.grant(training=training, by=by, lapses_on=lapses_on)
    last = f" until {row.last_day:%d %b %Y} at least" if row.last_day else ""
    tell.tell(
        person=row.person,
        key=f"granted|{row.pk}",
        says=f"You are qualified for {row.instrument}: {row.get_level_display()}{last}. "
        f"Granted by {by}.",
        url=reverse("bookings:person", args=[row.person_id]),
        direct=True,
    )
    return row


@transaction.atomic
def end(*, qualification, by, why):
    """Take a level back and tell its person why."""
    row = qualify.end(qualification=qualification, by=by, why=why)
    tell.tell(
        person=row.person,
        key=f"ended|{row.pk}",
        says=f"Your qualification for {row.instrument}, {row.get_level_display()}, has ended: "
        f"{row.ended_why}. Making safe, unloading and signing off stay open. Ask {by}.",
        url=reverse("bookings:person", args=[row.person_id]),
        direct=True,
    )
    return row
