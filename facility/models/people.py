"""People of the facility, their groups, and what they may do where."""

from django.contrib.auth.models import AbstractUser, UserManager
from django.db import models
from django.db.models import Q


class Group(models.Model):
    """People who share samples and holders, usually one lead's."""

    name = models.CharField(max_length=80, unique=True)

    class Meta:
        ordering = ["name"]

    def __str__(self):
        return self.name


class Project(models.Model):
    """What instrument time is booked for, so that hours can be told by project."""

    name = models.CharField(max_length=80, unique=True)
    group = models.ForeignKey(Group, models.PROTECT, null=True, blank=True, related_name="projects")
    closed_at = models.DateTimeField(null=True, blank=True)

    class Meta:
        ordering = ["name"]

    def __str__(self):
        return self.name


class PersonQuerySet(models.QuerySet):
    """The words we use when we ask about people."""

    def here(self):
        """Who may sign in."""
        return self.filter(is_active=True)

    def staff_of_the_house(self):
        """Who answers flags: staff and managers who may sign in."""
        return self.filter(is_active=True, role__in=[Person.Role.STAFF, Person.Role.MANAGER])

    def told_of_incidents(self):
        """Staff of the house and safety officers."""
        told = [Person.Role.STAFF, Person.Role.MANAGER, Person.Role.SAFETY]
        return self.filter(is_active=True, role__in=told).order_by("pk")


class PersonManager(UserManager.from_queryset(PersonQuerySet)):
    """Django's own creation of users, with our words."""

    def create_superuser(self, username, email=None, password=None, **more):
        """The first person of a house manages it."""
        more = {"role": Person.Role.MANAGER, "full_name": username} | more
        return super().create_superuser(username, email, password, **more)


class Person(AbstractUser):
    """Someone known to the facility; the log holds only their number, so the name can be blanked."""

    class Role(models.TextChoices):
        VISITOR = "visitor", "visitor"
        USER = "user", "user"
        LEAD = "lead", "lead of a group"
        STAFF = "staff", "staff"
        SAFETY = "safety", "safety officer"
        MANAGER = "manager", "manager"

    first_name = last_name = None
    full_name = models.CharField(max_length=120, blank=True)
    role = models.CharField(max_length=8, choices=Role, default=Role.VISITOR)
    group = models.ForeignKey(Group, models.PROTECT, null=True, blank=True, related_name="people")
    phone = models.CharField(max_length=40, blank=True)
    pin = models.CharField(max_length=128, blank=True, help_text="hashed; opens sessions only")
    left_at = models.DateTimeField(null=True, blank=True)

    objects = PersonManager()

    class Meta:
        ordering = ["full_name", "pk"]

    def __str__(self):
        return self.full_name or f"person {self.pk}"

    @property
    def is_house_staff(self):
        """Whether this person looks after instruments: staff or a manager."""
        return self.role in (self.Role.STAFF, self.Role.MANAGER)


class QualificationQuerySet(models.QuerySet):
    """The words we use when we ask who may do what."""

    def valid(self, on):
        """Granted, not ended, and on that day lapsed neither by date nor for want of use."""
        return (
            self.standing()
            .filter(granted_on__lte=on)
            .filter(Q(lapses_on=None) | Q(lapses_on__gte=on))
            .filter(Q(unused_on=None) | Q(unused_on__gte=on))
        )

    def standing(self):
        """Not ended: lapsed or not, a refresher renews it."""
        return self.filter(ended_at=None)


class Qualification(models.Model):
    """What a person may do on one instrument, by whom granted, until when."""

    class Level(models.IntegerChoices):
        OBSERVE = 1, "observe"
        ASSISTED = 2, "assisted"
        DAY = 3, "alone by day"
        ALONE = 4, "alone"
        ION_GUN = 5, "ion gun"

    person = models.ForeignKey(Person, models.PROTECT, related_name="qualifications")
    instrument = models.ForeignKey(
        "facility.Instrument", models.PROTECT, related_name="qualifications"
    )
    level = models.PositiveSmallIntegerField(choices=Level)
    granted_on = models.DateField()
    granted_by = models.ForeignKey(Person, models.PROTECT, related_name="+")
    lapses_on = models.DateField(null=True, blank=True)
    last_used_on = models.DateField(null=True, blank=True)
    unused_on = models.DateField(
        null=True, blank=True, help_text="its last day, if the instrument is not used before"
    )
    ended_at = models.DateTimeField(null=True, blank=True)
    ended_why = models.CharField(max_length=120, blank=True)
    training = models.ForeignKey(
        "facility.Training", models.PROTECT, null=True, blank=True, related_name="+"
    )

    objects = QualificationQuerySet.as_manager()

    class Meta:
        ordering = ["person", "instrument", "-level"]
        constraints = [
            models.UniqueConstraint(
                name="one_standing_qualification",
                fields=["person", "instrument"],
                condition=Q(ended_at=None),
            )
        ]

    def __str__(self):
        return f"{self.person}: {self.get_level_display()} on {self.instrument}"

    @property
    def last_day(self):
        """The day after which it lapses, by date or for want of use; None where neither is set."""
        return min(filter(None, (self.lapses_on, self.unused_on)), default=None)

    def has_lapsed(self, on):
        return self.last_day is not None and self.last_day < on


class Attempt(models.Model):
    """A sign-in that failed, counted in the database so that every worker sees it."""

    name = models.CharField(max_length=150)
    address = models.GenericIPAddressField(null=True)
    at = models.DateTimeField()

    class Meta:
        indexes = [models.Index(name="attempt_by_name", fields=["name", "at"])]

    def __str__(self):
        return f"{self.name} at {self.at}"
