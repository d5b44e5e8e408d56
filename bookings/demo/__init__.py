"""The demo: a year of an invented coastal materials laboratory. The only place of invented data."""

import random
from datetime import timedelta
from types import SimpleNamespace

from django.apps import apps
from django.db import transaction
from django.utils import timezone

from bookings import learning, run
from bookings.demo import cast, house, scene
from bookings.demo.chronicle import Chronicle
from bookings.demo.stock import Stock
from bookings.demo.story import Story
from bookings.models import PumpDown
from facility.errors import Refused

SESSIONS_A_YEAR = 400
OURS = ("facility", "samples", "bookings")
SHIPPED = ("Limit",)  # tables that a fresh database may fill by itself


def _say_nothing(words):
    """For callers that want no progress."""


@transaction.atomic
def fill(*, sessions=None, years=None, seed=1, now=None, tell=_say_nothing):
    """Fill an empty database; refuses one that holds anything.

    Takes:   sessions in all; years that they fill; seed; now, the moment at which the year ends;
             tell, called with words of progress.
    Returns: what is planted, as a list of Planted.
    Raises:  Refused.
    """
    refuse_unless_empty()
    now = now or timezone.now()
    sessions, days = _size(sessions, years)
    first_day = now - timedelta(days=days)
    chronicle = Chronicle(random.Random(seed))
    story = Story(chronicle, now=now, first_day=first_day, sessions=sessions)
    tell("people, holders, instruments and the proof of their run sheet")
    made = scene.set_up(chronicle, now=now, first_day=first_day)
    story.tell(made, tell)
    stores = Stock(story, seed)
    stores.tell()
    chronicle.store(tell)
    stores.store()
    for desk in made.desks.values():
        chronicle.store_states(desk.instrument, desk.devices)
    for name in ("B7", "B12"):
        run.refresh_flags(made.holders[name])
    house.furnish(made, now)
    tell("learning from the pump-downs")
    _learn(made.desks.values(), now)
    tell("hours of parts, drifts of pump-downs")
    story.health.store(made.desks.values(), now)
    return story.planted


def _learn(desks, now):
    """The newest pump-downs teach as they do by the clock; older ones are not caught up with."""
    for desk in desks:
        learning.bring_up_to_date(desk.chambers["introduction"], now=now)
    PumpDown.objects.ended().filter(learned_from=False).update(learned_from=True)


def _size(sessions, years):
    """(sessions, days): 400 sessions a year, or as many days as the sessions need."""
    if years is not None and not 0 <= years <= 1000:
        raise Refused(f"{years:g} years cannot be made up; say 0.02 to 100.")
    if sessions is None:
        sessions = round(SESSIONS_A_YEAR * (1.0 if years is None else years))
    days = 365.0 * (sessions / SESSIONS_A_YEAR if years is None else years)
    if not 10 <= sessions <= 40_000:
        raise Refused(f"{sessions} sessions cannot be made up; say 10 to 40000.")
    if not 7 <= days <= 36_500:
        raise Refused(f"{days / 365:.3g} years cannot be made up; say 0.02 to 100.")
    return sessions, max(days, 21.0)


def refuse_unless_empty():
    """Raise Refused where any table of ours holds a row."""
    for label in OURS:
        for model in apps.get_app_config(label).get_models():
            if model.__name__ not in SHIPPED and model.objects.exists():
                raise Refused(
                    f"This database holds {model._meta.verbose_name_plural} already. The demo only "
                    "fills an empty one: give it another DATABASE_URL."
                )


def sign_ins():
    """Who can sign in to the demo, with what they are: name, role, group, sign-in name."""
    return [
        SimpleNamespace(
            username=someone.username,
            name=someone.name,
            what="superuser" if someone.superuser else someone.role,
            group=someone.group,
        )
        for someone in cast.PEOPLE
        if not someone.left_days_ago
    ]
