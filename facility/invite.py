"""Verbs of people: invite, set a password by a link, arrange a visit, show the house."""

import hashlib
import re
import secrets
import unicodedata
from datetime import timedelta

from django.contrib.auth.password_validation import validate_password
from django.core.exceptions import ValidationError
from django.db import transaction
from django.utils import timezone

from facility import access
from facility.errors import Refused
from facility.models import Attempt, Invitation, Person, Visit
from facility.sign_in import too_many

STANDS = timedelta(days=14)  # own proposal: a link for a password works so long


def digest_of(token):
    """What is kept of a secret address: never the address itself."""
    return hashlib.sha256(token.encode()).hexdigest()


@transaction.atomic
def invite(*, by, full_name, email="", role=Person.Role.USER, group=None, phone=""):
    """A new person without a password, and the token of the link by which they set one.

    Returns (person, token); the token is shown once and cannot be read again.
    """
    access.require(by, "person.invite")
    full_name = " ".join(full_name.split())
    if not full_name:
        raise Refused("Enter the person's name.")
    if email and (known := Person.objects.filter(email__iexact=email, is_active=True).first()):
        raise Refused(f"{known} is here already under {email}. Send them a new link instead.")
    if role == Person.Role.MANAGER and by.role != Person.Role.MANAGER:
        raise Refused("Managers are invited by managers. Ask one.")
    person = Person(
        username=_unused_name(full_name),
        full_name=full_name,
        email=email,
        role=role,
        group=group,
        phone=phone,
    )
    person.set_unusable_password()
    person.save()
    return person, new_link(person=person, by=by)


@transaction.atomic
def new_link(*, person, by):
    """A fresh link for a password; links that were sent before stop working."""
    access.require(by, "person.invite")
    if not person.is_active:
        raise Refused(f"{person} has left. Let them in again at the tables first.")
    if person.is_superuser and not by.is_superuser:
        raise Refused(f"{person} keeps the tables; only another superuser makes that link.")
    now = timezone.now()
    Invitation.objects.filter(person=person, used_at=None, withdrawn_at=None).update(
        withdrawn_at=now
    )
    token = secrets.token_urlsafe(32)
    Invitation.objects.create(
        person=person,
        digest=digest_of(token),
        made_at=now,
        made_by=by,
        expires_at=now + STANDS,
    )
    return token


def standing_invitation(token):
    """The invitation that a link opens, or None: used, withdrawn, too old, or never sent."""
    return (
        Invitation.objects.filter(
            digest=digest_of(token),
            used_at=None,
            withdrawn_at=None,
            expires_at__gt=timezone.now(),
            person__is_active=True,
        )
        .select_related("person")
        .first()
    )


@transaction.atomic
def accept(*, token, password):
    """Set the password that an invitation is for; the link works once."""
    found = standing_invitation(token)
    if found is None:
        raise Refused("This link was used, replaced, or is too old. Ask staff for a new one.")
    Invitation.objects.select_for_update().get(pk=found.pk)
    if standing_invitation(token) is None:
        raise Refused("This link was used a moment ago. Sign in with the password set then.")
    return _set_password(found.person, password, invitation=found)


def change_password(*, person, old, new):
    """A new password for whoever knows the old one; None where the old one is another, counted."""
    if pause := too_many(person.username):
        raise Refused(pause)
    if not person.check_password(old):
        Attempt.objects.create(name=person.username, at=timezone.now())
        return None
    return _set_password(person, new)


def _set_password(person, password, invitation=None):
    try:
        validate_password(password, person)
    except ValidationError as problem:
        raise Refused(" ".join(problem.messages)) from None
    person.set_password(password)
    person.save(update_fields=["password"])
    Attempt.objects.filter(name=person.username).delete()
    if invitation is not None:
        invitation.used_at = timezone.now()
        invitation.save(update_fields=["used_at"])
    return person


def _unused_name(full_name):
    """A sign-in name from the first name, with a number where it is taken."""
    plain = unicodedata.normalize("NFKD", full_name.split()[0]).encode("ascii", "ignore").decode()
    stem = re.sub(r"[^a-z0-9]", "", plain.lower())[:30] or "person"
    taken = set(Person.objects.filter(username__startswith=stem).values_list("username", flat=True))
    numbers = (f"{stem}{number}" for number in range(2, len(taken) + 3))
    return stem if stem not in taken else next(name for name in numbers if name not in taken)


# Visits


@transaction.atomic
def arrange_visit(*, person, host, arrives_on, leaves_on, by, samples_ahead=""):
    """A visitor's stay with a host who works here."""
    access.require(by, "person.invite")
    if leaves_on < arrives_on:
        raise Refused(f"They cannot leave before they arrive, {arrives_on:%d %b %Y}.")
    if not host.is_active or host.role == Person.Role.VISITOR:
        raise Refused(f"{host} cannot be host. Choose somebody who works here.")
    return Visit.objects.create(
        person=person,
        host=host,
        arrives_on=arrives_on,
        leaves_on=leaves_on,
        samples_ahead=samples_ahead,
    )


@transaction.atomic
def induct(*, visit, by):
    """The house was shown: doors, alarms, gases, X-rays; a second press changes nothing."""
    if by.pk != visit.host_id:
        access.require(by, "person.invite")
    visit = Visit.objects.select_for_update().get(pk=visit.pk)
    if visit.inducted_at is None:
        visit.inducted_at, visit.inducted_by = timezone.now(), by
        visit.save(update_fields=["inducted_at", "inducted_by"])
    return visit
