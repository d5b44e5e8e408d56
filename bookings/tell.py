"""Verbs of messages: write one with its cause; tick gathers what waits and sends it.

At most two mails a person and week, direct answers apart; what waits goes along with the next.
"""

import logging
from datetime import timedelta
from smtplib import SMTPException

from django.conf import settings
from django.core.mail import EmailMessage
from django.db import transaction
from django.db.models import Count, Min, Q
from django.template.loader import render_to_string
from django.utils import timezone

from bookings import planning
from bookings.models import Mail, Message
from facility.models import Person

GATHERED = timedelta(minutes=30)  # what comes within it goes out as one; own proposal
A_WEEK = timedelta(days=7)
DIGESTS = 2  # a person and week
AGAIN = timedelta(minutes=10)
TRIES = 6
log = logging.getLogger(__name__)


def moment(at):
    """A moment in words, in the facility's zone."""
    return planning.words(timezone.localtime(at))


def stretch(start, end):
    """A stretch in words, in the facility's zone."""
    return planning.stretch(timezone.localtime(start), timezone.localtime(end))


def tell(*, person, key, says, url="", direct=False):
    """Write one sentence for one person; the same cause tells them once. Sent by tick."""
    row, _ = Message.objects.get_or_create(
        person=person,
        key=key[:120],
        defaults={
            "says": says[:400],
            "url": url,
            "direct": direct,
            "made_at": timezone.now(),
        },
    )
    return row


def tell_staff(*, key, says, url=""):
    """The same sentence for everybody who looks after instruments."""
    for person in Person.objects.staff_of_the_house():
        tell(person=person, key=key, says=says, url=url)


def see(*, person, now):
    """They looked: what was unread is read."""
    return Message.objects.unread().filter(person=person).update(seen_at=now)


def gather(now):
    """Make mails of what waits: one a person, when it is due; for tick. Returns how many."""
    waiting = (
        Message.objects.unsent()
        .filter(person__is_active=True)
        .exclude(person__email="")
        .values("person")
        .annotate(first=Min("made_at"), direct=Count("pk", filter=Q(direct=True)))
    )
    week = dict(
        Mail.objects.filter(made_at__gt=now - A_WEEK, direct=False)
        .values_list("person")
        .annotate(Count("pk"))
    )
    made = 0
    for row in waiting:
        late = row["first"] <= now - GATHERED and week.get(row["person"], 0) < DIGESTS
        if row["direct"] or late:
            mail = Mail.objects.create(
                person_id=row["person"], direct=bool(row["direct"]), made_at=now
            )
            Message.objects.unsent().filter(person=row["person"]).update(mail=mail)
            made += 1
    return made


def send(now):
    """Send what was gathered, outside the lock that made it; a mail that fails is tried again."""
    due = Mail.objects.filter(sent_at=None, tries__lt=TRIES).filter(
        Q(last_try_at=None) | Q(last_try_at__lt=now - AGAIN)
    )
    sent = 0
    for mail in due.select_related("person")[:200]:
        claimed = Mail.objects.filter(pk=mail.pk, sent_at=None, tries=mail.tries).update(
            tries=mail.tries + 1, last_try_at=now
        )
        if not claimed:  # another worker has it
            continue
        try:
            _letter(mail).send()
        except (OSError, SMTPException) as problem:
            log.warning("mail %s was not sent: %s", mail.pk, problem)
        else:
            Mail.objects.filter(pk=mail.pk).update(sent_at=timezone.now())
            sent += 1
    return sent


def _letter(mail):
    rows = list(mail.messages.order_by("made_at", "pk"))
    subject = rows[0].says if len(rows) == 1 else f"{len(rows)} things from Holdfast"
    words = {"person": mail.person, "messages": rows, "base": settings.PUBLIC_URL.rstrip("/")}
    return EmailMessage(
        subject=subject[:120],
        body=render_to_string("bookings/mail.txt", words),
        to=[mail.person.email],
    )


@transaction.atomic
def forget(now):
    """Messages that everybody has read, older than a year."""
    old = Message.objects.filter(
        seen_at__lt=now - timedelta(days=365), made_at__lt=now - timedelta(days=365)
    )
    return old.delete()[0]
