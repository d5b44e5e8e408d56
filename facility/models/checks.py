"""Events that begin a phase, checks with their kinds, and drifts of the pump-downs."""

from django.db import models
from django.db.models import Q
from django.urls import reverse


class EventQuerySet(models.QuerySet):
    """The words we use when we ask what changed an instrument."""

    def of(self, instrument, at=None):
        """Its events in order of time, as known at `at`."""
        found = self.filter(instrument=instrument)
        return (found if at is None else found.filter(recorded_at__lt=at, at__lt=at)).order_by(
            "at", "pk"
        )


class Event(models.Model):
    """Something that changes what is normal, or makes checks due; between two lies a phase."""

    class Kind(models.TextChoices):
        BAKE = "bake", "bake"
        VENT = "vent", "main chamber at air"
        PUMP = "pump", "pump changed"
        GAUGE = "gauge", "gauge cleaned or changed"
        SEAL = "seal", "seal or valve changed"
        ANALYSER = "analyser", "work on the analyser, or the scale adjusted"
        SOURCE = "source", "work on the X-ray source"
        GUN = "gun", "work on the ion gun"
        POWER = "power", "power cut"
        WATER = "water", "cooling water lost"

    instrument = models.ForeignKey("facility.Instrument", models.PROTECT, related_name="events")
    chamber = models.ForeignKey(
        "facility.Chamber", models.PROTECT, null=True, blank=True, related_name="+"
    )
    kind = models.CharField(max_length=8, choices=Kind)
    at = models.DateTimeField()
    says = models.CharField(max_length=300, blank=True)
    by = models.ForeignKey("facility.Person", models.PROTECT, related_name="+")
    recorded_at = models.DateTimeField()
    entry = models.OneToOneField("facility.Entry", models.PROTECT, related_name="+")

    objects = EventQuerySet.as_manager()

    class Meta:
        ordering = ["-at"]
        indexes = [models.Index(name="event_by_instrument", fields=["instrument", "-at"])]

    def __str__(self):
        return f"{self.get_kind_display()}, {self.instrument}"


class CheckKindQuerySet(models.QuerySet):
    """The words we use when we ask what is checked."""

    def in_use(self, at=None):
        """Not given up; `at`: as it was then."""
        if at is None:
            return self.filter(ended_at=None)
        return self.filter(made_at__lt=at).filter(Q(ended_at=None) | Q(ended_at__gte=at))


class CheckKind(models.Model):
    """What is checked on one instrument at one setting, against which limits, and how often."""

    class Sort(models.TextChoices):
        ENERGY = "energy", "energy scale"
        INTENSITY = "intensity", "intensity"
        BLANK = "blank", "blank survey"
        BASE = "base", "base pressure"
        RISE = "rise", "rate of rise"
        GAS = "gas", "residual gas"
        LEAK = "leak", "leak hunt"
        OTHER = "other", "one number"

    instrument = models.ForeignKey(
        "facility.Instrument", models.PROTECT, related_name="check_kinds"
    )
    sort = models.CharField(max_length=9, choices=Sort)
    name = models.CharField(max_length=80)
    source = models.ForeignKey(
        "facility.Part", models.PROTECT, null=True, blank=True, related_name="+"
    )
    pass_energy_ev = models.FloatField(null=True, blank=True)
    lens_mode = models.CharField(max_length=40, blank=True)
    aperture = models.CharField(max_length=40, blank=True)
    gauge = models.ForeignKey(
        "facility.Gauge", models.PROTECT, null=True, blank=True, related_name="+"
    )
    chamber = models.ForeignKey(
        "facility.Chamber", models.PROTECT, null=True, blank=True, related_name="+"
    )
    tolerance_ev = models.FloatField(null=True, blank=True)
    low = models.FloatField(null=True, blank=True)
    high = models.FloatField(null=True, blank=True)
    unit = models.CharField(max_length=16, blank=True)
    every_days = models.PositiveSmallIntegerField(null=True, blank=True)
    made_at = models.DateTimeField()
    made_by = models.ForeignKey("facility.Person", models.PROTECT, related_name="+")
    ended_at = models.DateTimeField(null=True, blank=True)

    objects = CheckKindQuerySet.as_manager()

    class Meta:
        ordering = ["instrument", "pk"]
        constraints = [
            models.CheckConstraint(
                name="check_tolerance_above_the_standard",
                condition=Q(tolerance_ev=None) | Q(tolerance_ev__gt=0.03),
            ),
            models.UniqueConstraint(
                name="one_check_kind_a_name",
                fields=["instrument", "name"],
                condition=Q(ended_at=None),
            ),
        ]

    def __str__(self):
        return self.name

    def get_absolute_url(self):
        return reverse("bookings:check_kind", args=[self.pk])

    @property
    def setting(self):
        """Its setting in words."""
        parts = [
            self.source.name if self.source else "",
            f"pass energy {self.pass_energy_ev:g} eV" if self.pass_energy_ev else "",
            self.lens_mode,
            self.aperture,
            "neutraliser off" if self.sort in ("energy", "intensity") else "",
            self.gauge.name if self.gauge else "",
        ]
        return ", ".join(part for part in parts if part)


class CheckQuerySet(models.QuerySet):
    """The words we use when we ask what checks found."""

    def counted(self):
        """Finished, and not struck out."""
        return self.filter(struck_at=None).exclude(verdict="")

    def known(self, at=None):
        """Counted, as known at `at`."""
        if at is None:
            return self.counted()
        standing = Q(struck_at=None) | Q(struck_at__gte=at)
        return self.filter(standing, recorded_at__lt=at, at__lt=at).exclude(verdict="")

    def of_kind(self, kind):
        """All of a kind, counted or not, the newest first."""
        return self.filter(kind=kind).select_related("by", "struck_by")

    def open_of(self, kind):
        """The rise of a kind that is still being read, or None."""
        return self.open().filter(kind=kind).first()

    def open(self):
        """A rise that is still being read."""
        return self.filter(verdict="", struck_at=None)


class Check(models.Model):
    """One check as it was typed, what it found, and its verdict."""

    class Verdict(models.TextChoices):
        WITHIN = "within", "within"
        WARN = "warn", "warn"
        STAFF = "staff", "ask staff"
        OPEN = "undecided", "undecided"

    kind = models.ForeignKey(CheckKind, models.PROTECT, related_name="checks")
    at = models.DateTimeField()
    by = models.ForeignKey("facility.Person", models.PROTECT, related_name="+")
    typed = models.JSONField(default=dict, help_text="as it was typed, by field")
    found = models.JSONField(default=dict, help_text="what was computed, beside the values")
    verdict = models.CharField(max_length=9, choices=Verdict, blank=True)
    says = models.CharField(max_length=600, blank=True)
    doubt = models.CharField(max_length=300, blank=True, help_text="what was asked back")
    recorded_at = models.DateTimeField()
    entry = models.OneToOneField("facility.Entry", models.PROTECT, null=True, related_name="+")
    sent_id = models.UUIDField(unique=True)
    struck_at = models.DateTimeField(null=True, blank=True)
    struck_by = models.ForeignKey(
        "facility.Person", models.PROTECT, null=True, blank=True, related_name="+"
    )
    struck_why = models.CharField(max_length=200, blank=True)

    objects = CheckQuerySet.as_manager()

    class Meta:
        ordering = ["-at", "-pk"]
        indexes = [models.Index(name="check_by_kind", fields=["kind", "-at"])]

    def __str__(self):
        return f"{self.kind}, {self.at:%d %b %Y}"

    def get_absolute_url(self):
        return reverse("bookings:check", args=[self.pk])


class CheckValue(models.Model):
    """One number of a check that is followed on a chart."""

    check_row = models.ForeignKey(Check, models.PROTECT, related_name="values")
    kind = models.ForeignKey(CheckKind, models.PROTECT, related_name="+")
    series = models.CharField(max_length=24)
    at = models.DateTimeField()
    value = models.FloatField()

    class Meta:
        ordering = ["check_row", "pk"]
        indexes = [models.Index(name="value_by_series", fields=["kind", "series", "-at"])]
        constraints = [
            models.UniqueConstraint(name="one_value_a_series", fields=["check_row", "series"])
        ]

    def __str__(self):
        return f"{self.series} {self.value:g}"


class DriftQuerySet(models.QuerySet):
    """The words we use when we ask whether pump-downs drift."""

    def known(self, at):
        return self.filter(found_at__lt=at, recorded_at__lt=at)


class Drift(models.Model):
    """A slow change of a chamber's pump-downs, found from the runs up to then alone."""

    chamber = models.ForeignKey("facility.Chamber", models.PROTECT, related_name="drifts")
    found_at = models.DateTimeField(help_text="end of the run at which it was seen")
    recorded_at = models.DateTimeField()
    since = models.DateTimeField()
    change = models.CharField(max_length=6, help_text="slower or faster")
    leak = models.BooleanField(help_text="like a constant gas load; else like pump or gauge")
    per_week = models.FloatField(help_text="by which share the time to the threshold grows")
    says = models.CharField(max_length=400)
    faded_at = models.DateTimeField(null=True, help_text="the runs are as usual again since then")
    run = models.PositiveIntegerField(help_text="key of the pump-down at which it was seen")
    first_run = models.PositiveIntegerField(help_text="key of the first pump-down of the ramp")

    objects = DriftQuerySet.as_manager()

    class Meta:
        ordering = ["-found_at"]
        constraints = [models.UniqueConstraint(name="one_drift_a_run", fields=["chamber", "run"])]

    def __str__(self):
        return f"{self.change} since {self.since:%d %b %Y}, {self.chamber}"


class VacuumWatch(models.Model):
    """How far a chamber's pump-downs have been looked through for a drift."""

    chamber = models.OneToOneField("facility.Chamber", models.PROTECT, related_name="+")
    looked_to = models.DateTimeField(help_text="end of the last run that was looked at")

    def __str__(self):
        return f"{self.chamber} to {self.looked_to:%d %b %Y}"
