"""The demo's house around the instruments: rules and price, projects, visits, a training, a wait."""

from datetime import timedelta

from django.utils import timezone

from bookings.models import Booking, BookingRules, Wish
from facility import qualify
from facility.models import Observation, Project, Training, Visit

STANDING = """Put holders in with gloves, and write down the tape's batch.
Who leaves last leaves the instrument at rest."""
PRICE = 38.0  # invented, of an hour present
QUOTA = 24.0  # invented, hours a group and week
PROJECTS = (
    ("hard coatings for seals", "coatings"),
    ("pitting under deposits", "corrosion"),
    ("layered electrodes", "batteries"),
    ("supported metals", "catalysis"),
)


def furnish(made, now):
    """Everything of people and bookings that no session of the demo writes."""
    instruments = {slug: desk.instrument for slug, desk in made.desks.items()}
    for instrument in instruments.values():
        BookingRules.objects.create(
            instrument=instrument, standing=STANDING, price=PRICE, quota_hours=QUOTA
        )
    _projects(made.people)
    _visits(made.people, timezone.localdate(now), now)
    _training(made.people, instruments["headland"], now)
    _wish(made.people, now)


def _projects(people):
    """One a group; what a group booked ahead is for it."""
    groups = {person.group.name: person.group for person in people.values() if person.group_id}
    for name, group in PROJECTS:
        project = Project.objects.create(name=name, group=groups[group])
        Booking.objects.of_people().filter(person__group=groups[group]).update(project=project)


def _visits(people, today, now):
    """Eve is here since yesterday and was shown round; Wim comes the day after tomorrow."""
    day = timedelta(days=1)
    Visit.objects.create(
        person=people["eve"], host=people["gil"], arrives_on=today - day, leaves_on=today + 2 * day,
        samples_ahead="two oxide films, in the desiccator by the window",
        inducted_at=now - timedelta(hours=26), inducted_by=people["gil"],
    )  # fmt: skip
    Visit.objects.create(
        person=people["wim"], host=people["joss"],
        arrives_on=today + 2 * day, leaves_on=today + 5 * day,
        samples_ahead="five pellets, posted on Monday",
    )  # fmt: skip


def _training(people, instrument, now):
    """Yan learns to work alone by day: the first steps are seen, the others wait."""
    row = Training.objects.create(
        person=people["yan"], instrument=instrument, level=3, trainer=people["dee"],
        began_at=now - timedelta(days=2),
    )  # fmt: skip
    steps = qualify.steps_of(instrument, row.level)
    for number, step in enumerate(steps[: len(steps) // 2]):
        Observation.objects.create(
            training=row, step=step, observed=True, by=people["dee"],
            at=row.began_at + timedelta(minutes=20 * (number + 1)),
        )  # fmt: skip


def _wish(people, now):
    """Chao would like Ben's next morning."""
    row = Booking.objects.standing().on_main().filter(person=people["ben"], starts_at__gt=now)
    row = row.order_by("starts_at").first()
    if row is not None:
        Wish.objects.create(
            person=people["chao"], place=row.place, starts_at=row.starts_at, ends_at=row.ends_at,
            made_at=now - timedelta(hours=3),
        )  # fmt: skip
