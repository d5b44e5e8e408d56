"""Verbs of asking staff who are not there: a link to their own telephone, used once."""

import hashlib
import secrets
from datetime import timedelta

from django.db import transaction
from django.urls import reverse
from django.utils import timezone

from bookings import flag as flags
from bookings import tell
from bookings.models import AskedByLink, Flag
from facility import access
from facility.errors import Refused
from facility.models import Person

GOOD_FOR = timedelta(hours=12)  # own proposal: one working day
AT_MOST = 5  # links a flag and day, so that a telephone is not flooded


def _digest(token):
    return hashlib.sha256(token.encode()).hexdigest()


def who_may_answer(flag):
    """Named people who may lift this flag: staff, or the safety officer where the rule is theirs."""
    rule = flags.RULES.get(flag.rule)
    people = Person.objects.here()
    if rule and rule.override == "nobody":
        return people.none()
    if rule and rule.override == "safety officer":
        return people.filter(role=Person.Role.SAFETY)
    return people.staff_of_the_house()


@transaction.atomic
def ask(*, flag, person, by):
    """Send a link to a named person; whoever asks never sees it. Returns the row."""
    access.require(by, "holder.mount")
    flag = Flag.objects.select_for_update().get(pk=flag.pk)
    if flag.answer or flag.cleared_at:
        raise Refused("This no longer waits for an answer. Look at the holder again.")
    if not who_may_answer(flag).filter(pk=person.pk).exists():
        raise Refused(f"{person} does not answer {flag.rule}. Ask somebody who does.")
    now = timezone.now()
    if flag.asked.filter(made_at__gt=now - timedelta(days=1)).count() >= AT_MOST:
        raise Refused(f"{AT_MOST} links were sent for this today. Phone the staff instead.")
    token = secrets.token_urlsafe(24)
    row = AskedByLink.objects.create(
        flag=flag,
        person=person,
        asked_by=by,
        digest=_digest(token),
        made_at=now,
        expires_at=now + GOOD_FOR,
    )
    tell.tell(
        person=person,
        key=f"asked {row.pk}",
        says=f"{by} asks about holder {flag.holder}: {flag.says}",
        url=reverse("bookings:answer_by_link", args=[token]),
        direct=True,
    )
    return row


def read(token):
    """The standing link of a token, or Refused with what became of it."""
    row = (
        AskedByLink.objects.select_related(
            "flag__holder", "flag__answered_by", "person", "asked_by"
        )
        .filter(digest=_digest(token))
        .first()
    )
    if row is None:
        raise Refused("This link is not known here. Ask whoever sent it for a new one.")
    if row.used_at:
        raise Refused("This link was used before. It answers once.")
    if row.expires_at < timezone.now() or not row.person.is_active:
        raise Refused("This link has run out. Sign in to answer, or ask for a new one.")
    return row


@transaction.atomic
def answer(*, token, answer, sentence):
    """Answer by the link, in the name of the person it was sent to; the link is then used."""
    row = read(token)
    row = AskedByLink.objects.select_for_update().select_related("flag", "person").get(pk=row.pk)
    if row.used_at:
        raise Refused("This link was used before. It answers once.")
    if not sentence.strip():
        raise Refused("Write a sentence with this answer: the next person reads it.")
    flags.answer(flag=row.flag, by=row.person, answer=answer, sentence=sentence)
    row.used_at = timezone.now()
    row.save(update_fields=["used_at"])
    return row
