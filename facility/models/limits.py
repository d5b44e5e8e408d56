"""Limits of rules as the facility set them."""

from django.db import models


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
    by = models.ForeignKey("facility.Person", models.PROTECT, null=True, related_name="+")

    objects = LimitQuerySet.as_manager()

    class Meta:
        ordering = ["name", "-since"]

    def __str__(self):
        return f"{self.name} {self.value} {self.unit}".strip()
