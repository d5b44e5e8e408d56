"""Links by which one of the staff answers a flag from their own telephone, once."""

from django.db import models


class AskedByLink(models.Model):
    """A flag put to one named person; only the SHA-256 of the link's token is kept."""

    flag = models.ForeignKey("bookings.Flag", models.PROTECT, related_name="asked")
    person = models.ForeignKey("facility.Person", models.PROTECT, related_name="+")
    asked_by = models.ForeignKey("facility.Person", models.PROTECT, related_name="+")
    digest = models.CharField(max_length=64, unique=True)
    made_at = models.DateTimeField()
    expires_at = models.DateTimeField()
    used_at = models.DateTimeField(null=True, blank=True)

    class Meta:
        ordering = ["-made_at"]

    def __str__(self):
        return f"{self.flag} put to {self.person}"
