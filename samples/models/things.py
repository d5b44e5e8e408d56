"""Samples, holders, which holder carried what, when, and where each thing is."""

from django.db import models
from django.db.models import Case, Count, F, Max, OuterRef, Prefetch, Q, Subquery, When
from django.urls import reverse

from facility.models import Place

HAS_ITS_SIZE = Q(shape="disc", diameter_mm__gt=0) | Q(
    shape="rectangle", width_mm__gt=0, height_mm__gt=0
)


class HolderType(models.Model):
    """A kind of holder: its shape, usable area and the thickest sample it takes."""

    class Shape(models.TextChoices):
        DISC = "disc", "disc"
        RECTANGLE = "rectangle", "rectangle"

    name = models.CharField(max_length=60, unique=True)
    shape = models.CharField(max_length=9, choices=Shape)
    diameter_mm = models.FloatField(null=True, blank=True)
    width_mm = models.FloatField(null=True, blank=True)
    height_mm = models.FloatField(null=True, blank=True)
    edge_margin_mm = models.FloatField(default=2.0)
    max_thickness_mm = models.FloatField()

    class Meta:
        ordering = ["name"]
        constraints = [
            models.CheckConstraint(name="holder_type_has_its_size", condition=HAS_ITS_SIZE)
        ]

    def __str__(self):
        return self.name


class HolderQuerySet(models.QuerySet):
    """The words we use when we ask about holders."""

    def in_use(self):
        return self.filter(retired_at=None)

    def with_code(self, code):
        """The one with this code, or None."""
        return self.filter(code=code).first()

    def coded(self, codes):
        """Those with one of these codes."""
        return self.filter(code__in=codes)

    def prefetch_standing(self):
        """Each with `standing_mounts`, what it carries now."""
        rows = Mount.objects.standing().select_related("sample").order_by("position")
        return self.prefetch_related(Prefetch("mounts", queryset=rows, to_attr="standing_mounts"))

    def called(self, text):
        """By short name, whatever the case."""
        return self.in_use().filter(short_name__iexact=text.strip())

    def with_state(self):
        """Each with how many samples it carries and the place where it is, in one query."""
        here = Whereabouts.objects.filter(holder=OuterRef("pk"), until=None)
        return self.select_related("type").annotate(
            carries=Count("mounts", filter=Q(mounts__until=None)),
            place_name=Subquery(here.values("place__name")[:1]),
            place_kind=Subquery(here.values("place__kind")[:1]),
        )

    def carrying_samples_of(self, person):
        """Holders that carry a sample of this person or their group now."""
        mine = Mount.objects.standing().filter(sample__in=Sample.objects.of(person))
        return self.with_state().filter(pk__in=mine.values("holder"))


class Holder(models.Model):
    """A physical carrier with an engraved code and a short name that a window shows."""

    code = models.CharField(max_length=8, unique=True)
    short_name = models.CharField(max_length=8, unique=True)
    type = models.ForeignKey(HolderType, models.PROTECT, related_name="holders")
    group = models.ForeignKey(
        "facility.Group", models.PROTECT, null=True, blank=True, related_name="+"
    )
    dedicated_to = models.CharField(max_length=60, blank=True, help_text="a material class")
    quarantined_why = models.CharField(max_length=200, blank=True)
    retired_at = models.DateTimeField(null=True, blank=True)

    objects = HolderQuerySet.as_manager()

    class Meta:
        ordering = ["short_name"]

    def __str__(self):
        return self.short_name

    def get_absolute_url(self):
        return reverse("bookings:holder", args=[self.code])


class SampleQuerySet(models.QuerySet):
    """The words we use when we ask about samples."""

    def with_code(self, code):
        """The one with this code, or None."""
        return self.filter(code=code).first()

    def coded(self, codes):
        """Those with one of these codes."""
        return self.filter(code__in=codes)

    def of(self, person):
        """Owned by this person or their group."""
        mine = Q(owner=person)
        if person.group_id is not None:
            mine |= Q(group=person.group_id)
        return self.filter(mine)

    def unmounted(self):
        return self.exclude(pk__in=Mount.objects.standing().values("sample"))

    def titled(self, text):
        """Whose title or composition holds the text, those called exactly so first."""
        holds = Q(title__icontains=text.strip()) | Q(composition__icontains=text.strip())
        other = Case(When(title__iexact=text.strip(), then=0), default=1)
        return self.filter(holds).order_by(other, "-declared_at")

    def kept(self):
        """Not yet returned, stored elsewhere or disposed of."""
        return self.filter(gone_at=None)

    def hazardous(self):
        """Still here, with a hazard that somebody named."""
        return self.kept().exclude(hazards="").exclude(hazards__iexact="none")

    def not_mounted_by(self, person):
        """This person's and their group's that lie ready, their own first, the newest first."""
        return (
            self.of(person)
            .kept()
            .unmounted()
            .annotate(not_mine=Case(When(owner=person, then=0), default=1))
            .order_by("not_mine", "-declared_at")
        )

    def measured_before_by(self, person):
        """Kinds of sample that this person or their group described before: the newest of each name."""
        newest = (
            self.of(person)
            .values("title")
            .annotate(newest=Max("pk"))
            .order_by("-newest")
            .values("newest")
        )
        return self.filter(pk__in=newest[:60]).order_by("-pk")

    def with_place(self):
        """Each with the place where it is now, by itself or on its holder, and that holder."""
        here = Whereabouts.objects.filter(until=None)
        on = Mount.objects.filter(sample=OuterRef("pk"), until=None)
        holder_here = here.filter(holder=OuterRef("pk"))
        return self.annotate(
            holder_name=Subquery(on.values("holder__short_name")[:1]),
            holder_code=Subquery(on.values("holder__code")[:1]),
            own_place=Subquery(here.filter(sample=OuterRef("pk")).values("place__name")[:1]),
            holder_place=Subquery(
                Holder.objects.filter(mounts__sample=OuterRef("pk"), mounts__until=None)
                .annotate(at_place=Subquery(holder_here.values("place__name")[:1]))
                .values("at_place")[:1]
            ),
        )


class Sample(models.Model):
    """A specimen someone owns: what it is, its form, and what is wanted from it."""

    class Form(models.TextChoices):
        FILM = "film", "film"
        BULK = "bulk", "bulk"
        CRYSTAL = "single crystal", "single crystal"
        POWDER = "powder", "powder"
        POROUS = "porous powder", "porous powder"
        PELLET = "pellet", "pellet"
        FIBRE = "fibre", "fibre"
        ELECTRODE = "electrode", "electrode"
        RESIDUE = "residue", "residue"

    class Shape(models.TextChoices):
        DISC = "disc", "disc"
        RECTANGLE = "rectangle", "rectangle"

    POWDERS = [Form.POWDER, Form.POROUS]

    code = models.CharField(max_length=8, unique=True)
    title = models.CharField(max_length=80)
    owner = models.ForeignKey("facility.Person", models.PROTECT, related_name="+")
    group = models.ForeignKey(
        "facility.Group", models.PROTECT, null=True, blank=True, related_name="+"
    )
    form = models.CharField(max_length=14, choices=Form)
    composition = models.CharField(max_length=120, blank=True)
    wants = models.CharField(max_length=200, blank=True, help_text="lines, such as: Cu 2p, O 1s")
    shape = models.CharField(max_length=9, choices=Shape, default=Shape.RECTANGLE)
    diameter_mm = models.FloatField(null=True, blank=True)
    width_mm = models.FloatField(null=True, blank=True)
    height_mm = models.FloatField(null=True, blank=True)
    thickness_mm = models.FloatField(default=0.0)
    mass_mg = models.FloatField(null=True, blank=True)
    surface_m2_g = models.FloatField(null=True, blank=True)
    max_temperature_c = models.FloatField(null=True, blank=True)
    hazards = models.CharField(max_length=200, blank=True)
    permit = models.CharField(max_length=60, blank=True, help_text="of the safety officer")
    plans = models.JSONField(
        default=dict, blank=True, help_text="ion gun, grain size, liquids: the rules' own words"
    )
    history = models.TextField(blank=True)
    confidential = models.BooleanField(default=False)
    declared_at = models.DateTimeField()
    declared_before_arrival = models.BooleanField(default=True)
    keep_until = models.DateField(null=True, blank=True)
    gone_at = models.DateTimeField(null=True, blank=True)
    gone_how = models.CharField(max_length=60, blank=True)
    sent_id = models.UUIDField(null=True, unique=True)

    objects = SampleQuerySet.as_manager()

    class Meta:
        ordering = ["-declared_at"]
        constraints = [
            models.CheckConstraint(name="sample_has_its_size", condition=HAS_ITS_SIZE),
            models.CheckConstraint(
                name="sample_thickness_not_negative", condition=Q(thickness_mm__gte=0)
            ),
        ]

    def __str__(self):
        return self.title

    def get_absolute_url(self):
        return reverse("bookings:sample", args=[self.code])

    @property
    def is_powder(self):
        return self.form in self.POWDERS


class SampleCorrection(models.Model):
    """What a sample was described as before somebody corrected it: {field: [old, new]}."""

    sample = models.ForeignKey(Sample, models.PROTECT, related_name="corrections")
    at = models.DateTimeField()
    by = models.ForeignKey("facility.Person", models.PROTECT, related_name="+")
    why = models.CharField(max_length=200)
    changed = models.JSONField()

    class Meta:
        ordering = ["-at"]

    def __str__(self):
        return f"{self.sample} corrected: {self.why}"


class MountQuerySet(models.QuerySet):
    """The words we use when we ask what is mounted."""

    def standing(self):
        return self.filter(until=None)

    def newest_of(self, code):
        """The last mount of the sample with this code, or None."""
        rows = self.filter(sample__code=code).select_related("holder", "sample")
        return rows.order_by("-since").first()

    def at(self, moment):
        """Mounted at that moment."""
        return self.filter(since__lte=moment).filter(Q(until=None) | Q(until__gt=moment))

    def held_by(self, lot):
        return self.filter(lot=lot).order_by("-since", "-pk")


class Mount(models.Model):
    """A sample at a position of a holder from `since` to `until`, with its mounting stack."""

    class Loose(models.TextChoices):
        UNANSWERED = "", "not answered"
        NO = "no", "not removed yet"
        TAPPED = "tapped", "tapped off, upside down"
        PRESSED = "pressed", "pressed again, nothing came off"
        BLOWN = "blown", "blown off in an extracted enclosure"
        NONE = "none", "there is none"

    LOOSE_REMOVED = [Loose.TAPPED, Loose.PRESSED, Loose.BLOWN, Loose.NONE]

    holder = models.ForeignKey(Holder, models.PROTECT, related_name="mounts")
    sample = models.ForeignKey(Sample, models.PROTECT, related_name="mounts")
    position = models.PositiveSmallIntegerField(help_text="its number on the drawing")
    since = models.DateTimeField()
    until = models.DateTimeField(null=True, blank=True)
    moved_at = models.DateTimeField(null=True, blank=True, help_text="on the holder, at the bench")
    x_mm = models.FloatField(default=0.0)
    y_mm = models.FloatField(default=0.0)
    rotation_deg = models.FloatField(default=0.0)
    mounting = models.CharField(max_length=40, default="copper tape")
    stack = models.JSONField(default=list, help_text="layers from the holder up: name, mm")
    thickness_mm = models.FloatField(help_text="of the sample, as measured at the bench")
    loose_powder = models.CharField(max_length=8, choices=Loose, blank=True)
    lot = models.ForeignKey("facility.Lot", models.PROTECT, null=True, related_name="+")
    by = models.ForeignKey("facility.Person", models.PROTECT, related_name="+")
    taken_off_by = models.ForeignKey(
        "facility.Person", models.PROTECT, null=True, blank=True, related_name="+"
    )
    sent_id = models.UUIDField(null=True, unique=True)

    objects = MountQuerySet.as_manager()

    class Meta:
        ordering = ["holder", "position", "since"]
        indexes = [models.Index(name="mount_by_end", fields=["holder", "until"])]
        constraints = [
            models.UniqueConstraint(
                name="one_sample_a_position",
                fields=["holder", "position"],
                condition=Q(until=None),
            ),
            models.UniqueConstraint(
                name="one_mount_a_sample", fields=["sample"], condition=Q(until=None)
            ),
            models.CheckConstraint(
                name="mount_ends_after_it_starts",
                condition=Q(until=None) | Q(until__gte=F("since")),
            ),
            models.CheckConstraint(
                name="mount_thickness_not_negative", condition=Q(thickness_mm__gte=0)
            ),
        ]

    def __str__(self):
        return f"{self.sample} on {self.holder}, position {self.position}"

    @property
    def loose_powder_removed(self):
        """True or False where it was answered, None where nobody has said."""
        if not self.loose_powder:
            return None
        return self.loose_powder in self.LOOSE_REMOVED

    @property
    def top_mm(self):
        """Height of the mount's top above the holder's face: the stack and the sample add."""
        return self.thickness_mm + sum(float(layer["mm"]) for layer in self.stack)


class WhereaboutsQuerySet(models.QuerySet):
    """The words we use when we ask where something is or was."""

    def now(self):
        return self.filter(until=None)

    def in_vacuum(self):
        return self.now().filter(place__kind__in=Place.IN_VACUUM)


class Whereabouts(models.Model):
    """A holder or a sample at exactly one place, from `since` to `until`."""

    holder = models.ForeignKey(Holder, models.PROTECT, null=True, related_name="whereabouts")
    sample = models.ForeignKey(Sample, models.PROTECT, null=True, related_name="whereabouts")
    place = models.ForeignKey("facility.Place", models.PROTECT, related_name="+")
    since = models.DateTimeField()
    until = models.DateTimeField(null=True, blank=True)
    by = models.ForeignKey("facility.Person", models.PROTECT, related_name="+")

    objects = WhereaboutsQuerySet.as_manager()

    class Meta:
        ordering = ["-since"]
        indexes = [models.Index(name="whereabouts_by_holder", fields=["holder", "since"])]
        constraints = [
            models.UniqueConstraint(
                name="one_place_a_holder", fields=["holder"], condition=Q(until=None)
            ),
            models.UniqueConstraint(
                name="one_place_a_sample", fields=["sample"], condition=Q(until=None)
            ),
            models.CheckConstraint(
                name="whereabouts_of_one_thing",
                condition=Q(holder=None, sample__isnull=False)
                | Q(holder__isnull=False, sample=None),
            ),
        ]

    def __str__(self):
        return f"{self.holder or self.sample} at {self.place}"
