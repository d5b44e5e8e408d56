"""Instruments with their chambers, gauges, places, run sheets and device states."""

from django.db import models
from django.db.models import F, Q
from django.urls import reverse


class Instrument(models.Model):
    """One shared vacuum instrument: its limits, and the constants that its heights are computed from."""

    class Word(models.TextChoices):
        USABLE = "usable", "usable"
        CAREFUL = "careful", "with care"
        DOWN = "down", "down"

    slug = models.SlugField(max_length=40, unique=True)
    name = models.CharField(max_length=60, unique=True)
    what = models.CharField(max_length=120, help_text="such as: photoelectron spectrometer")
    word = models.CharField(max_length=8, choices=Word, default=Word.USABLE)
    word_why = models.CharField(max_length=200, blank=True)
    threshold_pa = models.FloatField(
        default=1.333e-4, help_text="indicated pressure below which a holder may be transferred"
    )
    main_ceiling_pa = models.FloatField(
        default=1e-5, help_text="the main chamber is ready to measure below this"
    )
    burst_ceiling_pa = models.FloatField(
        default=1e-4, help_text="what opening the gate may bring the main chamber to"
    )
    argon_ceiling_pa = models.FloatField(
        default=1e-4, help_text="the main chamber's, while argon runs; see the maker's manual"
    )
    z_ref_mm = models.FloatField(null=True, blank=True, help_text="bare holder face in focus")
    free_distance_mm = models.FloatField(
        null=True, blank=True, help_text="from the focal plane to the nearest hardware"
    )
    margin_mm = models.FloatField(default=1.5)
    tape_mm = models.FloatField(default=0.08)
    tilt_axis_mm = models.FloatField(default=0.0, help_text="above the holder face")
    readout_sign = models.SmallIntegerField(
        default=1, help_text="1 where the readout grows upwards"
    )
    photon_energy_ev = models.FloatField(default=1486.6)
    spot_um = models.FloatField(default=400.0)
    source_elevation_deg = models.FloatField(default=45.0)
    sheet = models.ForeignKey(
        "RunSheet", models.PROTECT, null=True, blank=True, related_name="+", help_text="in force"
    )
    last_step = models.CharField(max_length=60, blank=True, help_text="of the run sheet")
    log = models.OneToOneField("Log", models.PROTECT, null=True, related_name="+")
    muted = models.JSONField(
        default=dict, blank=True, help_text="rules that are not asked about: since, until, why"
    )

    class Meta:
        ordering = ["pk"]
        constraints = [
            models.CheckConstraint(
                name="instrument_threshold_above_zero", condition=Q(threshold_pa__gt=0)
            ),
            models.CheckConstraint(
                name="instrument_readout_up_or_down", condition=Q(readout_sign__in=[1, -1])
            ),
        ]

    def __str__(self):
        return self.name

    def get_absolute_url(self):
        return reverse("bookings:instrument", args=[self.slug])


class Chamber(models.Model):
    """A vacuum vessel of an instrument, joined to the other by the gate valve."""

    class Kind(models.TextChoices):
        INTRODUCTION = "introduction", "introduction chamber"
        MAIN = "main", "main chamber"

    instrument = models.ForeignKey(Instrument, models.PROTECT, related_name="chambers")
    kind = models.CharField(max_length=12, choices=Kind)
    volume_l = models.FloatField()

    class Meta:
        ordering = ["instrument", "kind"]
        constraints = [
            models.UniqueConstraint(name="one_chamber_of_a_kind", fields=["instrument", "kind"]),
            models.CheckConstraint(name="chamber_has_volume", condition=Q(volume_l__gt=0)),
        ]

    def __str__(self):
        return f"{self.get_kind_display()} of {self.instrument}"


class Gauge(models.Model):
    """A pressure gauge on a chamber; its unit is that of its controller and is never asked for."""

    class Principle(models.TextChoices):
        PIRANI = "pirani", "Pirani"
        COLD_CATHODE = "cold_cathode", "cold cathode"
        HOT_CATHODE = "hot_cathode", "hot cathode"
        CAPACITANCE = "capacitance", "capacitance"
        COMBINED = "combined", "Pirani and cold cathode in one"

    class Unit(models.TextChoices):
        PA = "Pa", "Pa"
        HPA = "hPa", "hPa"
        MBAR = "mbar", "mbar"
        TORR = "torr", "torr"

    chamber = models.ForeignKey(Chamber, models.PROTECT, related_name="gauges")
    code = models.SlugField(max_length=24, unique=True)
    name = models.CharField(max_length=60)
    principle = models.CharField(max_length=12, choices=Principle)
    unit = models.CharField(max_length=4, choices=Unit)
    low_pa = models.FloatField(help_text="reads nothing below")
    high_pa = models.FloatField(help_text="reads nothing above")
    gas = models.CharField(max_length=12, default="N2")
    on_ion_gun = models.BooleanField(default=False)

    class Meta:
        ordering = ["chamber", "code"]
        constraints = [
            models.CheckConstraint(
                name="gauge_range_in_order", condition=Q(low_pa__gt=0, high_pa__gt=F("low_pa"))
            )
        ]

    def __str__(self):
        return self.name


class Place(models.Model):
    """A slot with a capacity where a holder or sample can be."""

    class Kind(models.TextChoices):
        RACK = "rack", "rack"
        BENCH = "bench", "bench"
        INTRODUCTION = "introduction", "introduction chamber"
        PARKING = "parking", "parking slot"
        STAGE = "stage", "analysis stage"
        VESSEL = "vessel", "transfer vessel"
        GLOVE_BOX = "glove box", "glove box"
        DESICCATOR = "desiccator", "desiccator"
        SHELF = "shelf", "shelf box"
        ELSEWHERE = "elsewhere", "other instrument"
        AWAY = "away", "away"

    IN_VACUUM = [Kind.INTRODUCTION, Kind.PARKING, Kind.STAGE]

    kind = models.CharField(max_length=12, choices=Kind)
    name = models.CharField(max_length=60, unique=True)
    instrument = models.ForeignKey(
        Instrument, models.PROTECT, null=True, blank=True, related_name="places"
    )
    capacity = models.PositiveSmallIntegerField(default=1)

    class Meta:
        ordering = ["pk"]
        constraints = [
            models.CheckConstraint(name="place_holds_something", condition=Q(capacity__gt=0))
        ]

    def __str__(self):
        return self.name

    @property
    def is_in_vacuum(self):
        return self.kind in self.IN_VACUUM


class RunSheetQuerySet(models.QuerySet):
    """The words we use when we ask about run sheets."""

    def published(self):
        return self.exclude(published_at=None)

    def of(self, instrument):
        """Its published versions, newest first."""
        return self.published().filter(instrument=instrument).order_by("-version")


class RunSheet(models.Model):
    """One published version of an instrument's procedure, as the document that was proved."""

    name = models.CharField(max_length=80)
    instrument = models.ForeignKey(Instrument, models.PROTECT, related_name="sheets")
    version = models.PositiveSmallIntegerField()
    document = models.JSONField()
    proof = models.JSONField(default=dict)
    published_at = models.DateTimeField(null=True)
    published_by = models.ForeignKey("facility.Person", models.PROTECT, null=True, related_name="+")

    objects = RunSheetQuerySet.as_manager()

    class Meta:
        ordering = ["instrument", "-version"]
        constraints = [
            models.UniqueConstraint(name="one_sheet_a_version", fields=["instrument", "version"])
        ]

    def __str__(self):
        return f"{self.name}, version {self.version}"


class SheetDraft(models.Model):
    """The next version of an instrument's run sheet while staff work on it; one an instrument."""

    instrument = models.OneToOneField(Instrument, models.PROTECT, related_name="draft")
    name = models.CharField(max_length=80)
    document = models.JSONField()
    based_on = models.ForeignKey(RunSheet, models.PROTECT, null=True, related_name="+")
    revision = models.PositiveIntegerField(default=1, help_text="grows with each change")
    proof = models.JSONField(default=dict)
    begun_by = models.ForeignKey("facility.Person", models.PROTECT, related_name="+")
    begun_at = models.DateTimeField()

    def __str__(self):
        return f"{self.name}, draft"


class SheetEdit(models.Model):
    """One change of a draft and the document as it stood after it; gone once the draft is."""

    draft = models.ForeignKey(SheetDraft, models.CASCADE, related_name="edits")
    revision = models.PositiveIntegerField()
    by = models.ForeignKey("facility.Person", models.PROTECT, related_name="+")
    at = models.DateTimeField()
    says = models.CharField(max_length=200)
    document = models.JSONField()

    class Meta:
        ordering = ["draft", "-revision"]
        constraints = [
            models.UniqueConstraint(name="one_edit_a_revision", fields=["draft", "revision"])
        ]

    def __str__(self):
        return f"{self.says} ({self.draft}, {self.revision})"


class DeviceState(models.Model):
    """Where a device of an instrument stands, computed from the entries; who looked last, and when."""

    instrument = models.ForeignKey(Instrument, models.PROTECT, related_name="devices")
    device = models.CharField(max_length=40)
    state = models.CharField(max_length=40)
    since = models.DateTimeField()
    looked_at = models.DateTimeField()
    entry = models.ForeignKey("facility.Entry", models.PROTECT, null=True, related_name="+")

    class Meta:
        ordering = ["instrument", "device"]
        constraints = [
            models.UniqueConstraint(name="one_state_a_device", fields=["instrument", "device"])
        ]

    def __str__(self):
        return f"{self.device}: {self.state}"
