"""Booked time and closures."""

from django.db import models
from django.db.models import F, Q
from django.urls import reverse


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
