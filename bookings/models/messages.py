"""What people are told by mail: rows written with their cause, sent by tick."""

from django.db import models


class Mail(models.Model):
    """One mail to one person: a digest, or a direct answer with what waited beside it."""

    person = models.ForeignKey("facility.Person", models.PROTECT, related_name="+")
    direct = models.BooleanField()
    made_at = models.DateTimeField()
    sent_at = models.DateTimeField(null=True, blank=True)
    tries = models.PositiveSmallIntegerField(default=0)
    last_try_at = models.DateTimeField(null=True, blank=True)

    class Meta:
        ordering = ["-made_at"]
        indexes = [models.Index(name="mail_by_person", fields=["person", "-made_at"])]

    def __str__(self):
        return f"mail {self.pk} to {self.person}"


class MessageQuerySet(models.QuerySet):
    """The words we use when we ask what people are told."""

    def unsent(self):
        return self.filter(mail=None)

    def unread(self):
        return self.filter(seen_at=None)

    def to(self, person):
        return self.filter(person=person)


class Message(models.Model):
    """One sentence for one person, written once in the transaction of its cause."""

    person = models.ForeignKey("facility.Person", models.PROTECT, related_name="messages")
    key = models.CharField(max_length=120, help_text="the same cause tells a person once")
    says = models.CharField(max_length=400)
    url = models.CharField(max_length=200, blank=True)
    direct = models.BooleanField(default=False, help_text="an answer to what this person did")
    made_at = models.DateTimeField()
    seen_at = models.DateTimeField(null=True, blank=True)
    mail = models.ForeignKey(Mail, models.PROTECT, null=True, blank=True, related_name="messages")

    objects = MessageQuerySet.as_manager()

    class Meta:
        ordering = ["-made_at", "-pk"]
        indexes = [models.Index(name="message_by_person", fields=["person", "seen_at", "-made_at"])]
        constraints = [
            models.UniqueConstraint(name="told_once", fields=["person", "key"]),
        ]

    def __str__(self):
        return self.says
