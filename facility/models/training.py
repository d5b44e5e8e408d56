"""Levels of an instrument as data, and the training that leads to them."""

from django.db import models
from django.db.models import F, Q

from facility.models.people import Qualification


class Level(models.Model):
    """What one level means on one instrument: when it may book, when it lapses, what renews it.

    An instrument without a row for a level goes by qualify.USUAL.
    """

    instrument = models.ForeignKey("facility.Instrument", models.PROTECT, related_name="levels")
    number = models.PositiveSmallIntegerField(choices=Qualification.Level)
    may_book = models.BooleanField(default=True)
    opens_at = models.TimeField(null=True, blank=True, help_text="empty: at any hour")
    shuts_at = models.TimeField(null=True, blank=True)
    weekdays_only = models.BooleanField(default=False)
    unused_days = models.PositiveSmallIntegerField(
        default=183, help_text="lapses after so many days without use; 0: never"
    )
    refresher = models.CharField(max_length=200, blank=True, help_text="what renews it")

    class Meta:
        ordering = ["instrument", "number"]
        constraints = [
            models.UniqueConstraint(name="one_row_a_level", fields=["instrument", "number"]),
            models.CheckConstraint(
                name="level_opens_before_it_shuts",
                condition=Q(opens_at=None, shuts_at=None) | Q(opens_at__lt=F("shuts_at")),
            ),
        ]

    def __str__(self):
        return f"{self.get_number_display()} on {self.instrument}"


class TrainingStep(models.Model):
    """Something that a trainee is seen to do before a level is granted."""

    instrument = models.ForeignKey("facility.Instrument", models.PROTECT, related_name="+")
    level = models.PositiveSmallIntegerField(choices=Qualification.Level)
    number = models.PositiveSmallIntegerField()
    words = models.CharField(max_length=160)
    retired_at = models.DateTimeField(null=True, blank=True)

    class Meta:
        ordering = ["instrument", "level", "number"]
        constraints = [
            models.UniqueConstraint(
                name="one_training_step_a_number", fields=["instrument", "level", "number"]
            )
        ]

    def __str__(self):
        return self.words


class Training(models.Model):
    """A person taught on an instrument towards a level; steps are observed one by one."""

    person = models.ForeignKey("facility.Person", models.PROTECT, related_name="trainings")
    instrument = models.ForeignKey("facility.Instrument", models.PROTECT, related_name="+")
    level = models.PositiveSmallIntegerField(choices=Qualification.Level)
    refresher = models.BooleanField(default=False)
    trainer = models.ForeignKey("facility.Person", models.PROTECT, related_name="+")
    began_at = models.DateTimeField()
    session_number = models.PositiveIntegerField(
        null=True, blank=True, help_text="in which both took part"
    )
    granted_at = models.DateTimeField(null=True, blank=True)

    class Meta:
        ordering = ["-began_at"]

    def __str__(self):
        return f"{self.person} towards {self.get_level_display()} on {self.instrument}"


class Observation(models.Model):
    """A step of a training as a trainer saw it: yes or no; looked at again, it is a new row."""

    training = models.ForeignKey(Training, models.PROTECT, related_name="observations")
    step = models.ForeignKey(TrainingStep, models.PROTECT, related_name="+")
    observed = models.BooleanField()
    by = models.ForeignKey("facility.Person", models.PROTECT, related_name="+")
    at = models.DateTimeField()

    class Meta:
        ordering = ["training", "at", "pk"]

    def __str__(self):
        return f"{self.step}: {'yes' if self.observed else 'no'}"
