"""What happens on the instruments: bookings, sessions, loads, readings, pump-downs, flags."""

from functools import reduce
from operator import or_

from django.db import models
from django.db.models import Exists, F, OuterRef, Q
from django.urls import reverse

from facility.access import may
from facility.findings import SEVERITIES
from samples import bench
from samples.models import Mount, Sample


class BookingQuerySet(models.QuerySet):
    """The words we use when we ask about time."""

    def standing(self):
        return self.filter(cancelled_at=None)

    def touching(self, start, end):
        """Share any moment with [start, end); one that ends at `start` does not."""
        return self.filter(starts_at__lt=end, ends_at__gt=start)

    def closures(self):
        return self.filter(person=None)

    def of_people(self):
        return self.exclude(person=None)


class Booking(models.Model):
    """A place held from `starts_at` (included) to `ends_at` (excluded); without a person, a closure.

    guards.py refuses overlaps. Wall time and zone are kept beside the moments, because a booking
    at 09:00 stays at 09:00 when the clocks change.
    """

    place = models.ForeignKey("facility.Place", models.PROTECT, related_name="+")
    person = models.ForeignKey("facility.Person", models.PROTECT, null=True, related_name="+")
    starts_at = models.DateTimeField()
    ends_at = models.DateTimeField()
    wall_start = models.CharField(max_length=16, help_text="such as 2026-11-12T09:00")
    wall_end = models.CharField(max_length=16)
    zone = models.CharField(max_length=40)
    why = models.CharField(max_length=120, blank=True)
    made_at = models.DateTimeField()
    made_by = models.ForeignKey("facility.Person", models.PROTECT, related_name="+")
    cancelled_at = models.DateTimeField(null=True, blank=True)
    cancelled_by = models.ForeignKey("facility.Person", models.PROTECT, null=True, related_name="+")
    sent_id = models.UUIDField(null=True, unique=True)

    objects = BookingQuerySet.as_manager()

    class Meta:
        ordering = ["starts_at"]
        indexes = [models.Index(name="booking_by_place", fields=["place", "starts_at"])]
        constraints = [
            models.CheckConstraint(
                name="booking_ends_after_it_starts", condition=Q(ends_at__gt=F("starts_at"))
            )
        ]

    def __str__(self):
        return f"{self.place}, {self.wall_start} to {self.wall_end}"

    def get_absolute_url(self):
        return reverse("bookings:bookings")

    @property
    def is_closure(self):
        return self.person_id is None


class SessionQuerySet(models.QuerySet):
    """The words we use when we ask about sessions."""

    def open(self):
        return self.filter(closed_at=None)

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
    booking = models.ForeignKey(Booking, models.PROTECT, null=True, related_name="sessions")
    log = models.OneToOneField("facility.Log", models.PROTECT, related_name="+")
    opened_at = models.DateTimeField()
    closed_at = models.DateTimeField(null=True, blank=True)
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
        Session, models.PROTECT, null=True, related_name="loads", help_text="that loaded it"
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
    cooked = models.JSONField(default=dict, help_text="time to the threshold, judgement, cause")

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


class FlagQuerySet(models.QuerySet):
    """The words we use when we ask what waits for staff."""

    def waiting(self):
        """Neither answered nor cleared by themselves."""
        return self.filter(answer="", cleared_at=None)

    def by_severity(self):
        """Stop first, note last; the newest first among equals."""
        order = models.Case(
            *[models.When(severity=word, then=-n) for n, word in enumerate(SEVERITIES)],
            output_field=models.SmallIntegerField(),
        )
        return self.annotate(weight=order).order_by("weight", "-raised_at")


class Flag(models.Model):
    """A finding that waits for staff; asked once, answered with one press."""

    class Answer(models.TextChoices):
        SEEN = "seen", "seen"
        FIXED = "fixed", "fixed"
        WATCHED = "watched", "watched until"
        NOT_REAL = "not real", "not real"

    key = models.CharField(max_length=120, unique=True, help_text="the same finding is one flag")
    rule = models.CharField(max_length=12)
    severity = models.CharField(max_length=5, choices=[(word, word) for word in SEVERITIES])
    says = models.CharField(max_length=300)
    do = models.CharField(max_length=300, blank=True)
    evidence = models.JSONField(default=dict)
    source = models.CharField(max_length=300, blank=True)
    instrument = models.ForeignKey(
        "facility.Instrument", models.PROTECT, null=True, related_name="+"
    )
    holder = models.ForeignKey("samples.Holder", models.PROTECT, null=True, related_name="+")
    mount = models.ForeignKey("samples.Mount", models.PROTECT, null=True, related_name="+")
    load = models.ForeignKey(Load, models.PROTECT, null=True, related_name="flags")
    raised_at = models.DateTimeField()
    cleared_at = models.DateTimeField(null=True, help_text="its cause went away by itself")
    answer = models.CharField(max_length=8, choices=Answer, blank=True)
    sentence = models.CharField(max_length=300, blank=True)
    watch_until = models.DateField(null=True, blank=True)
    answered_at = models.DateTimeField(null=True, blank=True)
    answered_by = models.ForeignKey("facility.Person", models.PROTECT, null=True, related_name="+")

    objects = FlagQuerySet.as_manager()

    class Meta:
        ordering = ["-raised_at"]
        indexes = [models.Index(name="flag_waiting", fields=["answer", "-raised_at"])]

    def __str__(self):
        return f"{self.rule}: {self.says}"
