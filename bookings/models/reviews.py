"""Weekly reviews: one a week and instrument, the matters that stood in it, and the wall boards."""

from django.db import models
from django.db.models import Q

from bookings.models.flags import Flag
from facility.findings import SEVERITIES


class ReviewQuerySet(models.QuerySet):
    """The words we use when we ask about reviews."""

    def signed(self):
        return self.exclude(signed_at=None)

    def pairs(self, mondays):
        """(key of the instrument, Monday) of those of these weeks."""
        return self.filter(monday__in=mondays).values_list("instrument", "monday")

    def reading(self, instrument, monday, since):
        """That week's review and the unsigned ones from `since` on; only what a page needs."""
        wanted = Q(monday=monday) | Q(signed_at=None, monday__gte=since)
        return self.filter(wanted, instrument=instrument, monday__lte=monday)

    def of_week(self, instrument, monday):
        """The review of that week with who signed it, or None."""
        found = self.filter(instrument=instrument, monday=monday)
        return found.select_related("signed_by", "entry").first()


class Review(models.Model):
    """One week of one instrument: what was gathered when it ended, and who signed it."""

    instrument = models.ForeignKey("facility.Instrument", models.PROTECT, related_name="reviews")
    monday = models.DateField(help_text="the first day of the week")
    gathered_at = models.DateTimeField(null=True)
    gathered = models.JSONField(default=dict, help_text="lines, coming days and figures")
    told_at = models.DateTimeField(null=True, help_text="staff were told that it waits")
    sentence = models.CharField(max_length=300, blank=True)
    signed_at = models.DateTimeField(null=True)
    signed_by = models.ForeignKey("facility.Person", models.PROTECT, null=True, related_name="+")
    entry = models.OneToOneField("facility.Entry", models.PROTECT, null=True, related_name="+")
    sha256 = models.CharField(max_length=64, blank=True, help_text="of the frozen review")

    objects = ReviewQuerySet.as_manager()

    class Meta:
        ordering = ["-monday"]
        constraints = [
            models.UniqueConstraint(name="one_review_a_week", fields=["instrument", "monday"]),
            models.CheckConstraint(
                name="review_is_signed_whole",
                condition=Q(signed_at=None, signed_by=None, entry=None)
                | Q(signed_at__isnull=False, signed_by__isnull=False, entry__isnull=False),
            ),
        ]

    def __str__(self):
        return f"{self.instrument}, week {self.monday:%G-W%V}"


class MatterQuerySet(models.QuerySet):
    """The words we use when we ask what stood in reviews."""

    def of(self, instrument):
        return self.filter(instrument=instrument)

    def around(self, monday, keys, since):
        """Of that week; open ones of earlier weeks; and what was said before about these keys."""
        waiting = Q(answer="", monday__gte=since)
        return self.filter(Q(monday=monday) | Q(key__in=keys) | waiting, monday__lte=monday)

    def before(self, monday):
        return self.filter(monday__lt=monday)

    def about(self, keys):
        return self.filter(key__in=keys)

    def open(self):
        return self.filter(answer="")

    def answered(self):
        return self.exclude(answer="")

    def since(self, monday):
        return self.filter(monday__gte=monday)


class Matter(models.Model):
    """A line of one week's review as it stood, with its answer or still without one."""

    instrument = models.ForeignKey("facility.Instrument", models.PROTECT, related_name="+")
    monday = models.DateField()
    key = models.CharField(max_length=200, help_text="the same matter keeps it week after week")
    heading = models.CharField(max_length=8)
    severity = models.CharField(max_length=5, choices=[(word, word) for word in SEVERITIES])
    line = models.JSONField(default=dict, help_text="the line as it stood")
    asked = models.BooleanField(default=False, help_text="what to do, after three weeks")
    answer = models.CharField(max_length=8, choices=Flag.Answer, blank=True)
    sentence = models.CharField(max_length=300, blank=True)
    watch_until = models.DateField(null=True, blank=True)
    answered_at = models.DateTimeField(null=True)
    answered_by = models.ForeignKey("facility.Person", models.PROTECT, null=True, related_name="+")

    objects = MatterQuerySet.as_manager()

    class Meta:
        ordering = ["-monday", "pk"]
        indexes = [
            models.Index(name="matter_by_key", fields=["instrument", "key", "-monday"]),
            models.Index(name="matter_waiting", fields=["instrument", "answer", "-monday"]),
        ]
        constraints = [
            models.UniqueConstraint(
                name="one_matter_a_week", fields=["instrument", "monday", "key"]
            )
        ]

    def __str__(self):
        return f"{self.key}, {self.monday:%G-W%V}"


class Board(models.Model):
    """The private address of an instrument's wall board; only its SHA-256 is kept."""

    instrument = models.ForeignKey("facility.Instrument", models.PROTECT, related_name="+")
    digest = models.CharField(max_length=64, unique=True)
    made_at = models.DateTimeField()
    made_by = models.ForeignKey("facility.Person", models.PROTECT, related_name="+")
    ended_at = models.DateTimeField(null=True, blank=True)

    class Meta:
        ordering = ["instrument", "-made_at"]
        constraints = [
            models.UniqueConstraint(
                name="one_board_an_instrument", fields=["instrument"], condition=Q(ended_at=None)
            )
        ]

    def __str__(self):
        return f"wall board of {self.instrument}"
