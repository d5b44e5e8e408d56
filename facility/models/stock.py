"""Stock: consumables, their lots and what was taken from them, orders; gas bottles with their dials; rooms."""

from django.db import models
from django.db.models import Exists, F, OuterRef, Q, Subquery
from django.urls import reverse


class Room(models.Model):
    """A room in which bottles and dewars stand, with the air that a leak would push out."""

    name = models.CharField(max_length=60, unique=True)
    volume_m3 = models.FloatField(help_text="free volume: walls, less what fills it")
    ventilation_m3_h = models.FloatField(null=True, blank=True, help_text="fresh air, if known")
    monitor = models.CharField(max_length=120, blank=True, help_text="oxygen monitor and its alarm")
    sent_id = models.UUIDField(null=True, unique=True)

    class Meta:
        ordering = ["name"]
        constraints = [
            models.CheckConstraint(name="room_has_volume", condition=Q(volume_m3__gt=0)),
            models.CheckConstraint(
                name="room_air_moves_or_is_not_known",
                condition=Q(ventilation_m3_h=None) | Q(ventilation_m3_h__gt=0),
            ),
        ]

    def __str__(self):
        return self.name


class ConsumableQuerySet(models.QuerySet):
    """The words we use when we ask about consumables."""

    def kept(self):
        return self.filter(retired_at=None)

    def retired(self):
        """Kept no more, the newest first."""
        return self.exclude(retired_at=None).order_by("-retired_at")

    def known(self, moment):
        """On the list at that moment."""
        return self.filter(created_at__lt=moment).filter(
            Q(retired_at=None) | Q(retired_at__gte=moment)
        )

    def used_by_mounts(self, mounting):
        """What a mount of this kind takes by itself."""
        return self.kept().filter(per_mount__gt=0, mounting__in=["", mounting]).order_by("pk")

    def used_by_vents(self):
        return self.kept().filter(per_vent__gt=0).order_by("pk")

    def used_by_sessions(self):
        return self.kept().filter(per_session__gt=0).order_by("pk")

    def on(self, instrument):
        """Of the whole house or of this instrument alone."""
        return self.filter(Q(instrument=None) | Q(instrument=instrument))

    def with_left_at(self, moment):
        """Each with `left_then`, what was left as known at that moment; None before any line.

        And `feeds`, whether it is a bottle whose own dial says when to order.
        """
        rows = StockUse.objects.filter(consumable=OuterRef("pk"), recorded_at__lt=moment)
        bottles = Cylinder.objects.connected_at(moment).filter(consumable=OuterRef("pk"))
        return self.annotate(
            left_then=Subquery(rows.order_by("-pk").values("left_after")[:1]),
            feeds=Exists(bottles),
        )


class Consumable(models.Model):
    """Stock that sessions use; `left` is a running total, kept in the transaction of each line."""

    slug = models.SlugField(max_length=40, unique=True)
    name = models.CharField(max_length=60, unique=True)
    unit = models.CharField(max_length=16, help_text="pairs, cm², bottles, mL")
    what = models.CharField(max_length=160, blank=True, help_text="what it is, where it comes from")
    kept_at = models.CharField(max_length=80, blank=True, help_text="drawer, shelf, cupboard")
    instrument = models.ForeignKey(
        "Instrument", models.PROTECT, null=True, blank=True, related_name="+"
    )
    room = models.ForeignKey(
        Room, models.PROTECT, null=True, blank=True, related_name="+",
        help_text="where spare bottles stand",
    )  # fmt: skip
    minimum = models.FloatField(default=0.0, help_text="of a critical spare, whatever its use")
    lead_days = models.FloatField(default=14.0, help_text="from ordering to the shelf")
    lead_spread_days = models.FloatField(default=4.0, help_text="how far that varies")
    mounting = models.CharField(max_length=40, blank=True, help_text="only for this mounting")
    per_mount = models.FloatField(default=0.0)
    by_area = models.BooleanField(default=False, help_text="for each mm² of the footprint")
    per_vent = models.FloatField(default=0.0)
    per_session = models.FloatField(default=0.0)
    left = models.FloatField(default=0.0)
    in_use = models.ForeignKey("Lot", models.PROTECT, null=True, blank=True, related_name="+")
    created_at = models.DateTimeField()
    retired_at = models.DateTimeField(null=True, blank=True)
    retired_by = models.ForeignKey(
        "Person", models.PROTECT, null=True, blank=True, related_name="+"
    )
    retired_why = models.CharField(max_length=160, blank=True)
    sent_id = models.UUIDField(null=True, unique=True)

    objects = ConsumableQuerySet.as_manager()

    class Meta:
        ordering = ["name"]
        constraints = [
            models.CheckConstraint(
                name="consumable_amounts_not_negative",
                condition=Q(
                    minimum__gte=0, lead_days__gte=0, lead_spread_days__gte=0,
                    per_mount__gte=0, per_vent__gte=0, per_session__gte=0,
                ),
            ),
        ]  # fmt: skip

    def __str__(self):
        return self.name

    def get_absolute_url(self):
        return reverse("bookings:consumable", args=[self.slug])


class LotQuerySet(models.QuerySet):
    """The words we use when we ask about lots."""

    def standing(self):
        """Neither used up nor thrown away."""
        return self.filter(done_at=None)

    def coded(self, codes):
        return self.filter(code__in=codes)

    def with_code(self, code):
        """The one with this code, or None."""
        return self.select_related("consumable", "opened_by").filter(code=code).first()

    def gone(self):
        """Used up or thrown away, the newest first."""
        return self.exclude(done_at=None).order_by("-done_at")


class Lot(models.Model):
    """One delivery of a consumable under its own code: batch, expiry, opened, what is left of it."""

    code = models.CharField(max_length=8, unique=True)
    consumable = models.ForeignKey(Consumable, models.PROTECT, related_name="lots")
    batch = models.CharField(max_length=60, blank=True, help_text="as printed by the maker")
    quantity = models.FloatField()
    left = models.FloatField()
    delivered_at = models.DateTimeField()
    expires_on = models.DateField(null=True, blank=True)
    opened_at = models.DateTimeField(null=True, blank=True)
    opened_by = models.ForeignKey("Person", models.PROTECT, null=True, related_name="+")
    done_at = models.DateTimeField(null=True, blank=True)
    done_how = models.CharField(max_length=120, blank=True)
    sent_id = models.UUIDField(null=True, unique=True)

    objects = LotQuerySet.as_manager()

    class Meta:
        ordering = ["-delivered_at", "-pk"]
        constraints = [
            models.CheckConstraint(name="lot_holds_something", condition=Q(quantity__gt=0))
        ]

    def __str__(self):
        return f"{self.consumable}, {f'batch {self.batch}' if self.batch else self.code}"

    def get_absolute_url(self):
        return reverse("bookings:scanned_lot", args=[self.code])

    def has_expired(self, on):
        return self.expires_on is not None and self.expires_on < on


class StockUseQuerySet(models.QuerySet):
    """The words we use when we ask what went in and out."""

    def known(self, moment):
        return self.filter(recorded_at__lt=moment)

    def used(self):
        return self.filter(kind=StockUse.Kind.USED)


class StockUse(models.Model):
    """One line of stock, in or out, with what caused it. Append-only: a later line corrects it."""

    class Kind(models.TextChoices):
        DELIVERED = "delivered", "delivered"
        USED = "used", "used"
        COUNTED = "counted", "counted"
        THROWN = "thrown away", "thrown away"

    consumable = models.ForeignKey(Consumable, models.PROTECT, related_name="uses")
    lot = models.ForeignKey(Lot, models.PROTECT, null=True, related_name="uses")
    kind = models.CharField(max_length=11, choices=Kind)
    change = models.FloatField(help_text="what came in; below zero what went out")
    was = models.FloatField(help_text="left of the consumable before this line")
    left_after = models.FloatField()
    cause = models.CharField(max_length=80, unique=True, help_text="the same cause counts once")
    says = models.CharField(max_length=200, blank=True)
    at = models.DateTimeField()
    recorded_at = models.DateTimeField()
    by = models.ForeignKey("Person", models.PROTECT, related_name="+")

    objects = StockUseQuerySet.as_manager()

    class Meta:
        ordering = ["-pk"]
        indexes = [
            models.Index(name="stock_by_consumable", fields=["consumable", "-id"]),
            models.Index(name="stock_by_lot", fields=["lot", "-id"]),
            models.Index(name="stock_used_at", fields=["kind", "at"]),
        ]

    def __str__(self):
        return f"{self.consumable} {self.kind} {self.change:+g}"


class OrderQuerySet(models.QuerySet):
    """The words we use when we ask what is on its way."""

    def on_its_way(self):
        return self.filter(arrived_at=None, cancelled_at=None)

    def on_its_way_at(self, moment):
        """Ordered by then, and as known then neither arrived nor cancelled."""
        return self.filter(
            Q(arrived_at=None) | Q(arrived_at__gte=moment),
            Q(cancelled_at=None) | Q(cancelled_at__gte=moment),
            ordered_at__lt=moment,
        )

    def last_of(self, consumables, moment):
        """The newest order of each as known at a moment."""
        newest = self.filter(consumable=OuterRef("consumable"), ordered_at__lt=moment)
        last = Subquery(newest.order_by("-ordered_at", "-pk").values("pk")[:1])
        rows = self.filter(consumable__in=consumables, pk=last)
        return rows.select_related("consumable", "by")


class Order(models.Model):
    """A quantity on its way, with the day on which it is expected."""

    consumable = models.ForeignKey(Consumable, models.PROTECT, related_name="orders")
    quantity = models.FloatField()
    number = models.CharField(max_length=60, blank=True, help_text="of the order")
    ordered_at = models.DateTimeField()
    by = models.ForeignKey("Person", models.PROTECT, related_name="+")
    expected_on = models.DateField()
    arrived_at = models.DateTimeField(null=True, blank=True)
    cancelled_at = models.DateTimeField(null=True, blank=True)
    sent_id = models.UUIDField(null=True, unique=True)

    objects = OrderQuerySet.as_manager()

    class Meta:
        ordering = ["expected_on", "pk"]
        constraints = [
            models.CheckConstraint(name="order_asks_for_something", condition=Q(quantity__gt=0))
        ]

    def __str__(self):
        return f"{self.quantity:g} {self.consumable.unit} of {self.consumable}"


class CylinderQuerySet(models.QuerySet):
    """The words we use when we ask about bottles."""

    def connected(self):
        return self.filter(taken_off_at=None)

    def connected_at(self, moment):
        return self.filter(connected_at__lt=moment).filter(
            Q(taken_off_at=None) | Q(taken_off_at__gte=moment)
        )

    def connected_since(self, start, end):
        """Connected at any moment of a stretch."""
        return self.filter(connected_at__lt=end).filter(
            Q(taken_off_at=None) | Q(taken_off_at__gte=start)
        )

    def in_place_of(self, cylinder):
        """What is connected now where this one was."""
        return self.connected().filter(
            instrument=cylinder.instrument_id, serves=cylinder.serves, gas=cylinder.gas,
            kind=cylinder.kind, room=cylinder.room_id,
        )  # fmt: skip

    def serving(self, instrument):
        """This instrument's own first, then what serves the whole house."""
        found = self.filter(Q(instrument=instrument) | Q(instrument=None))
        return found.order_by(F("instrument").asc(nulls_last=True), "-connected_at")


class Cylinder(models.Model):
    """A gas bottle or a dewar in its place, from being connected to being taken off."""

    class Kind(models.TextChoices):
        BOTTLE = "bottle", "gas bottle"
        DEWAR = "dewar", "dewar of liquid nitrogen"

    class Gas(models.TextChoices):
        NITROGEN = "nitrogen", "nitrogen"
        ARGON = "argon", "argon"
        HELIUM = "helium", "helium"
        OXYGEN = "oxygen", "oxygen"
        AIR = "air", "air"

    class Serves(models.TextChoices):
        VENTS = "vents", "venting"
        GUN = "gun", "the ion gun"
        OTHER = "other", "something else"

    class Unit(models.TextChoices):
        BAR = "bar", "bar"
        PSI = "psi", "psi"
        KPA = "kPa", "kPa"

    INERT = [Gas.NITROGEN, Gas.ARGON, Gas.HELIUM]

    kind = models.CharField(max_length=6, choices=Kind, default=Kind.BOTTLE)
    gas = models.CharField(max_length=8, choices=Gas)
    volume_l = models.FloatField(help_text="of water that it would hold; a dewar: of liquid")
    fill_pa = models.FloatField(default=200e5, help_text="dial of a full bottle")
    number = models.CharField(max_length=40, blank=True, help_text="stamped on the bottle")
    serves = models.CharField(max_length=5, choices=Serves, default=Serves.OTHER)
    instrument = models.ForeignKey(
        "Instrument", models.PROTECT, null=True, blank=True, related_name="+"
    )
    room = models.ForeignKey(Room, models.PROTECT, related_name="cylinders")
    consumable = models.ForeignKey(
        Consumable, models.PROTECT, null=True, blank=True, related_name="+",
        help_text="what is ordered when it runs out",
    )  # fmt: skip
    dial_unit = models.CharField(max_length=4, choices=Unit, default=Unit.BAR)
    purge_l = models.FloatField(default=0.0, help_text="flushed through at each vent, at 1 atm")
    gun_speed_l_s = models.FloatField(default=50.0, help_text="of the pump while argon runs")
    connected_at = models.DateTimeField()
    taken_off_at = models.DateTimeField(null=True, blank=True)
    sent_id = models.UUIDField(null=True, unique=True)

    objects = CylinderQuerySet.as_manager()

    class Meta:
        ordering = ["gas", "-connected_at"]
        constraints = [
            models.CheckConstraint(
                name="cylinder_has_volume",
                condition=Q(volume_l__gt=0, fill_pa__gt=0, purge_l__gte=0, gun_speed_l_s__gte=0),
            ),
        ]

    def __str__(self):
        where = f" of {self.instrument}" if self.instrument_id else ""
        if self.kind == self.Kind.DEWAR:
            return f"dewar{where}, {self.volume_l:g} L of liquid nitrogen"
        return f"{self.gas}{where}, {self.volume_l:g} L"

    def get_absolute_url(self):
        return reverse("bookings:bottle", args=[self.pk])

    @property
    def is_bottle(self):
        return self.kind == self.Kind.BOTTLE


class DialReading(models.Model):
    """What the dial of a bottle showed, as typed and in pascal above the air. Append-only."""

    cylinder = models.ForeignKey(Cylinder, models.PROTECT, related_name="dials")
    at = models.DateTimeField()
    recorded_at = models.DateTimeField()
    dial_pa = models.FloatField()
    typed = models.CharField(max_length=60)
    unit = models.CharField(max_length=8)
    temperature_c = models.FloatField(null=True, blank=True)
    by = models.ForeignKey("Person", models.PROTECT, related_name="+")
    sent_id = models.UUIDField(null=True, unique=True)

    class Meta:
        ordering = ["-at", "-pk"]
        indexes = [models.Index(name="dial_by_cylinder", fields=["cylinder", "-at"])]

    def __str__(self):
        return f"{self.cylinder}: {self.typed}"


class GasUse(models.Model):
    """Gas that something booked from a bottle: a vent, the ion gun. Append-only."""

    class What(models.TextChoices):
        VENT = "vent", "vent"
        GUN = "gun", "ion gun"

    cylinder = models.ForeignKey(Cylinder, models.PROTECT, related_name="gas_uses")
    what = models.CharField(max_length=4, choices=What)
    mass_kg = models.FloatField()
    cause = models.CharField(max_length=80, unique=True, help_text="the same cause counts once")
    at = models.DateTimeField()
    recorded_at = models.DateTimeField()
    by = models.ForeignKey("Person", models.PROTECT, related_name="+")

    class Meta:
        ordering = ["-at", "-pk"]
        indexes = [models.Index(name="gas_use_by_cylinder", fields=["cylinder", "-at"])]

    def __str__(self):
        return f"{self.cylinder}: {self.what}"
