"""The laboratory itself: people, instruments, places, and the log that everything is written in."""

import uuid

from django.contrib.auth.models import AbstractUser, UserManager
from django.db import models
from django.db.models import F, Q
from django.urls import reverse


class Group(models.Model):
    """People who share samples and holders, usually one lead's."""

    name = models.CharField(max_length=80, unique=True)

    class Meta:
        ordering = ["name"]

    def __str__(self):
        return self.name


class PersonQuerySet(models.QuerySet):
    """The words we use when we ask about people."""

    def staff_of_the_house(self):
        """Who answers flags: staff and managers who may sign in."""
        return self.filter(is_active=True, role__in=[Person.Role.STAFF, Person.Role.MANAGER])


class PersonManager(UserManager.from_queryset(PersonQuerySet)):
    """Django's own creation of users, with our words."""


class Person(AbstractUser):
    """Someone known to the facility; the log holds only their number, so the name can be blanked."""

    class Role(models.TextChoices):
        VISITOR = "visitor", "visitor"
        USER = "user", "user"
        LEAD = "lead", "lead of a group"
        STAFF = "staff", "staff"
        SAFETY = "safety", "safety officer"
        MANAGER = "manager", "manager"

    first_name = last_name = None
    full_name = models.CharField(max_length=120, blank=True)
    role = models.CharField(max_length=8, choices=Role, default=Role.VISITOR)
    group = models.ForeignKey(Group, models.PROTECT, null=True, blank=True, related_name="people")
    phone = models.CharField(max_length=40, blank=True)

    objects = PersonManager()

    class Meta:
        ordering = ["full_name", "pk"]

    def __str__(self):
        return self.full_name or f"person {self.pk}"

    @property
    def is_house_staff(self):
        """Whether this person looks after instruments: staff or a manager."""
        return self.role in (self.Role.STAFF, self.Role.MANAGER)


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
        default=1e-5, help_text="the main chamber's pressure must not pass this on opening the gate"
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


class QualificationQuerySet(models.QuerySet):
    """The words we use when we ask who may do what."""

    def valid(self, on):
        """Granted, not ended, and not lapsed on that day."""
        return self.filter(ended_at=None, granted_on__lte=on).filter(
            Q(lapses_on=None) | Q(lapses_on__gte=on)
        )


class Qualification(models.Model):
    """What a person may do on one instrument, by whom granted, until when."""

    class Level(models.IntegerChoices):
        OBSERVE = 1, "observe"
        ASSISTED = 2, "assisted"
        DAY = 3, "alone by day"
        ALONE = 4, "alone"
        ION_GUN = 5, "ion gun"

    person = models.ForeignKey(Person, models.PROTECT, related_name="qualifications")
    instrument = models.ForeignKey(Instrument, models.PROTECT, related_name="qualifications")
    level = models.PositiveSmallIntegerField(choices=Level)
    granted_on = models.DateField()
    granted_by = models.ForeignKey(Person, models.PROTECT, related_name="+")
    lapses_on = models.DateField(null=True, blank=True)
    ended_at = models.DateTimeField(null=True, blank=True)

    objects = QualificationQuerySet.as_manager()

    class Meta:
        ordering = ["person", "instrument", "-level"]
        constraints = [
            models.UniqueConstraint(
                name="one_standing_qualification",
                fields=["person", "instrument"],
                condition=Q(ended_at=None),
            )
        ]

    def __str__(self):
        return f"{self.person}: {self.get_level_display()} on {self.instrument}"


class RunSheet(models.Model):
    """One published version of an instrument's procedure, as the document that was proved."""

    name = models.CharField(max_length=80)
    instrument = models.ForeignKey(Instrument, models.PROTECT, related_name="sheets")
    version = models.PositiveSmallIntegerField()
    document = models.JSONField()
    proof = models.JSONField(default=dict)
    published_at = models.DateTimeField(null=True)
    published_by = models.ForeignKey(Person, models.PROTECT, null=True, related_name="+")

    class Meta:
        ordering = ["instrument", "-version"]
        constraints = [
            models.UniqueConstraint(name="one_sheet_a_version", fields=["instrument", "version"])
        ]

    def __str__(self):
        return f"{self.name}, version {self.version}"


class Log(models.Model):
    """An append-only chain of entries: one for each session, load and instrument."""

    class Kind(models.TextChoices):
        INSTRUMENT = "instrument", "instrument"
        SESSION = "session", "session"
        LOAD = "load", "load"

    kind = models.CharField(max_length=10, choices=Kind)
    instrument = models.ForeignKey(Instrument, models.PROTECT, related_name="logs")
    length = models.PositiveIntegerField(default=0)
    head = models.CharField(max_length=64, blank=True)

    class Meta:
        constraints = [
            models.UniqueConstraint(
                name="one_log_an_instrument", fields=["instrument"], condition=Q(kind="instrument")
            )
        ]

    def __str__(self):
        return f"{self.kind} log {self.pk}"


class EntryQuerySet(models.QuerySet):
    """The words we use when we ask what was written."""

    def in_chain(self):
        """In the order of recording."""
        return self.order_by("log", "n")

    def as_it_happened(self):
        """In the order of happening, as pages show it."""
        return self.order_by("happened_at", "pk")


class Entry(models.Model):
    """Who, when, what. `body` is the text that is hashed; the other columns are copies of it."""

    log = models.ForeignKey(Log, models.PROTECT, related_name="entries")
    n = models.PositiveIntegerField()
    kind = models.CharField(max_length=40)
    person = models.ForeignKey(Person, models.PROTECT, related_name="+")
    happened_at = models.DateTimeField()
    recorded_at = models.DateTimeField()
    sent_id = models.UUIDField(default=uuid.uuid4, unique=True)
    body = models.TextField(blank=True)
    digest = models.CharField(max_length=64)
    hash = models.CharField(max_length=64)
    redacts = models.OneToOneField(
        "self", models.PROTECT, null=True, related_name="redaction", db_index=True
    )

    objects = EntryQuerySet.as_manager()

    class Meta:
        ordering = ["log", "n"]
        indexes = [models.Index(name="entry_by_happening", fields=["log", "happened_at"])]
        constraints = [
            models.UniqueConstraint(name="one_entry_a_number", fields=["log", "n"]),
        ]

    def __str__(self):
        return f"{self.kind} ({self.log}, {self.n})"


class KeptItem(models.Model):
    """Something sent that could not be recorded as it is: set aside word for word, for staff."""

    sent_id = models.UUIDField()
    person = models.ForeignKey(Person, models.PROTECT, related_name="+")
    received_at = models.DateTimeField()
    reason = models.CharField(max_length=300)
    text = models.TextField()
    fingerprint = models.CharField(max_length=64, unique=True)
    seen_by = models.ForeignKey(Person, models.PROTECT, null=True, related_name="+")
    seen_at = models.DateTimeField(null=True)

    class Meta:
        ordering = ["received_at"]

    def __str__(self):
        return f"set aside: {self.reason}"


class DeviceState(models.Model):
    """Where a device of an instrument stands, computed from the entries; who looked last, and when."""

    instrument = models.ForeignKey(Instrument, models.PROTECT, related_name="devices")
    device = models.CharField(max_length=40)
    state = models.CharField(max_length=40)
    since = models.DateTimeField()
    looked_at = models.DateTimeField()
    entry = models.ForeignKey(Entry, models.PROTECT, null=True, related_name="+")

    class Meta:
        ordering = ["instrument", "device"]
        constraints = [
            models.UniqueConstraint(name="one_state_a_device", fields=["instrument", "device"])
        ]

    def __str__(self):
        return f"{self.device}: {self.state}"


class LimitQuerySet(models.QuerySet):
    """The words we use when we ask for limits."""

    def in_force(self):
        """The newest value of each limit, by name."""
        newest = {}
        for limit in self.order_by("name", "since", "pk"):
            newest[limit.name] = limit
        return newest


class Limit(models.Model):
    """A limit of a rule as the facility set it; a change is a new row, so the history stays."""

    name = models.CharField(max_length=60)
    value = models.FloatField()
    unit = models.CharField(max_length=16, blank=True)
    source = models.CharField(max_length=200)
    since = models.DateTimeField()
    by = models.ForeignKey(Person, models.PROTECT, null=True, related_name="+")

    objects = LimitQuerySet.as_manager()

    class Meta:
        ordering = ["name", "-since"]

    def __str__(self):
        return f"{self.name} {self.value} {self.unit}".strip()


class Attempt(models.Model):
    """A sign-in that failed, counted in the database so that every worker sees it."""

    name = models.CharField(max_length=150)
    address = models.GenericIPAddressField(null=True)
    at = models.DateTimeField()

    class Meta:
        indexes = [models.Index(name="attempt_by_name", fields=["name", "at"])]

    def __str__(self):
        return f"{self.name} at {self.at}"
