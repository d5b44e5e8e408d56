"""What sessions leave behind beside their log: measurements, faults, marks left on a running machine."""

from django.db import models
from django.db.models import F, Q


class Measurement(models.Model):
    """One measurement of a session, on a position of the load or on the holder as a whole."""

    session = models.ForeignKey("bookings.Session", models.PROTECT, related_name="measurements")
    load = models.ForeignKey(
        "bookings.Load", models.PROTECT, null=True, related_name="measurements"
    )
    mount = models.ForeignKey("samples.Mount", models.PROTECT, null=True, related_name="+")
    at = models.DateTimeField()
    what = models.CharField(max_length=120, help_text="such as: survey, Cu 2p, O 1s")
    file = models.CharField(max_length=200, blank=True, help_text="name of the instrument's file")
    entry = models.OneToOneField("facility.Entry", models.PROTECT, related_name="+")

    class Meta:
        ordering = ["at"]

    def __str__(self):
        return f"{self.what}, {self.at:%d %b %H:%M}"


class FaultQuerySet(models.QuerySet):
    """The words we use when we ask about faults."""

    def open(self):
        return self.filter(ended_at=None)

    def on(self, instrument):
        return self.filter(instrument=instrument)

    def of_group(self, group):
        """Met in a session that people of a group took part in, or reported by them outside one."""
        in_session = Q(session__parts__person__group=group)
        return self.filter(in_session | Q(session=None, by__group=group)).distinct()

    def during(self, start, end):
        """Stood at any moment of [start, end)."""
        still = Q(ended_at=None) | Q(ended_at__gt=start)
        return self.filter(still, began_at__lt=end)


class Fault(models.Model):
    """Something wrong with an instrument, with a clock of its own; its key is the number people say."""

    instrument = models.ForeignKey("facility.Instrument", models.PROTECT, related_name="faults")
    session = models.ForeignKey(
        "bookings.Session", models.PROTECT, null=True, related_name="faults"
    )
    says = models.CharField(max_length=1000)
    began_at = models.DateTimeField()
    ended_at = models.DateTimeField(null=True, blank=True)
    by = models.ForeignKey("facility.Person", models.PROTECT, related_name="+")
    ended_by = models.ForeignKey("facility.Person", models.PROTECT, null=True, related_name="+")
    entry = models.OneToOneField("facility.Entry", models.PROTECT, related_name="+")

    objects = FaultQuerySet.as_manager()

    class Meta:
        ordering = ["-began_at"]
        indexes = [models.Index(name="fault_by_instrument", fields=["instrument", "-began_at"])]
        constraints = [
            models.CheckConstraint(
                name="fault_ends_after_it_begins",
                condition=Q(ended_at=None) | Q(ended_at__gte=F("began_at")),
            )
        ]

    def __str__(self):
        return f"fault {self.pk} on {self.instrument}"


class LeftRunningQuerySet(models.QuerySet):
    """The words we use when we ask what goes on with nobody there."""

    def standing(self):
        return self.filter(ended_at=None)

    def on(self, instrument):
        return self.filter(session__instrument=instrument)


class LeftRunning(models.Model):
    """A mark that something goes on while nobody is there: what, until when, whom to phone."""

    session = models.ForeignKey("bookings.Session", models.PROTECT, related_name="left_running")
    what = models.CharField(max_length=200)
    until = models.DateTimeField()
    phone = models.CharField(max_length=80)
    by = models.ForeignKey("facility.Person", models.PROTECT, related_name="+")
    since = models.DateTimeField()
    ended_at = models.DateTimeField(null=True, blank=True)

    objects = LeftRunningQuerySet.as_manager()

    class Meta:
        ordering = ["-since"]

    def __str__(self):
        return f"{self.what} until {self.until:%d %b %H:%M}"
