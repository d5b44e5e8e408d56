"""Parts with their lives, upkeep tasks, bakes and vents."""

from django.db import models
from django.db.models import F, Q
from django.urls import reverse


class PartQuerySet(models.QuerySet):
    """The words we use when we ask about parts."""

    def standing(self):
        return self.filter(ended_at=None)


class Part(models.Model):
    """A part of an instrument that wears: where its use is read from, and when that is much."""

    class Kind(models.TextChoices):
        SOURCE = "source", "X-ray source"
        FILAMENT = "filament", "filament"
        GUN = "gun", "ion gun"
        PUMP = "pump", "pump"
        GAUGE = "gauge", "gauge"
        SEAL = "seal", "seal or valve"
        ANALYSER = "analyser", "analyser"
        OTHER = "other", "other"

    class Counts(models.TextChoices):
        DEVICE = "device", "hours in which a device of the run sheet was on"
        CALENDAR = "calendar", "hours since it was put in"
        DOSE = "dose", "pressure dose while its gauge was on"

    instrument = models.ForeignKey("facility.Instrument", models.PROTECT, related_name="parts")
    kind = models.CharField(max_length=8, choices=Kind)
    name = models.CharField(max_length=60)
    counts = models.CharField(max_length=8, choices=Counts, default=Counts.CALENDAR)
    device = models.CharField(max_length=40, blank=True)
    on_states = models.JSONField(default=list, help_text="states of the device that are use")
    gauge = models.ForeignKey(
        "facility.Gauge", models.PROTECT, null=True, blank=True, related_name="+"
    )
    spare = models.CharField(max_length=80, blank=True, help_text="what it is called in the stores")
    made_at = models.DateTimeField()
    ended_at = models.DateTimeField(null=True, blank=True)

    objects = PartQuerySet.as_manager()

    class Meta:
        ordering = ["instrument", "pk"]
        constraints = [
            models.UniqueConstraint(
                name="one_part_a_name", fields=["instrument", "name"], condition=Q(ended_at=None)
            )
        ]

    def __str__(self):
        return self.name

    def get_absolute_url(self):
        return reverse("bookings:part", args=[self.pk])


class PartLifeQuerySet(models.QuerySet):
    """The words we use when we ask how long parts lasted."""

    def running(self):
        return self.filter(ended_at=None)

    def over(self):
        """Earlier lives, the newest first."""
        return self.exclude(ended_at=None).order_by("-ended_at")


class PartLife(models.Model):
    """One piece in the place of a part, from its putting in to its taking out."""

    part = models.ForeignKey(Part, models.PROTECT, related_name="lives")
    serial = models.CharField(max_length=60, blank=True)
    began_at = models.DateTimeField()
    began_hours = models.FloatField(default=0.0, help_text="use that is known from before")
    ended_at = models.DateTimeField(null=True, blank=True)
    cause = models.CharField(max_length=200, blank=True, help_text="of its end")
    by = models.ForeignKey("facility.Person", models.PROTECT, related_name="+")
    ended_by = models.ForeignKey("facility.Person", models.PROTECT, null=True, related_name="+")
    seconds = models.FloatField(default=0.0, help_text="of use, a running total")
    unsure_seconds = models.FloatField(default=0.0, help_text="of these: nobody saw it end")
    dose_pa_s = models.FloatField(default=0.0)
    on_since = models.DateTimeField(null=True, blank=True)

    objects = PartLifeQuerySet.as_manager()

    class Meta:
        ordering = ["part", "-began_at"]
        constraints = [
            models.UniqueConstraint(
                name="one_life_at_a_time", fields=["part"], condition=Q(ended_at=None)
            ),
            models.CheckConstraint(
                name="life_ends_after_it_begins",
                condition=Q(ended_at=None) | Q(ended_at__gte=F("began_at")),
            ),
        ]

    def __str__(self):
        return f"{self.part} since {self.began_at:%d %b %Y}"


class UseMark(models.Model):
    """What a life had counted when a week began, so that a past week is told as it was known."""

    life = models.ForeignKey(PartLife, models.PROTECT, related_name="marks")
    at = models.DateTimeField()
    seconds = models.FloatField()
    dose_pa_s = models.FloatField()

    class Meta:
        ordering = ["life", "-at"]
        constraints = [models.UniqueConstraint(name="one_mark_a_week", fields=["life", "at"])]

    def __str__(self):
        return f"{self.life}, {self.at:%d %b %Y}"


class UseCount(models.Model):
    """How far the entries of an instrument have been counted into the lives of its parts."""

    instrument = models.OneToOneField("facility.Instrument", models.PROTECT, related_name="+")
    last_entry = models.PositiveBigIntegerField(default=0, help_text="key of the last one counted")
    newest_at = models.DateTimeField(null=True, help_text="when the newest counted one happened")

    def __str__(self):
        return f"{self.instrument} to entry {self.last_entry}"


class UpkeepTaskQuerySet(models.QuerySet):
    """The words we use when we ask what upkeep there is."""

    def in_use(self, at=None):
        if at is None:
            return self.filter(ended_at=None)
        return self.filter(made_at__lt=at).filter(Q(ended_at=None) | Q(ended_at__gte=at))


class UpkeepTask(models.Model):
    """Maintenance that comes due by date, hours of a part, dose of a gauge, or an event."""

    instrument = models.ForeignKey("facility.Instrument", models.PROTECT, related_name="upkeep")
    name = models.CharField(max_length=80)
    how = models.CharField(max_length=300, blank=True)
    caution = models.CharField(max_length=200, blank=True)
    part = models.ForeignKey(Part, models.PROTECT, null=True, blank=True, related_name="+")
    every_days = models.PositiveSmallIntegerField(null=True, blank=True)
    every_hours = models.FloatField(null=True, blank=True)
    every_dose_mbar_h = models.FloatField(null=True, blank=True)
    after = models.JSONField(default=list, help_text="kinds of events that make it due")
    source = models.CharField(max_length=200, blank=True, help_text="where the interval is from")
    renews = models.CharField(max_length=8, blank=True, help_text="event that doing it is")
    made_at = models.DateTimeField()
    made_by = models.ForeignKey("facility.Person", models.PROTECT, related_name="+")
    ended_at = models.DateTimeField(null=True, blank=True)

    objects = UpkeepTaskQuerySet.as_manager()

    class Meta:
        ordering = ["instrument", "pk"]
        constraints = [
            models.UniqueConstraint(
                name="one_task_a_name", fields=["instrument", "name"], condition=Q(ended_at=None)
            )
        ]

    def __str__(self):
        return self.name


class UpkeepDone(models.Model):
    """An upkeep task that was done: by whom, with which sentence, at how many hours."""

    task = models.ForeignKey(UpkeepTask, models.PROTECT, related_name="done")
    at = models.DateTimeField()
    by = models.ForeignKey("facility.Person", models.PROTECT, related_name="+")
    says = models.CharField(max_length=300)
    seconds = models.FloatField(default=0.0, help_text="use of the part in all its lives, then")
    dose_pa_s = models.FloatField(default=0.0, help_text="dose of the part in all its lives, then")
    recorded_at = models.DateTimeField()
    entry = models.OneToOneField("facility.Entry", models.PROTECT, related_name="+")

    class Meta:
        ordering = ["-at", "-pk"]
        indexes = [models.Index(name="upkeep_done_by_task", fields=["task", "-at"])]

    def __str__(self):
        return f"{self.task}, {self.at:%d %b %Y}"


class JobQuerySet(models.QuerySet):
    """The words we use when we ask about bakes and vents."""

    def open(self):
        return self.filter(ended_at=None)


class Job(models.Model):
    """A bake or a vent of the main chamber, from its beginning to the pressure after it."""

    class Kind(models.TextChoices):
        BAKE = "bake", "bake"
        VENT = "vent", "vent of the main chamber"

    instrument = models.ForeignKey("facility.Instrument", models.PROTECT, related_name="jobs")
    kind = models.CharField(max_length=4, choices=Kind)
    why = models.CharField(max_length=200)
    max_c = models.FloatField(null=True, blank=True, help_text="hottest that is planned")
    inside = models.JSONField(
        default=list, help_text="what stayed in, with its limit and who said so"
    )
    watch = models.ForeignKey("facility.Person", models.PROTECT, related_name="+")
    began_at = models.DateTimeField()
    by = models.ForeignKey("facility.Person", models.PROTECT, related_name="+")
    before = models.CharField(max_length=40, blank=True, help_text="pressure as typed")
    before_pa = models.FloatField(null=True, blank=True)
    ended_at = models.DateTimeField(null=True, blank=True)
    ended_by = models.ForeignKey("facility.Person", models.PROTECT, null=True, related_name="+")
    after_text = models.CharField(max_length=40, blank=True, help_text="pressure as typed")
    after_pa = models.FloatField(null=True, blank=True)
    says = models.CharField(max_length=300, blank=True)
    entry = models.OneToOneField("facility.Entry", models.PROTECT, related_name="+")

    objects = JobQuerySet.as_manager()

    class Meta:
        ordering = ["-began_at"]
        constraints = [
            models.UniqueConstraint(
                name="one_job_at_a_time", fields=["instrument"], condition=Q(ended_at=None)
            )
        ]

    def __str__(self):
        return f"{self.get_kind_display()} of {self.instrument}"

    def get_absolute_url(self):
        return reverse("bookings:job", args=[self.pk])


class JobReading(models.Model):
    """A temperature, and perhaps a pressure, of a bake or vent."""

    job = models.ForeignKey(Job, models.PROTECT, related_name="readings")
    at = models.DateTimeField()
    temperature_c = models.FloatField(null=True, blank=True)
    pressure = models.CharField(max_length=40, blank=True, help_text="as typed")
    pressure_pa = models.FloatField(null=True, blank=True)
    says = models.CharField(max_length=200, blank=True)
    by = models.ForeignKey("facility.Person", models.PROTECT, related_name="+")
    sent_id = models.UUIDField(unique=True)

    class Meta:
        ordering = ["job", "at"]

    def __str__(self):
        return f"{self.at:%d %b %H:%M}, {self.temperature_c} °C"
