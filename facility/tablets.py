"""Verbs of tablets: pair, end, sign on by PIN; a sign-on for every browser."""

import re
import secrets
from datetime import timedelta

from django.contrib.auth.hashers import check_password, make_password
from django.db import transaction
from django.utils import timezone

from facility import access, log
from facility.errors import Refused
from facility.models import Attempt, Person, SignOn, Tablet

PIN = re.compile(r"[0-9]{6}")
WRONG_AT_MOST = 5
PAUSE = timedelta(minutes=15)
EASY = {digit * 6 for digit in "0123456789"} | {"123456", "654321", "012345", "123123"}


@transaction.atomic
def pair(*, instrument, name, by):
    """(tablet, token): the token is shown once and kept by the tablet; here only its digest."""
    access.require(by, "tablet.pair")
    if not name.strip():
        raise Refused("Give the tablet a name, such as: prep bench, or the wall at Quayside.")
    token = secrets.token_urlsafe(32)
    tablet = Tablet.objects.create(
        instrument=instrument,
        name=name.strip()[:60],
        token_sha256=log.sha256(token),
        paired_at=timezone.now(),
        paired_by=by,
    )
    log.write(log=instrument.log, kind="tablet paired", by=by, data={"tablet": tablet.pk})
    return tablet, token


@transaction.atomic
def end(*, tablet, by):
    """The tablet's token opens nothing any more; what it still holds waits there for staff."""
    access.require(by, "tablet.pair")
    tablet = Tablet.objects.select_for_update().get(pk=tablet.pk)
    if tablet.ended_at is None:
        tablet.ended_at = timezone.now()
        tablet.save(update_fields=["ended_at"])
        log.write(log=tablet.instrument.log, kind="tablet ended", by=by, data={"tablet": tablet.pk})
    return tablet


def heard_from(tablet, *, offset):
    """Note that it sent something, and how far its clock is off (None: it did not say)."""
    Tablet.objects.filter(pk=tablet.pk).update(
        seen_at=timezone.now(), clock_offset_s=offset and offset.total_seconds()
    )


def tablet_of(token):
    """The paired tablet that this token belongs to, or None."""
    if not token or len(token) > 200:
        return None
    found = Tablet.objects.paired().filter(token_sha256=log.sha256(token))
    return found.select_related("instrument").first()


def set_pin(*, person, pin):
    """Give a person the PIN they chose; easy ones are refused."""
    if not PIN.fullmatch(pin):
        raise Refused("A PIN has six digits.")
    if pin in EASY:
        raise Refused("That PIN is the first one anybody tries. Choose another.")
    person.pin = make_password(pin)
    person.save(update_fields=["pin"])


def sign_on_by_pin(*, tablet, username, pin):
    """The person, or Refused; attempts are counted per person and tablet in the database."""
    now = timezone.now()
    name = f"pin {tablet.pk} {username.strip().lower()}"[:150]
    wrong = Attempt.objects.filter(name=name, at__gt=now - PAUSE).count()
    if wrong >= WRONG_AT_MOST:
        raise Refused(f"{wrong} PINs were wrong. Wait 15 minutes, or sign on with your password.")
    person = Person.objects.filter(username__iexact=username.strip(), is_active=True).first()
    if person is None or not person.pin or not check_password(pin, person.pin):
        Attempt.objects.create(name=name, at=now)
        raise Refused("Name and PIN do not belong together. Check both and try again.")
    Attempt.objects.filter(name=name).delete()
    return person


def sign_on(*, person, tablet=None, by_pin=False):
    """A new sign-on; whatever is typed under it is this person's."""
    return SignOn.objects.create(person=person, tablet=tablet, at=timezone.now(), by_pin=by_pin)
