"""The append-only log and what was set aside."""

import uuid
from datetime import timedelta

from django.db import models
from django.db.models import Q

LATE = timedelta(
    minutes=10
)  # from happening to recording, above which an entry is late; own proposal


class Log(models.Model):
    """An append-only chain of entries: one for each session, load and instrument."""

    class Kind(models.TextChoices):
        INSTRUMENT = "instrument", "instrument"
        SESSION = "session", "session"
        LOAD = "load", "load"

    kind = models.CharField(max_length=10, choices=Kind)
    instrument = models.ForeignKey("facility.Instrument", models.PROTECT, related_name="logs")
    length = models.PositiveIntegerField(default=0)
    head = models.CharField(max_length=64, blank=True)

    class Meta:
        constraints = [
            models.UniqueConstraint(
                name="one_log_an_instrument", fields=["instrument"], condition=Q(kind="instrument")
            )
        ]

    def __str__(self):
        return f"{self.kind} log {self.pk}"


class EntryQuerySet(models.QuerySet):
    """The words we use when we ask what was written."""

    def of(self, log):
        return self.filter(log=log)

    def in_chain(self):
        """In the order of recording."""
        return self.order_by("log", "n")

    def as_it_happened(self):
        """In the order of happening, as pages show it."""
        return self.order_by("happened_at", "pk")


class Entry(models.Model):
    """Who, when, what. `body` is the text that is hashed; the other columns are copies of it."""

    log = models.ForeignKey(Log, models.PROTECT, related_name="entries")
    n = models.PositiveIntegerField()
    kind = models.CharField(max_length=40)
    person = models.ForeignKey("facility.Person", models.PROTECT, related_name="+")
    happened_at = models.DateTimeField()
    recorded_at = models.DateTimeField()
    sent_id = models.UUIDField(default=uuid.uuid4, unique=True)
    body = models.TextField(blank=True)
    digest = models.CharField(max_length=64)
    hash = models.CharField(max_length=64)
    redacts = models.OneToOneField(
        "self", models.PROTECT, null=True, related_name="redaction", db_index=True
    )

    objects = EntryQuerySet.as_manager()

    class Meta:
        ordering = ["log", "n"]
        indexes = [models.Index(name="entry_by_happening", fields=["log", "happened_at"])]
        constraints = [
            models.UniqueConstraint(name="one_entry_a_number", fields=["log", "n"]),
        ]

    def __str__(self):
        return f"{self.kind} ({self.log}, {self.n})"

    @property
    def late_by(self):
        """How much later it was recorded than it happened, or None where it came at once."""
        span = self.recorded_at - self.happened_at
        return span if span > LATE else None


class KeptItemQuerySet(models.QuerySet):
    """The words we use when we ask what was set aside."""

    def unseen(self):
        return self.filter(seen_at=None)


class KeptItem(models.Model):
    """Something sent that could not be recorded as it is: set aside word for word, for staff."""

    sent_id = models.UUIDField()
    person = models.ForeignKey("facility.Person", models.PROTECT, related_name="+")
    received_at = models.DateTimeField()
    reason = models.CharField(max_length=300)
    text = models.TextField()
    fingerprint = models.CharField(max_length=64, unique=True)
    seen_by = models.ForeignKey("facility.Person", models.PROTECT, null=True, related_name="+")
    seen_at = models.DateTimeField(null=True)

    objects = KeptItemQuerySet.as_manager()

    class Meta:
        ordering = ["received_at"]

    def __str__(self):
        return f"set aside: {self.reason}"
