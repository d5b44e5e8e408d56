"""Tablets at instruments, and who was signed on when something was typed."""

import uuid

from django.db import models


class TabletQuerySet(models.QuerySet):
    """The words we use when we ask about tablets."""

    def paired(self):
        return self.filter(ended_at=None)


class Tablet(models.Model):
    """A browser that staff paired with an instrument; it proves itself by a token of its own."""

    instrument = models.ForeignKey("facility.Instrument", models.PROTECT, related_name="tablets")
    name = models.CharField(max_length=60)
    token_sha256 = models.CharField(max_length=64, unique=True)
    paired_at = models.DateTimeField()
    paired_by = models.ForeignKey("facility.Person", models.PROTECT, related_name="+")
    seen_at = models.DateTimeField(null=True, blank=True)
    clock_offset_s = models.FloatField(null=True, help_text="server minus tablet, last measured")
    ended_at = models.DateTimeField(null=True, blank=True)

    objects = TabletQuerySet.as_manager()

    class Meta:
        ordering = ["instrument", "name"]

    def __str__(self):
        return f"{self.name} at {self.instrument}"


class SignOn(models.Model):
    """A person's signing on in a browser: what is typed carries its id, so its author is known."""

    id = models.UUIDField(primary_key=True, default=uuid.uuid4)
    person = models.ForeignKey("facility.Person", models.PROTECT, related_name="+")
    tablet = models.ForeignKey(Tablet, models.PROTECT, null=True, related_name="+")
    at = models.DateTimeField()
    by_pin = models.BooleanField(default=False)
    ended_at = models.DateTimeField(null=True, blank=True)

    class Meta:
        ordering = ["-at"]

    def __str__(self):
        return f"{self.person} signed on at {self.at:%d %b %H:%M}"
