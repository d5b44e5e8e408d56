"""Invitations to set a password, and the stays of visitors."""

from django.db import models
from django.db.models import F, Q


class Invitation(models.Model):
    """A link by which somebody sets their password once; only its SHA-256 is kept."""

    person = models.ForeignKey("facility.Person", models.PROTECT, related_name="invitations")
    digest = models.CharField(max_length=64, unique=True)
    made_at = models.DateTimeField()
    made_by = models.ForeignKey("facility.Person", models.PROTECT, related_name="+")
    expires_at = models.DateTimeField()
    used_at = models.DateTimeField(null=True, blank=True)
    withdrawn_at = models.DateTimeField(null=True, blank=True)

    class Meta:
        ordering = ["-made_at"]

    def __str__(self):
        return f"invitation of {self.person}"


class VisitQuerySet(models.QuerySet):
    """The words we use when we ask who visits."""

    def open(self):
        """Not closed yet: nobody said that nothing was left behind."""
        return self.filter(closed_at=None)


class Visit(models.Model):
    """A visitor's stay: who hosts, from when to when, induction, samples ahead, nothing left behind."""

    person = models.ForeignKey("facility.Person", models.PROTECT, related_name="visits")
    host = models.ForeignKey("facility.Person", models.PROTECT, related_name="+")
    arrives_on = models.DateField()
    leaves_on = models.DateField()
    samples_ahead = models.CharField(
        max_length=200, blank=True, help_text="what was posted ahead, and where it waits"
    )
    inducted_at = models.DateTimeField(null=True, blank=True)
    inducted_by = models.ForeignKey("facility.Person", models.PROTECT, null=True, related_name="+")
    closed_at = models.DateTimeField(null=True, blank=True)
    closed_by = models.ForeignKey("facility.Person", models.PROTECT, null=True, related_name="+")

    objects = VisitQuerySet.as_manager()

    class Meta:
        ordering = ["-arrives_on"]
        constraints = [
            models.CheckConstraint(
                name="visit_ends_after_it_begins", condition=Q(leaves_on__gte=F("arrives_on"))
            )
        ]

    def __str__(self):
        return f"{self.person}, {self.arrives_on} to {self.leaves_on}"
