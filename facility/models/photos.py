"""Photographs, stored by digest beside the database."""

from django.db import models
from django.urls import reverse


class Photo(models.Model):
    """A picture as it was re-encoded: no camera data, at most 25 megapixels, named by its digest."""

    digest = models.CharField(max_length=64, unique=True)
    kind = models.CharField(max_length=4, choices=[("jpeg", "JPEG"), ("png", "PNG")])
    width = models.PositiveIntegerField()
    height = models.PositiveIntegerField()
    size = models.PositiveIntegerField(help_text="bytes")
    by = models.ForeignKey("facility.Person", models.PROTECT, related_name="+")
    taken_at = models.DateTimeField()
    redacted_at = models.DateTimeField(null=True, blank=True)

    class Meta:
        ordering = ["-taken_at"]

    def __str__(self):
        return f"photograph {self.digest[:8]}"

    def get_absolute_url(self):
        return reverse("facility:photo", args=[self.digest])
