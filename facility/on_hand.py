"""Reads of the stores as they were known at a moment: consumables with their outlook, bottles, rooms.

What was recorded later is not looked at, so that a past week says what it would have said then.
The number of queries is fixed; each looks at a window, never at the years behind it.
"""

import math
from collections import defaultdict
from dataclasses import dataclass, field
from datetime import timedelta

from django.db.models import Sum
from django.db.models.functions import TruncDate
from django.utils import timezone

from facility import gas_watch, stocking
from facility.models import (
    Chamber,
    Consumable,
    Cylinder,
    DialReading,
    GasUse,
    Order,
    Room,
    StockUse,
)
from facility.vacuum import cylinders, oxygen
from facility.vacuum.units import from_pascal

USED_WINDOW = timedelta(weeks=stocking.WATCHED_WEEKS)
DIAL_WINDOW = timedelta(days=120)  # of a bottle's readings that are looked at


@dataclass(frozen=True)
class Shelf:
    """One consumable as known at a moment."""

    row: Consumable
    outlook: stocking.Outlook
    orders: tuple = ()
    at: object = None

    @property
    def left(self):
        return stocking.amount(self.outlook.left, self.row.unit)

    @property
    def point(self):
        return stocking.amount(self.outlook.point, self.row.unit)

    @property
    def expected_on(self):
        return self.orders[0].expected_on if self.orders else None

    def _day(self, days):
        return None if days is None else timezone.localdate(self.at + timedelta(days=days))

    @property
    def lasts_until(self):
        return self._day(self.outlook.lasts_days)

    @property
    def order_by(self):
        """The day on which the stock falls to the reorder point; None where nothing draws on it."""
        return self._day(self.outlook.order_in_days)

    @property
    def to_order(self):
        """At or below its reorder point, and nothing is on its way."""
        return self.outlook.to_order and not self.orders

    @property
    def ends_before_delivery(self):
        return bool(self.orders and self.lasts_until and self.lasts_until < self.expected_on)

    @property
    def says(self):
        """One sentence on what to do, empty where all is well."""
        unit = self.row.unit
        if not self.outlook.counts:
            return f"{self.row}: the books say {self.left}. Count it."
        if self.to_order:
            lasts = _lasts(self.outlook.lasts_days)
            return f"{self.row}: {self.left} left{lasts}, reorder point {self.point}. Order today."
        if self.ends_before_delivery:
            return (
                f"{self.row}: {self.left} left until about {self.lasts_until:%d %b}, and "
                f"{stocking.amount(self.orders[0].quantity, unit)} come on {self.expected_on:%d %b}."
            )
        return ""


def _lasts(days):
    if days is None:
        return ""
    return f", {days:.0f} more day{'' if round(days) == 1 else 's'}"


def shelves(at=None, *, instrument=None, rows=None):
    """Every consumable as known at `at`, those to order first; three queries.

    Takes:  `instrument`, to leave out what belongs to another one; `rows`, to look at these only.
    """
    at = at or timezone.now()
    rows = Consumable.objects.known(at) if rows is None else rows
    if instrument is not None:
        rows = rows.on(instrument)
    rows = list(rows.with_left_at(at).select_related("in_use", "instrument"))
    used = defaultdict(list)
    lines = (
        StockUse.objects.used()
        .known(at)
        .filter(consumable__in=rows, at__gte=at - USED_WINDOW, at__lt=at)
        .values_list("consumable", TruncDate("at"))
        .annotate(Sum("change"))
        .order_by()
    )
    today = timezone.localdate(at)
    for key, day, change in lines:
        used[key].append((day, -change))
    orders = defaultdict(list)
    for order in Order.objects.on_its_way_at(at).filter(consumable__in=rows):
        orders[order.consumable_id].append(order)
    found = [
        Shelf(row, _outlook(row, used[row.pk], today), tuple(orders[row.pk]), at) for row in rows
    ]
    return sorted(found, key=_urgency)


def shelf_of(row):
    """One consumable as it stands now."""
    return shelves(rows=Consumable.objects.filter(pk=row.pk))[0]


def _outlook(row, used, today):
    end = today + timedelta(days=1)
    since = timezone.localdate(row.created_at)
    weeks = stocking.in_weeks(used, end, since)
    left = 0.0 if row.left_then is None else row.left_then
    if row.feeds:  # the connected bottle's dial says when to order; see `Bottle.dry`
        weeks = []
    return stocking.outlook(left, weeks, row.lead_days, row.lead_spread_days, row.minimum)


def _urgency(shelf):
    wait = shelf.outlook.order_in_days
    soon = math.inf if wait is None else wait
    return not shelf.to_order, shelf.outlook.counts, bool(shelf.orders), soon, shelf.row.name


# bottles


@dataclass
class Bottle:
    """A bottle or dewar as known at a moment."""

    row: Cylinder
    at: object
    dials: list = field(default_factory=list)  # DialReading, oldest first
    uses: list = field(default_factory=list)  # GasUse
    spares: float | None = None  # None: nothing is known of spare bottles
    orders: tuple = ()
    chamber_l: float | None = None

    def __post_init__(self):
        self._dials = [_dial(row) for row in self.dials]
        self.volume = self.row.volume_l / 1000
        self.trend = None
        if self.row.is_bottle and self._dials:
            self.trend = gas_watch.trend(self._dials, self.volume, self.row.gas)

    @property
    def last(self):
        return self.dials[-1] if self.dials else None

    @property
    def left(self):
        """What the dial showed last, in its own unit."""
        if self.last is None:
            return ""
        return in_unit(self.last.dial_pa, self.row.dial_unit)

    @property
    def content_m3(self):
        """Gas in it now, let out at 15 °C and 1 bar, by the real gas."""
        if not (self.row.is_bottle and self._dials):
            return None
        mass = gas_watch.content_kg(self.row.gas, self.volume, self._dials[-1])
        return cylinders.free_volume(self.row.gas, mass)

    @property
    def vents_left(self):
        if self.row.serves != Cylinder.Serves.VENTS or not self._dials or not self.chamber_l:
            return None
        last = self._dials[-1]
        return cylinders.vents_left(
            self.row.gas, self.volume, last.pressure, self.chamber_l / 1000,
            temperature=last.temperature, purge=self.row.purge_l / 1000,
        )  # fmt: skip

    def _day(self, days):
        if days is None or self.last is None:
            return None
        return timezone.localdate(self.last.at + timedelta(days=days))

    @property
    def empty_on(self):
        return self._day(self.trend.likely) if self.trend else None

    @property
    def soonest(self):
        return self._day(self.trend.soonest) if self.trend else None

    @property
    def latest(self):
        return self._day(self.trend.latest) if self.trend else None

    @property
    def expected_on(self):
        return self.orders[0].expected_on if self.orders else None

    @property
    def order_by(self):
        """The day on which to order so that the next bottle is there one time in ten too late."""
        if self.soonest is None or self.row.consumable is None:
            return None
        return self.soonest - timedelta(days=math.ceil(self.row.consumable.lead_days))

    @property
    def alarms(self):
        if not self.row.is_bottle:
            return []
        uses = [gas_watch.Use(row.at, row.mass_kg) for row in self.uses]
        return gas_watch.alarms(
            self._dials, uses, self.volume, self.row.gas, self.row.dial_unit
        )  # fmt: skip

    @property
    def dry(self):
        """What to say where it will be empty before the next bottle is there; empty otherwise."""
        if self.empty_on is None or self.spares is None or self.spares > 0:
            return ""
        today = timezone.localdate(self.at)
        stands = f"{_name(self.row)}: {self.left}, empty about {self.empty_on:%d %b}"
        if self.orders:
            if self.empty_on >= self.expected_on:
                return ""
            return f"{stands}, before its delivery on {self.expected_on:%d %b}."
        if self.order_by is None or self.order_by > today:
            return ""
        return (
            f"{stands}. A bottle takes {self.row.consumable.lead_days:g} days to come: order today."
        )

    @property
    def asks(self):
        """A question where the dial rose between the last two readings; empty otherwise."""
        if len(self._dials) < 2 or not gas_watch.rises(*self._dials[-2:]):
            return ""
        then, now = (
            f"{from_pascal(row.dial_pa, self.row.dial_unit):.0f}" for row in self.dials[-2:]
        )
        return f"The dial rose from {then} to {now} {self.row.dial_unit}. Was the bottle changed?"


def in_unit(pascal, unit):
    """A difference of the dial in its unit, in whole numbers."""
    return f"{from_pascal(pascal, unit):.0f} {unit}"


def _name(row):
    return str(row)[:1].upper() + str(row)[1:]


def _dial(row):
    warm = cylinders.ROOM if row.temperature_c is None else row.temperature_c + 273.15
    return gas_watch.Dial(row.at, cylinders.from_dial(row.dial_pa), warm, row.pk)


def bottles(at=None, *, rows=None, stocked=(), chambers=True):
    """Every bottle that was connected at `at`, with what was known of it then.

    Takes:  `rows`, to look at these bottles only; `stocked`, shelves as known then, for spares and
            orders; `chambers`, whether vents are counted. Three queries, four with chambers.
    """
    at = at or timezone.now()
    rows = Cylinder.objects.connected_at(at) if rows is None else rows
    rows = list(rows.select_related("instrument", "room", "consumable"))
    dials, uses = defaultdict(list), defaultdict(list)
    known = {"cylinder__in": rows, "recorded_at__lt": at, "at__gte": at - DIAL_WINDOW}
    for reading in DialReading.objects.filter(**known).order_by("at", "pk"):
        dials[reading.cylinder_id].append(reading)
    for used in GasUse.objects.filter(**known).order_by("at", "pk"):
        uses[used.cylinder_id].append(used)
    shelf = {one.row.pk: one for one in stocked}
    volumes = _volumes() if chambers else {}
    return [
        Bottle(
            row=row,
            at=at,
            dials=dials[row.pk],
            uses=uses[row.pk],
            spares=one.outlook.left if (one := shelf.get(row.consumable_id)) else None,
            orders=one.orders if one else (),
            chamber_l=volumes.get(row.instrument_id),
        )
        for row in rows
    ]


def bottle_of(row):
    """One bottle as it stands now, with its spares and what is on its way."""
    stocked = [shelf_of(row.consumable)] if row.consumable_id else []
    return bottles(rows=Cylinder.objects.filter(pk=row.pk), stocked=stocked)[0]


def _volumes():
    """Introduction chambers by instrument; a bottle of the whole house goes by the largest."""
    found = dict(
        Chamber.objects.filter(kind=Chamber.Kind.INTRODUCTION).values_list("instrument", "volume_l")
    )
    return found | {None: max(found.values(), default=None)}


# rooms


@dataclass
class Air:
    """A room with what would push its air out."""

    room: Room
    rows: list = field(default_factory=list)  # connected bottles and dewars
    spares: list = field(default_factory=list)  # (consumable, how many, one of its bottles)

    def __post_init__(self):
        gases = [_full(row) for row in self.rows if _is_inert(row)]
        for _, many, one in self.spares:
            gases += [_full(one)] * many if _is_inert(one) else []
        self.gas_m3 = gas_watch.room_gas(gases)
        self.worst = oxygen.worst_oxygen(self.gas_m3, self.room.volume_m3) if gases else None

    @property
    def steady_leak_m3_h(self):
        """The leak that the fresh air just keeps at 19.5 %, where the air is known."""
        moved = self.room.ventilation_m3_h
        return None if moved is None else moved * (1 - 19.5 / 20.9)


def _is_inert(row):
    return row.kind == Cylinder.Kind.DEWAR or row.gas in Cylinder.INERT


def _full(row):
    """What one bottle or dewar holds when full, as `gas_watch.room_gas` takes it."""
    if row.kind == Cylinder.Kind.DEWAR:
        return "liquid nitrogen", row.volume_l / 1000
    full = cylinders.from_dial(min(row.fill_pa, gas_watch.HIGHEST_DIAL))
    return row.gas, cylinders.content(row.gas, row.volume_l / 1000, full)


def rooms():
    """Every room with its bottles, dewars and spares, the worst first; three queries."""
    every = list(Room.objects.all())
    found, kinds = {room.pk: ([], []) for room in every}, {}
    for row in Cylinder.objects.connected().select_related("instrument").order_by("pk"):
        found[row.room_id][0].append(row)
        kinds[row.consumable_id] = row
    for row in Consumable.objects.kept().filter(room__isnull=False, left__gte=1):
        if row.pk in kinds:
            found[row.room_id][1].append((row, math.floor(row.left), kinds[row.pk]))
    airs = [Air(room, *found[room.pk]) for room in every]
    return sorted(airs, key=lambda air: air.worst.displaced if air.worst else 100.0)
