"""Loads, readings and pump-downs."""

from functools import reduce
from operator import or_

from django.db import models
from django.db.models import Exists, OuterRef, Q
from django.urls import reverse

from facility.access import may
from samples import bench
from samples.models import Mount, Sample


class LoadQuerySet(models.QuerySet):
    """The words we use when we ask about loads."""

    def inside(self):
        """In vacuum now."""
        return self.filter(taken_out_at=None)

    def carrying(self, mounts):
        """Loads of these mounts' holders that began while the mounts stood; none for no mounts."""
        stays = [
            Q(holder=mount.holder_id, loaded_at__gte=mount.since)
            & (Q(loaded_at__lt=mount.until) if mount.until else Q())
            for mount in mounts
        ]
        return self.filter(reduce(or_, stays)) if stays else self.none()

    def seen_by(self, person):
        """All for the house; else those that this person or their group loaded or had samples in."""
        if may(person, "flag.see"):
            return self
        mine = Q(loaded_by=person)
        if person.group_id is not None:
            mine |= Q(loaded_by__group=person.group_id)
        carried = Mount.objects.filter(
            sample__in=Sample.objects.of(person),
            holder=OuterRef("holder"),
            since__lte=OuterRef("loaded_at"),
        ).filter(Q(until=None) | Q(until__gt=OuterRef("loaded_at")))
        return self.filter(mine | Exists(carried))


class Load(models.Model):
    """One holder's stay in vacuum, from closing the door to taking it out."""

    instrument = models.ForeignKey("facility.Instrument", models.PROTECT, related_name="+")
    holder = models.ForeignKey("samples.Holder", models.PROTECT, related_name="+")
    session = models.ForeignKey(
        "bookings.Session",
        models.PROTECT,
        null=True,
        related_name="loads",
        help_text="that loaded it",
    )
    log = models.OneToOneField("facility.Log", models.PROTECT, related_name="+")
    loaded_at = models.DateTimeField()
    loaded_by = models.ForeignKey("facility.Person", models.PROTECT, related_name="+")
    transferred_at = models.DateTimeField(null=True, blank=True)
    taken_out_at = models.DateTimeField(null=True, blank=True)
    layout = models.JSONField(default=dict, help_text="what it carried when the door closed")

    objects = LoadQuerySet.as_manager()

    class Meta:
        ordering = ["-loaded_at"]
        indexes = [
            models.Index(name="load_by_instrument", fields=["instrument", "-loaded_at"]),
            models.Index(name="load_by_holder", fields=["holder", "-loaded_at"]),
        ]
        constraints = [
            models.UniqueConstraint(
                name="one_stay_a_holder", fields=["holder"], condition=Q(taken_out_at=None)
            )
        ]

    def __str__(self):
        return f"load {self.pk}, {self.holder} in {self.instrument}"

    def mounts_inside(self):
        """What the holder carried when the door closed, in order of position."""
        return bench.mounts_of(self.holder, self.loaded_at)

    def get_absolute_url(self):
        return reverse("bookings:load", args=[self.pk])


class ReadingQuerySet(models.QuerySet):
    """The words we use when we ask about pressures."""

    def of(self, gauges, start, end=None):
        """Of these gauges, from `start` to `end` (both included), in order of time."""
        found = self.filter(gauge__in=gauges, at__gte=start)
        return (found if end is None else found.filter(at__lte=end)).order_by("at", "pk")

    def in_stretches(self, gauges, stretches):
        """Of these gauges inside any of the (start, end), in order of time."""
        inside = [Q(at__gte=start, at__lte=end) for start, end in stretches]
        if not inside:
            return self.none()
        return self.filter(reduce(or_, inside), gauge__in=gauges).order_by("at", "pk")


class Reading(models.Model):
    """A pressure at a time from a gauge: in pascal, and as it was typed. Append-only."""

    class State(models.TextChoices):
        NUMBER = "number", "a pressure"
        OVER = "over", "above the gauge's range"
        UNDER = "under", "below the gauge's range"
        OFF = "off", "gauge off"

    class Source(models.TextChoices):
        MANUAL = "manual", "typed"
        LOGGER = "logger", "logger"

    gauge = models.ForeignKey("facility.Gauge", models.PROTECT, related_name="+", db_index=False)
    at = models.DateTimeField()
    state = models.CharField(max_length=6, choices=State, default=State.NUMBER)
    pressure_pa = models.FloatField(null=True)
    typed = models.CharField(max_length=40)
    unit = models.CharField(max_length=8)
    source = models.CharField(max_length=6, choices=Source)
    person = models.ForeignKey("facility.Person", models.PROTECT, null=True, related_name="+")
    tablet_at = models.DateTimeField(null=True, help_text="the tablet's own clock")
    recorded_at = models.DateTimeField()
    sent_id = models.UUIDField(unique=True)

    objects = ReadingQuerySet.as_manager()

    class Meta:
        ordering = ["gauge", "at"]
        indexes = [models.Index(name="reading_by_gauge", fields=["gauge", "at"])]
        constraints = [
            models.CheckConstraint(
                name="reading_has_a_pressure_or_none",
                condition=Q(state="number", pressure_pa__gt=0)
                | (~Q(state="number") & Q(pressure_pa=None)),
            )
        ]

    def __str__(self):
        return f"{self.typed} {self.unit} on {self.gauge}"


class PumpDownQuerySet(models.QuerySet):
    """The words we use when we ask about pump-downs."""

    def running(self):
        return self.filter(ended_at=None)

    def ended(self):
        return self.exclude(ended_at=None)

    def on(self, instrument):
        """In any chamber of it."""
        return self.filter(chamber__instrument=instrument)


class PumpDown(models.Model):
    """A chamber and an interval from closing the vent on; its readings are found by gauge and time."""

    class Why(models.TextChoices):
        THRESHOLD = "threshold", "reached the threshold"
        VENTED = "vented", "vented before it was ready"
        LEFT = "left", "no reading any more"

    chamber = models.ForeignKey("facility.Chamber", models.PROTECT, related_name="+")
    load = models.ForeignKey(Load, models.PROTECT, null=True, related_name="pumpdowns")
    started_at = models.DateTimeField()
    ended_at = models.DateTimeField(null=True, blank=True)
    ended_why = models.CharField(max_length=10, choices=Why, blank=True)
    threshold_pa = models.FloatField()
    vent_minutes = models.FloatField(null=True, blank=True)
    form = models.CharField(max_length=14, blank=True, help_text="of the slowest sample")
    samples = models.PositiveSmallIntegerField(null=True, blank=True)
    events = models.JSONField(
        default=list, help_text="[seconds since the start, isolated or resumed or ...]"
    )
    cooked = models.JSONField(default=dict, help_text="time to the threshold, judgement, cause")
    learned_from = models.BooleanField(default=False)
    judged_at = models.DateTimeField(null=True, blank=True)

    objects = PumpDownQuerySet.as_manager()

    class Meta:
        ordering = ["-started_at"]
        indexes = [models.Index(name="pumpdown_by_chamber", fields=["chamber", "-started_at"])]
        constraints = [
            models.UniqueConstraint(
                name="one_pumpdown_a_chamber", fields=["chamber"], condition=Q(ended_at=None)
            )
        ]

    def __str__(self):
        return f"pump-down {self.pk} of {self.chamber}"


class Learned(models.Model):
    """What a chamber's past pump-downs taught, as the science of pump-downs wrote it; never changed.

    A later state is a new row, so that a process may keep what it read by this row's key.
    """

    chamber = models.ForeignKey("facility.Chamber", models.PROTECT, related_name="+")
    version = models.PositiveSmallIntegerField(help_text="of the format")
    document = models.JSONField()
    runs = models.PositiveIntegerField()
    limit = models.FloatField(default=0.3, help_text="score above which a pump-down is unusual")
    limit_at = models.PositiveIntegerField(default=0, help_text="how many runs it was set with")
    last = models.ForeignKey(PumpDown, models.PROTECT, null=True, related_name="+")
    made_at = models.DateTimeField()

    class Meta:
        ordering = ["-pk"]
        indexes = [models.Index(name="learned_by_chamber", fields=["chamber", "version", "-id"])]

    def __str__(self):
        return f"learned from {self.runs} pump-downs of {self.chamber}"
