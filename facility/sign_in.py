"""Signing in, with attempts counted in the database so that every worker sees them."""

from datetime import timedelta

from django.contrib.auth import authenticate
from django.utils import timezone

from facility.errors import Refused
from facility.models import Attempt

ALLOWED = 5
PAUSE = timedelta(minutes=15)


def check_sign_in(request, *, name, password):
    """(person, "") or (None, the sentence that says why not)."""
    now = timezone.now()
    name = name.strip().lower()
    if pause := too_many(name):
        return None, pause
    person = authenticate(request, username=name, password=password)
    if person is None:
        Attempt.objects.create(name=name, address=request.META.get("REMOTE_ADDR") or None, at=now)
        return None, "Name and password do not belong together. Check both and try again."
    Attempt.objects.filter(name=name).delete()
    return person, ""


def too_many(name):
    """Why this name has to wait, or an empty text."""
    failed = Attempt.objects.filter(name=name, at__gt=timezone.now() - PAUSE).count()
    if failed < ALLOWED:
        return ""
    return (
        f"{failed} sign-ins under this name did not work. Wait 15 minutes, or ask staff "
        "for a new password."
    )


def confirm(person, password):
    """Raise Refused unless it is this person's password; wrong ones count as failed sign-ins."""
    name = person.username.lower()
    if pause := too_many(name):
        raise Refused(pause)
    if not person.check_password(password):
        Attempt.objects.create(name=name, address=None, at=timezone.now())
        raise Refused("That is not your password. Type it again; nothing is signed yet.")
    Attempt.objects.filter(name=name).delete()
