"""Booked time and closures, the rules they go by, series, waiting, offers, calendar feeds."""

import uuid

from django.db import models
from django.db.models import F, Q
from django.urls import reverse

UID_SPACE = uuid.UUID("6a0f9f0a-6d0c-5f0e-9b55-3c2f8f2a7d11")  # of calendar identifiers, ours


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

    def theirs_at(self, person, instrument, moment):
        """The time that somebody has on an instrument at a moment."""
        return self.standing().filter(
            place__instrument=instrument,
            person=person,
            starts_at__lte=moment,
            ends_at__gt=moment,
        )

    def on_main(self):
        """On an analysis stage; what holds the introduction chamber only is left out."""
        return self.filter(place__kind="stage")

    def shown(self):
        """With all that a page or a feed says about it."""
        return self.select_related("place__instrument", "person__group", "project")


class Booking(models.Model):
    """A place held from `starts_at` (included) to `ends_at` (excluded); without a person, a closure.

    guards.py refuses overlaps. Wall time and zone are kept beside the moments, because a booking
    at 09:00 stays at 09:00 when the clocks change. A booking of the main chamber holds the
    introduction chamber for its loading time by a row of its own, which names it in `held_for`.
    """

    class Why(models.TextChoices):
        PERSON = "person", "cancelled"
        CLOSED = "closed", "the instrument is closed then"
        NOT_USED = "not used", "not used"
        LEFT = "left", "its person has left"
        MOVED = "moved", "moved"

    place = models.ForeignKey("facility.Place", models.PROTECT, related_name="+")
    person = models.ForeignKey("facility.Person", models.PROTECT, null=True, related_name="+")
    starts_at = models.DateTimeField()
    ends_at = models.DateTimeField()
    wall_start = models.CharField(max_length=16, help_text="such as 2026-11-12T09:00")
    wall_end = models.CharField(max_length=16)
    zone = models.CharField(max_length=40)
    why = models.CharField(max_length=120, blank=True)
    project = models.ForeignKey(
        "facility.Project", models.PROTECT, null=True, blank=True, related_name="+"
    )
    held_for = models.ForeignKey(
        "self", models.PROTECT, null=True, blank=True, related_name="holds"
    )
    series = models.ForeignKey(
        "bookings.Series", models.PROTECT, null=True, blank=True, related_name="bookings"
    )
    sequence = models.PositiveIntegerField(default=0, help_text="changes since it was made")
    changed_at = models.DateTimeField(null=True, blank=True)
    made_at = models.DateTimeField()
    made_by = models.ForeignKey("facility.Person", models.PROTECT, related_name="+")
    cancelled_at = models.DateTimeField(null=True, blank=True)
    cancelled_by = models.ForeignKey("facility.Person", models.PROTECT, null=True, related_name="+")
    cancelled_why = models.CharField(max_length=8, choices=Why, blank=True)
    sent_id = models.UUIDField(null=True, unique=True)

    objects = BookingQuerySet.as_manager()

    class Meta:
        ordering = ["starts_at"]
        indexes = [
            models.Index(name="booking_by_place", fields=["place", "starts_at"]),
            models.Index(name="booking_by_person", fields=["person", "starts_at"]),
            models.Index(name="booking_by_end", fields=["ends_at"]),
        ]
        constraints = [
            models.CheckConstraint(
                name="booking_ends_after_it_starts", condition=Q(ends_at__gt=F("starts_at"))
            )
        ]

    def __str__(self):
        return f"{self.place}, {self.wall_start} to {self.wall_end}"

    def get_absolute_url(self):
        return reverse("bookings:booking", args=[self.pk])

    @property
    def is_closure(self):
        return self.person_id is None

    def is_over(self, now):
        return self.ends_at <= now

    @property
    def uid(self):
        """The calendar's identifier, the same for good: from what never changes in the row."""
        return str(uuid.uuid5(UID_SPACE, f"{self.pk} {self.made_at.timestamp():.6f}"))


class BookingRules(models.Model):
    """How time on one instrument may be booked; an instrument without a row goes by the defaults."""

    instrument = models.OneToOneField(
        "facility.Instrument", models.PROTECT, related_name="booking_rules"
    )
    shortest_min = models.PositiveIntegerField(default=30)
    longest_min = models.PositiveIntegerField(default=24 * 60)
    notice_min = models.PositiveIntegerField(default=0, help_text="at least so long before")
    horizon_days = models.PositiveSmallIntegerField(default=60, help_text="at most so far ahead")
    loading_min = models.PositiveIntegerField(
        default=60,
        help_text="for which a booking of the main chamber holds the introduction chamber",
    )
    transfer_min = models.PositiveIntegerField(
        default=15, help_text="from ready to a holder on the analysis stage"
    )
    release_min = models.PositiveIntegerField(
        default=30, help_text="an unused booking is free again after so long; 0: never"
    )
    late_cancel_hours = models.PositiveSmallIntegerField(default=24)
    quota_hours = models.FloatField(
        null=True, blank=True, help_text="a group and week; empty: as much as is free"
    )
    offer_hours = models.PositiveSmallIntegerField(default=4, help_text="an offer stands so long")
    standing = models.TextField(blank=True, help_text="shown to whoever books")
    price = models.FloatField(null=True, blank=True, help_text="of an hour present")
    fault_is_charged = models.BooleanField(default=False)
    source_device = models.CharField(
        max_length=40, default="sources", help_text="the device of the run sheet whose hours count"
    )

    class Meta:
        verbose_name_plural = "booking rules"
        constraints = [
            models.CheckConstraint(
                name="longest_not_below_shortest",
                condition=Q(longest_min__gte=F("shortest_min"), shortest_min__gt=0),
            )
        ]

    def __str__(self):
        return f"booking rules of {self.instrument}"


class GroupQuota(models.Model):
    """Hours a week on one instrument that differ from the usual quota for one group."""

    instrument = models.ForeignKey("facility.Instrument", models.PROTECT, related_name="+")
    group = models.ForeignKey("facility.Group", models.PROTECT, related_name="+")
    hours = models.FloatField()

    class Meta:
        ordering = ["instrument", "group"]
        constraints = [
            models.UniqueConstraint(name="one_quota_a_group", fields=["instrument", "group"]),
            models.CheckConstraint(name="quota_not_below_zero", condition=Q(hours__gte=0)),
        ]

    def __str__(self):
        return f"{self.group} on {self.instrument}: {self.hours:g} h a week"


class Series(models.Model):
    """Bookings at the same wall time every so many weeks; each is a row of its own."""

    person = models.ForeignKey("facility.Person", models.PROTECT, related_name="+")
    weeks_apart = models.PositiveSmallIntegerField(default=1)
    count = models.PositiveSmallIntegerField()
    made_at = models.DateTimeField()
    sent_id = models.UUIDField(null=True, unique=True)

    class Meta:
        ordering = ["-made_at"]
        verbose_name_plural = "series"

    def __str__(self):
        return f"series {self.pk}, {self.count} times"


class WishQuerySet(models.QuerySet):
    """The words we use when we ask who waits."""

    def waiting(self):
        return self.filter(ended_at=None)


class Wish(models.Model):
    """Somebody waits for a stretch of time that others hold."""

    person = models.ForeignKey("facility.Person", models.PROTECT, related_name="+")
    place = models.ForeignKey("facility.Place", models.PROTECT, related_name="+")
    starts_at = models.DateTimeField()
    ends_at = models.DateTimeField()
    made_at = models.DateTimeField()
    ended_at = models.DateTimeField(null=True, blank=True)

    objects = WishQuerySet.as_manager()

    class Meta:
        ordering = ["made_at", "pk"]
        verbose_name_plural = "wishes"
        indexes = [models.Index(name="wish_by_place", fields=["place", "starts_at"])]
        constraints = [
            models.CheckConstraint(
                name="wish_ends_after_it_starts", condition=Q(ends_at__gt=F("starts_at"))
            ),
            models.UniqueConstraint(
                name="one_wish_a_stretch",
                fields=["person", "place", "starts_at", "ends_at"],
                condition=Q(ended_at=None),
            ),
        ]

    def __str__(self):
        return f"{self.person} waits for {self.place}"


class OfferQuerySet(models.QuerySet):
    """The words we use when we ask what is offered."""

    def standing(self, now):
        return self.filter(answered_at=None, until__gt=now)


class Offer(models.Model):
    """Free time offered to one person for a while; it holds nothing, booking it is the usual verb."""

    class Answer(models.TextChoices):
        TAKEN = "taken", "taken"
        LEFT = "left", "not wanted"
        PASSED = "passed", "passed on"

    person = models.ForeignKey("facility.Person", models.PROTECT, related_name="+")
    place = models.ForeignKey("facility.Place", models.PROTECT, related_name="+")
    starts_at = models.DateTimeField()
    ends_at = models.DateTimeField()
    instead_of = models.ForeignKey(Booking, models.PROTECT, null=True, blank=True, related_name="+")
    wish = models.ForeignKey(Wish, models.PROTECT, null=True, blank=True, related_name="offers")
    made_at = models.DateTimeField()
    until = models.DateTimeField()
    answer = models.CharField(max_length=6, choices=Answer, blank=True)
    answered_at = models.DateTimeField(null=True, blank=True)
    booking = models.ForeignKey(Booking, models.PROTECT, null=True, blank=True, related_name="+")

    objects = OfferQuerySet.as_manager()

    class Meta:
        ordering = ["made_at", "pk"]

    def __str__(self):
        return f"{self.place} offered to {self.person}"


class Feed(models.Model):
    """The private address under which a person's calendar reads one instrument; renewed at will."""

    person = models.ForeignKey("facility.Person", models.PROTECT, related_name="+")
    instrument = models.ForeignKey("facility.Instrument", models.PROTECT, related_name="+")
    digest = models.CharField(max_length=64, unique=True)
    made_at = models.DateTimeField()
    ended_at = models.DateTimeField(null=True, blank=True)

    class Meta:
        ordering = ["person", "instrument"]
        constraints = [
            models.UniqueConstraint(
                name="one_feed_an_instrument",
                fields=["person", "instrument"],
                condition=Q(ended_at=None),
            )
        ]

    def __str__(self):
        return f"calendar of {self.person} on {self.instrument}"
