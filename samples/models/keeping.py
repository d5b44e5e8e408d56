"""What is kept of holders and chambers: cleanings, notes, steps of the bench, photographs."""

from django.db import models
from django.db.models import Q

from samples.models.things import Holder


class CleaningQuerySet(models.QuerySet):
    """The words we use when we ask what was cleaned."""

    def of_chambers(self, instrument):
        """Of an instrument's chambers, the newest first."""
        return self.filter(chamber__instrument=instrument).order_by("-at")


class Cleaning(models.Model):
    """A holder or chamber was cleaned: how, by whom, when; a blank result where one was measured."""

    holder = models.ForeignKey(Holder, models.PROTECT, null=True, related_name="cleanings")
    chamber = models.ForeignKey("facility.Chamber", models.PROTECT, null=True, related_name="+")
    at = models.DateTimeField()
    method = models.CharField(max_length=80)
    blank = models.CharField(max_length=200, blank=True)
    by = models.ForeignKey("facility.Person", models.PROTECT, related_name="+")
    sent_id = models.UUIDField(null=True, unique=True)

    objects = CleaningQuerySet.as_manager()

    class Meta:
        ordering = ["-at"]
        constraints = [
            models.CheckConstraint(
                name="cleaning_of_one_thing",
                condition=Q(holder=None, chamber__isnull=False)
                | Q(holder__isnull=False, chamber=None),
            )
        ]

    def __str__(self):
        return f"{self.holder or self.chamber} cleaned: {self.method}"


class HolderNote(models.Model):
    """A remark that stays with a holder; quarantine and release are remarks that change what it may do."""

    class Kind(models.TextChoices):
        NOTE = "note", "note"
        QUARANTINED = "quarantined", "quarantined"
        RELEASED = "released", "released"

    holder = models.ForeignKey(Holder, models.PROTECT, related_name="notes")
    kind = models.CharField(max_length=11, choices=Kind, default=Kind.NOTE)
    text = models.CharField(max_length=400)
    at = models.DateTimeField()
    by = models.ForeignKey("facility.Person", models.PROTECT, related_name="+")
    sent_id = models.UUIDField(null=True, unique=True)

    class Meta:
        ordering = ["-at"]

    def __str__(self):
        return f"{self.holder}, {self.kind}: {self.text}"


class BenchStep(models.Model):
    """A step of the bench, done: prepared as usual, under the gauge, or picture and positions agree.

    It speaks of the holder as it stood then: after a change of what is mounted it is asked again.
    """

    class Kind(models.TextChoices):
        PREPARED = "prepared", "prepared as usual"
        GAUGE = "gauge", "under the go/no-go gauge"
        AGREES = "agrees", "picture and positions agree"

    holder = models.ForeignKey(Holder, models.PROTECT, related_name="steps")
    kind = models.CharField(max_length=8, choices=Kind)
    at = models.DateTimeField()
    by = models.ForeignKey("facility.Person", models.PROTECT, related_name="+")
    measured_mm = models.FloatField(null=True, blank=True)
    gauge_mm = models.FloatField(null=True, blank=True)
    passes = models.BooleanField(null=True, blank=True)
    sent_id = models.UUIDField(null=True, unique=True)

    class Meta:
        ordering = ["-at"]
        constraints = [
            models.CheckConstraint(
                name="gauge_step_has_its_gauge",
                condition=~Q(kind="gauge") | Q(gauge_mm__gt=0, passes__isnull=False),
            )
        ]

    def __str__(self):
        return f"{self.holder}: {self.get_kind_display()}"


class HolderPhotoQuerySet(models.QuerySet):
    """The words we use when we ask for photographs of holders."""

    def during(self, mounts):
        """Taken while these mounts stood."""
        stays = Q(pk=None)
        for row in mounts:
            ends = Q(at__lte=row.until) if row.until else Q()
            stays |= Q(holder=row.holder_id, at__gte=row.since) & ends
        return self.filter(stays)


class HolderPhoto(models.Model):
    """A photograph of a holder as it was mounted then."""

    holder = models.ForeignKey(Holder, models.PROTECT, related_name="photos")
    photo = models.ForeignKey("facility.Photo", models.PROTECT, related_name="+")
    at = models.DateTimeField()
    by = models.ForeignKey("facility.Person", models.PROTECT, related_name="+")

    objects = HolderPhotoQuerySet.as_manager()

    class Meta:
        ordering = ["-at"]
        constraints = [
            models.UniqueConstraint(name="one_picture_a_holder_once", fields=["holder", "photo"])
        ]

    def __str__(self):
        return f"photograph of {self.holder}"
