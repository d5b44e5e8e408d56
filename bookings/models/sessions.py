"""Sessions and who took part."""

from django.db import models
from django.db.models import Q
from django.urls import reverse

from facility.access import may


class SessionQuerySet(models.QuerySet):
    """The words we use when we ask about sessions."""

    def open(self):
        return self.filter(closed_at=None)

    def handed_over(self, instrument):
        """Those that ended on an instrument, the last one first."""
        return self.filter(instrument=instrument).exclude(closed_at=None).order_by("-opened_at")

    def with_person(self, person):
        return self.filter(parts__person=person).distinct()

    def seen_by(self, person):
        """All for the house; else those in which this person or their group took part."""
        if may(person, "flag.see"):
            return self
        mine = Q(parts__person=person)
        if person.group_id is not None:
            mine |= Q(parts__person__group=person.group_id)
        return self.filter(mine).distinct()


class Session(models.Model):
    """What really happened in a stretch of instrument time, from sign-on to hand-over."""

    instrument = models.ForeignKey("facility.Instrument", models.PROTECT, related_name="+")
    sheet = models.ForeignKey("facility.RunSheet", models.PROTECT, null=True, related_name="+")
    booking = models.ForeignKey(
        "bookings.Booking", models.PROTECT, null=True, related_name="sessions"
    )
    log = models.OneToOneField("facility.Log", models.PROTECT, related_name="+")
    opened_at = models.DateTimeField()
    closed_at = models.DateTimeField(null=True, blank=True)
    last_step = models.CharField(max_length=60, blank=True, help_text="of the run sheet")
    handover = models.TextField(blank=True)
    sent_id = models.UUIDField(null=True, unique=True)

    objects = SessionQuerySet.as_manager()

    class Meta:
        ordering = ["-opened_at"]
        indexes = [models.Index(name="session_by_instrument", fields=["instrument", "-opened_at"])]

    def __str__(self):
        return f"session {self.pk} on {self.instrument}"

    def get_absolute_url(self):
        return reverse("bookings:session", args=[self.pk])


class SessionPart(models.Model):
    """A person's part in a session."""

    class Part(models.TextChoices):
        OPERATES = "operates", "operates"
        TRAINS = "trains", "trains"
        PRESENT = "present", "present"
        REMOTE = "remote", "remote"

    session = models.ForeignKey(Session, models.PROTECT, related_name="parts")
    person = models.ForeignKey("facility.Person", models.PROTECT, related_name="+")
    part = models.CharField(max_length=8, choices=Part, default=Part.OPERATES)
    since = models.DateTimeField()
    until = models.DateTimeField(null=True, blank=True)

    class Meta:
        ordering = ["session", "since"]
        constraints = [
            models.UniqueConstraint(name="one_part_a_person", fields=["session", "person"])
        ]

    def __str__(self):
        return f"{self.person} {self.part}"
