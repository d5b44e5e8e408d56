"""Flags: findings that wait for staff."""

from django.db import models

from facility.findings import SEVERITIES


class FlagQuerySet(models.QuerySet):
    """The words we use when we ask what waits for staff."""

    def waiting(self):
        """Neither answered nor cleared by themselves."""
        return self.filter(answer="", cleared_at=None)

    def of_week(self, instrument, holders, start, end):
        """Raised in the week, or waiting since before it: the instrument's, and of these holders."""
        mine = models.Q(instrument=instrument) | models.Q(instrument=None, holder__in=holders)
        answered_later = models.Q(answered_at=None) | models.Q(answered_at__gte=start)
        cleared_later = models.Q(cleared_at=None) | models.Q(cleared_at__gte=end)
        return (
            self.filter(mine, cleared_later, raised_at__lt=end)
            .filter(models.Q(raised_at__gte=start) | answered_later)
            .select_related("holder", "answered_by")
            .order_by("raised_at")
        )

    def with_keys(self, keys):
        return self.filter(key__in=keys).order_by()

    def waiting_at(self, moment):
        """Raised by then, and as known then neither answered nor cleared."""
        return self.filter(
            models.Q(answered_at=None) | models.Q(answered_at__gte=moment),
            models.Q(cleared_at=None) | models.Q(cleared_at__gte=moment),
            raised_at__lt=moment,
        )

    def by_severity(self):
        """Stop first, note last; the newest first among equals."""
        order = models.Case(
            *[models.When(severity=word, then=-n) for n, word in enumerate(SEVERITIES)],
            output_field=models.SmallIntegerField(),
        )
        return self.annotate(weight=order).order_by("weight", "-raised_at")


class Flag(models.Model):
    """A finding that waits for staff; asked once, answered with one press."""

    class Answer(models.TextChoices):
        SEEN = "seen", "seen"
        FIXED = "fixed", "fixed"
        WATCHED = "watched", "watched until"
        NOT_REAL = "not real", "not real"

    key = models.CharField(max_length=120, unique=True, help_text="the same finding is one flag")
    rule = models.CharField(max_length=12)
    severity = models.CharField(max_length=5, choices=[(word, word) for word in SEVERITIES])
    says = models.CharField(max_length=300)
    do = models.CharField(max_length=300, blank=True)
    evidence = models.JSONField(default=dict)
    source = models.CharField(max_length=300, blank=True)
    instrument = models.ForeignKey(
        "facility.Instrument", models.PROTECT, null=True, related_name="+"
    )
    holder = models.ForeignKey("samples.Holder", models.PROTECT, null=True, related_name="+")
    mount = models.ForeignKey("samples.Mount", models.PROTECT, null=True, related_name="+")
    load = models.ForeignKey("bookings.Load", models.PROTECT, null=True, related_name="flags")
    raised_at = models.DateTimeField()
    cleared_at = models.DateTimeField(null=True, help_text="its cause went away by itself")
    answer = models.CharField(max_length=8, choices=Answer, blank=True)
    sentence = models.CharField(max_length=300, blank=True)
    watch_until = models.DateField(null=True, blank=True)
    answered_at = models.DateTimeField(null=True, blank=True)
    answered_by = models.ForeignKey("facility.Person", models.PROTECT, null=True, related_name="+")

    objects = FlagQuerySet.as_manager()

    class Meta:
        ordering = ["-raised_at"]
        indexes = [
            models.Index(name="flag_waiting", fields=["answer", "-raised_at"]),
            models.Index(name="flag_by_instrument", fields=["instrument", "-raised_at"]),
        ]

    def __str__(self):
        return f"{self.rule}: {self.says}"
