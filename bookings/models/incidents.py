"""Incidents and near misses: what happened, what was done, the cause, who follows up until when.

There is no field for whose fault it was, and none is to be added.
"""

from django.db import models
from django.db.models import F, Q
from django.urls import reverse

from facility.access import may


class IncidentQuerySet(models.QuerySet):
    """The words we use when we ask about incidents."""

    def open(self):
        return self.filter(closed_at=None)

    def seen_by(self, person):
        """All for those who answer for the house; else what this person reported or follows up."""
        if may(person, "incident.keep"):
            return self
        return self.filter(Q(by=person) | Q(follow_ups__who=person)).distinct()

    def with_their_things(self):
        """Each with what its line names, in one query."""
        return self.select_related("by", "instrument", "holder", "load__holder", "closed_by")

    def open_first(self):
        """Those that are open before those that are closed, the newest first."""
        closed = models.Case(models.When(closed_at=None, then=0), default=1)
        return self.annotate(is_closed=closed).order_by("is_closed", "-happened_at", "-pk")

    def on(self, instrument):
        return self.filter(instrument=instrument)

    def known_at(self, moment):
        """Reported before that moment."""
        return self.filter(reported_at__lt=moment)

    def open_at(self, moment):
        """Reported before that moment and not closed then."""
        return self.known_at(moment).filter(Q(closed_at=None) | Q(closed_at__gte=moment))


class Incident(models.Model):
    """Something that went wrong or nearly did, on an instrument or anywhere in the laboratory."""

    class Kind(models.TextChoices):
        NEAR_MISS = "near miss", "near miss"
        CONTAMINATION = "contamination", "contamination"
        COLLISION = "collision", "collision"
        LEAK = "leak", "leak"
        VENT = "vent", "accidental vent"
        EXPOSURE = "exposure", "exposure"
        DEFEAT = "defeat", "interlock defeated"
        OTHER = "other", "something else"

    kind = models.CharField(max_length=13, choices=Kind)
    says = models.CharField(max_length=1000, help_text="what happened")
    at_once = models.CharField(max_length=1000, blank=True, help_text="what was done at once")
    cause = models.CharField(max_length=1000, blank=True, help_text="may stay open")
    element = models.CharField(max_length=2, blank=True, help_text="of a contamination")
    instrument = models.ForeignKey(
        "facility.Instrument", models.PROTECT, null=True, blank=True, related_name="+"
    )
    session = models.ForeignKey("bookings.Session", models.PROTECT, null=True, related_name="+")
    load = models.ForeignKey("bookings.Load", models.PROTECT, null=True, related_name="+")
    holder = models.ForeignKey("samples.Holder", models.PROTECT, null=True, related_name="+")
    happened_at = models.DateTimeField()
    reported_at = models.DateTimeField()
    by = models.ForeignKey("facility.Person", models.PROTECT, related_name="+")
    closed_at = models.DateTimeField(null=True, blank=True)
    closed_by = models.ForeignKey("facility.Person", models.PROTECT, null=True, related_name="+")
    closing = models.CharField(max_length=400, blank=True, help_text="what was learned")
    key = models.CharField(
        max_length=80, null=True, unique=True, help_text="of one that opened by itself"
    )
    sent_id = models.UUIDField(null=True, unique=True)

    objects = IncidentQuerySet.as_manager()

    class Meta:
        ordering = ["-happened_at"]
        indexes = [
            models.Index(name="incident_open", fields=["closed_at", "-happened_at"]),
            models.Index(name="incident_by_instrument", fields=["instrument", "-happened_at"]),
        ]
        constraints = [
            models.CheckConstraint(
                name="incident_closes_after_it_was_reported",
                condition=Q(closed_at=None) | Q(closed_at__gte=F("reported_at")),
            ),
            models.CheckConstraint(
                name="incident_is_closed_by_somebody",
                condition=Q(closed_at=None, closed_by=None)
                | Q(closed_at__isnull=False, closed_by__isnull=False),
            ),
        ]

    def __str__(self):
        return f"incident {self.pk}"

    def get_absolute_url(self):
        return reverse("bookings:incident", args=[self.pk])

    @property
    def where(self):
        """The instrument, or that none was named."""
        return str(self.instrument) if self.instrument_id else "no instrument named"


class IncidentChange(models.Model):
    """What was changed about an incident, by whom: before and after. Append-only."""

    incident = models.ForeignKey(Incident, models.PROTECT, related_name="changes")
    at = models.DateTimeField()
    by = models.ForeignKey("facility.Person", models.PROTECT, related_name="+")
    what = models.CharField(max_length=20, help_text="such as: cause, follow-up, closed")
    before = models.CharField(max_length=1000, blank=True)
    after = models.CharField(max_length=1000, blank=True)
    sent_id = models.UUIDField(null=True, unique=True)

    class Meta:
        ordering = ["at", "pk"]
        indexes = [models.Index(name="change_by_incident", fields=["incident", "at"])]

    def __str__(self):
        return f"{self.incident}, {self.what}: {self.after}"


class FollowUpQuerySet(models.QuerySet):
    """The words we use when we ask what still has to be done."""

    def open(self):
        return self.filter(done_at=None)

    def seen_by(self, person):
        """All for those who answer for the house; else one's own, and those of one's reports."""
        if may(person, "incident.keep"):
            return self
        return self.filter(Q(who=person) | Q(incident__by=person))

    def soonest(self):
        return self.select_related("incident__instrument", "who").order_by("until", "pk")

    def of(self, instrument):
        return self.filter(incident__instrument=instrument)

    def undone_at(self, moment):
        """Added before that moment and not done then."""
        return self.filter(Q(done_at=None) | Q(done_at__gte=moment), added_at__lt=moment)


class FollowUp(models.Model):
    """What follows from an incident: who does it, until when."""

    incident = models.ForeignKey(Incident, models.PROTECT, related_name="follow_ups")
    says = models.CharField(max_length=400)
    who = models.ForeignKey("facility.Person", models.PROTECT, related_name="+")
    until = models.DateField()
    added_at = models.DateTimeField()
    added_by = models.ForeignKey("facility.Person", models.PROTECT, related_name="+")
    done_at = models.DateTimeField(null=True, blank=True)
    done_by = models.ForeignKey("facility.Person", models.PROTECT, null=True, related_name="+")
    done_says = models.CharField(max_length=400, blank=True)
    sent_id = models.UUIDField(null=True, unique=True)

    objects = FollowUpQuerySet.as_manager()

    class Meta:
        ordering = ["until", "pk"]
        indexes = [models.Index(name="follow_up_open", fields=["done_at", "until"])]

    def __str__(self):
        return self.says

    def is_overdue(self, day):
        return self.done_at is None and self.until < day


class LookedForQuerySet(models.QuerySet):
    """The words we use when we ask what was looked for."""

    def answers(self, element, loads):
        """The newest answer for each of these loads."""
        rows = self.filter(element=element, load__in=loads).order_by("at", "pk")
        return {row.load_id: row for row in rows.select_related("by")}


class LookedFor(models.Model):
    """Somebody looked into a load's data for an element: it shows it, or it does not. Append-only."""

    load = models.ForeignKey("bookings.Load", models.PROTECT, related_name="+")
    element = models.CharField(max_length=2)
    shows = models.BooleanField()
    says = models.CharField(max_length=200, blank=True)
    at = models.DateTimeField()
    by = models.ForeignKey("facility.Person", models.PROTECT, related_name="+")
    sent_id = models.UUIDField(null=True, unique=True)

    objects = LookedForQuerySet.as_manager()

    class Meta:
        ordering = ["-at"]
        indexes = [models.Index(name="looked_for_element", fields=["element", "load", "-at"])]

    def __str__(self):
        return f"{self.element} {'seen' if self.shows else 'not seen'} on {self.load}"
