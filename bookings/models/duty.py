"""Who took over leaving an instrument at rest, beyond whose booking ends last."""

from django.db import models


class DutyQuerySet(models.QuerySet):
    """The words we use when we ask who took a shut-down over."""

    def standing(self):
        """Not given back, and by somebody who is still here."""
        return self.filter(given_back_at=None, person__is_active=True)


class Duty(models.Model):
    """Somebody says: I leave this instrument at rest on that day."""

    instrument = models.ForeignKey("facility.Instrument", models.PROTECT, related_name="+")
    day = models.DateField()
    person = models.ForeignKey("facility.Person", models.PROTECT, related_name="+")
    taken_at = models.DateTimeField()
    given_back_at = models.DateTimeField(null=True, blank=True)

    objects = DutyQuerySet.as_manager()

    class Meta:
        ordering = ["-day", "-taken_at"]
        verbose_name_plural = "duties"
        constraints = [
            models.UniqueConstraint(
                name="one_takes_a_shut_down",
                fields=["instrument", "day"],
                condition=models.Q(given_back_at=None),
            )
        ]

    def __str__(self):
        return f"shut-down of {self.instrument} on {self.day}"
