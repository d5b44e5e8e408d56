"""The stores of the demo year: consumables with their lots, what sessions took of them, orders.

What mounts, vents and sessions take follows the sessions of the story; who ordered when, and what
was counted, is invented. Everything is chosen with dice of its own: the story's stay as they are.
"""

import random
from collections import deque
from dataclasses import dataclass, field
from datetime import timedelta

from bookings.demo.chronicle import seconds
from bookings.demo.gases import Gases
from facility import stocking
from facility.models import Consumable, Lot, Order, StockUse
from samples.codes import new_code
from samples.models import Mount
from samples.mount import footprint_mm2

# name, unit, what, kept at, pack, lots at first, days (lead, spread), more
KEPT = (
    ("Carbon tape, tabs of 9 mm", "tabs", "double-sided, conductive", "drawer 2", 100, 2, (10, 3),
     {"mounting": "carbon tape", "per_mount": 1.0}),
    ("Copper tape, 10 mm", "cm²", "double-sided, conductive adhesive", "drawer 2", 120, 2, (14, 4),
     {"mounting": "copper tape", "per_mount": 0.04, "by_area": True}),
    ("Silicon wafer, pieces", "pieces", "10 × 10 mm, for drops and residues", "drawer 3", 50, 2,
     (21, 5), {"mounting": "silicon wafer", "per_mount": 1.0}),
    ("Nitrile gloves, powder-free", "pairs", "size M and L", "by the door", 100, 3, (6, 2),
     {"per_session": 2.0}),
    ("Lint-free wipes", "wipes", "polyester, for holders and tools", "bench, left", 300, 2, (8, 2),
     {"per_session": 3.0}),
    ("Isopropanol", "mL", "for holders and tweezers", "solvent cupboard", 1000, 2, (7, 2),
     {"per_session": 8.0}),
    ("Copper gaskets, DN 40", "pieces", "one for each opened flange", "drawer 5", 10, 2, (12, 4),
     {"minimum": 4.0}),
    ("Door seal, introduction chamber", "pieces", "elastomer ring", "drawer 5", 3, 1, (15, 5),
     {"minimum": 1.0}),
    ("Neutraliser filament", "pieces", "", "cabinet, top shelf", 3, 1, (40, 10), {"minimum": 1.0}),
    ("Ion gun filament", "pieces", "", "cabinet, top shelf", 2, 1, (40, 10), {}),
    ("X-ray anode", "pieces", "aluminium on copper", "cabinet, top shelf", 1, 1, (90, 20), {}),
    ("Cold-cathode gauge head", "pieces", "", "cabinet, top shelf", 1, 1, (30, 8), {}),
    ("Tip seal set", "sets", "for the backing pumps", "cabinet, top shelf", 1, 1, (20, 5), {}),
    ("Nitrogen bottles, 50 L", "bottles", "200 bar", "gas cage, north wall", 2, 2, (7, 2),
     {"minimum": 1.0}),
    ("Argon bottles, 10 L", "bottles", "200 bar", "gas cage, north wall", 1, 1, (9, 2), {}),
)  # fmt: skip
EXPIRES = {"Isopropanol": 900, "Carbon tape, tabs of 9 mm": 1100, "Copper tape, 10 mm": 1100}
COUNTED = ("Nitrile gloves, powder-free", "Lint-free wipes")
COUNTED_EVERY = 91  # days
EARLY = 1.3  # they order a little above the reorder point
LOW, LOW_DAYS = "Lint-free wipes", 2  # what a count finds low before now, and nobody ordered yet
COMING, COMING_DAYS = "Copper tape, 10 mm", 4  # what is on its way now
FEEDS = "bottles"


@dataclass
class Taken:
    """Something that left the shelf, and why."""

    at: object
    recorded: object
    name: str
    amount: float
    by: object
    cause: object  # called when every row has its key
    says: object
    mount: object = None


@dataclass
class Shelf:
    """One consumable as the year goes on."""

    row: Consumable
    pack: int
    lots: list = field(default_factory=list)  # standing, the one in use first
    coming: Order = None
    left: float = 0.0
    days: deque = field(default_factory=lambda: deque(maxlen=200))  # (day, amount)


class Stock:
    """The stores from the opening up to now."""

    def __init__(self, story, seed):
        self.story, self.chronicle = story, story.chronicle
        self.rng = random.Random(f"stores {seed}")
        self.people = [story.scene.people[name] for name in ("dee", "kit")]
        self.lots, self.orders, self.lines, self.shelves = [], [], [], {}

    def tell(self):
        """Before the chronicle is stored: the lists, the bottles, and which lot held which sample."""
        opened = self.story.scene.opened
        for listed in KEPT:
            self._put_on_the_list(listed, opened)
        rows = {name: shelf.row for name, shelf in self.shelves.items()}
        self.gases = Gases(self.story, self.rng, rows)
        self.gases.tell(opened)
        for shelf, lots in zip(self.shelves.values(), (row[5] for row in KEPT), strict=True):
            for _ in range(lots):
                self._deliver(shelf, opened + timedelta(hours=2))
        self._live(opened)
        for shelf in self.shelves.values():
            shelf.row.left = shelf.left
        Lot.objects.bulk_create(self.lots)
        Order.objects.bulk_create(self.orders)
        for shelf in self.shelves.values():
            if shelf.lots and shelf.lots[0].opened_at:
                shelf.row.in_use = shelf.lots[0]
        Consumable.objects.bulk_update(rows.values(), ["left", "in_use"])

    def store(self):
        """Afterwards: each line with the key of what caused it."""
        self.gases.store()
        for row, cause, says in self.lines:
            row.lot_id = row.lot and row.lot.pk  # a lot got its key after the line named it
            row.cause = cause() if callable(cause) else cause
            row.says = (says() if callable(says) else says)[:200]
        StockUse.objects.bulk_create([row for row, *_ in self.lines], batch_size=2000)

    # the year, one day after the other

    def _put_on_the_list(self, listed, opened):
        name, unit, what, kept_at, pack, _, (lead, spread), more = listed
        row = Consumable.objects.create(
            slug=_slug(name), name=name, unit=unit, what=what, kept_at=kept_at, lead_days=lead,
            lead_spread_days=spread, created_at=opened, **more,
        )  # fmt: skip
        self.shelves[name] = Shelf(row, pack)

    def _live(self, opened):
        taken = sorted(self._taken(), key=lambda row: (row.recorded, row.at))
        taken.reverse()
        zone, today = self.story.zone, self.story.today()
        day, number = opened.astimezone(zone).date() + timedelta(days=1), 0
        while day <= today:
            morning, evening = self.story.local(day, 10), self.story.local(day, 18)
            if morning < self.story.now:
                self._take_until(taken, morning)
                for shelf in self.shelves.values():
                    self._arrive(shelf, day, morning)
            evening = min(evening, self.story.now - seconds(60))
            self._take_until(taken, evening)
            for shelf in self.shelves.values():
                self._look_at(shelf, day, evening, (today - day).days)
            number += 1
            if number % COUNTED_EVERY == 0 and (today - day).days > 2 * LOW_DAYS:
                for name in COUNTED:
                    self._count(self.shelves[name], -self.rng.randint(0, 4), evening, "counted")
            day += timedelta(days=1)
        for row in reversed(taken):  # of the last minute
            self._take(row)

    def _take_until(self, taken, moment):
        while taken and taken[-1].recorded <= moment:
            self._take(taken.pop())

    def _arrive(self, shelf, day, at):
        if shelf.coming is not None and shelf.coming.arrives <= day and day.weekday() < 5:
            self._deliver(shelf, at)
            shelf.coming.arrived_at, shelf.coming = at, None

    def _look_at(self, shelf, day, evening, ago):
        """What is low is ordered: as the reorder point says."""
        name = shelf.row.name
        if name == LOW and ago == LOW_DAYS:
            point = self._point(shelf, day)
            if shelf.coming is None and point > 0:
                self._count(shelf, min(0.6 * point - shelf.left, 0), evening, "a box was empty")
        held = name == LOW and ago <= LOW_DAYS
        forced = name == COMING and ago == COMING_DAYS
        low = shelf.left <= EARLY * self._point(shelf, day) and self._point(shelf, day) > 0
        if shelf.coming is None and not held and (low or forced):
            self._order(shelf, day, evening)

    def _point(self, shelf, day):
        """The reorder point as the stores work it out in the evening of a day."""
        row = shelf.row
        if row.unit == FEEDS:
            return row.minimum
        end = day + timedelta(days=1)
        weeks = stocking.in_weeks(shelf.days, end, row.created_at.date())
        use, spread = stocking.daily_use(weeks)
        return stocking.reorder_point(
            use, spread, row.lead_days, row.lead_spread_days, row.minimum
        )  # fmt: skip

    def _order(self, shelf, day, at):
        row = shelf.row
        lead = min(self.rng.gauss(row.lead_days - 1, row.lead_spread_days / 2), row.lead_days)
        order = Order(
            consumable=row,
            quantity=shelf.pack,
            number=f"{day:%y}-{self.rng.randint(1000, 9999)}",
            ordered_at=at,
            by=self.rng.choice(self.people),
            expected_on=day + timedelta(days=round(row.lead_days)),
        )
        order.arrives = day + timedelta(days=max(round(lead), 1))
        if row.name == COMING and (self.story.today() - day).days <= COMING_DAYS:
            order.arrives = order.expected_on
        shelf.coming = order
        self.orders.append(order)

    def _deliver(self, shelf, at):
        row = shelf.row
        expires = EXPIRES.get(row.name)
        lot = Lot(
            code=new_code("C", choice=self.rng.choice),
            consumable=row,
            batch=f"{self.rng.randint(100, 999)}-{self.rng.randint(10, 99)}",
            quantity=float(shelf.pack),
            left=0.0,
            delivered_at=at,
            expires_on=expires and at.date() + timedelta(days=expires),
        )
        self.lots.append(lot)
        shelf.lots.append(lot)
        self._line(
            shelf, StockUse.Kind.DELIVERED, float(shelf.pack), at, at, self.people[1], lot,
            lambda: f"lot|{lot.pk}", f"batch {lot.batch}",
        )  # fmt: skip

    def _count(self, shelf, difference, at, why):
        lot = shelf.lots[0] if shelf.lots else None
        if not difference:
            return
        difference = float(round(difference))
        sent = self.chronicle.uuid()
        lots = shelf.lots or [lot]
        spread = stocking.spread_count([row.left for row in shelf.lots], difference)
        for row, change in zip(lots, spread or [difference], strict=True):
            if change:
                self._line(
                    shelf, StockUse.Kind.COUNTED, change, at, at, self.people[0], row,
                    lambda row=row: f"count|{sent}|{row.pk if row else 0}", why,
                )  # fmt: skip

    # what was taken

    def _taken(self):
        """Everything that sessions and mounts took by themselves, and the bottles' spares."""
        by_mounting = {}
        for shelf in self.shelves.values():
            if shelf.row.per_mount:
                by_mounting.setdefault(shelf.row.mounting, []).append(shelf.row)
        for mount in self.chronicle.rows[Mount]:
            for row in by_mounting.get(mount.mounting, ()):
                area = footprint_mm2(mount.sample) if row.by_area else 1
                yield Taken(
                    mount.since, mount.since, row.name, row.per_mount * area, mount.by,
                    lambda mount=mount, row=row: f"mount|{mount.pk}|{row.pk}",
                    f"position {mount.position} of {mount.holder}", mount,
                )  # fmt: skip
        sessions = [shelf.row for shelf in self.shelves.values() if shelf.row.per_session]
        for sitting in self.story.told:
            made = sitting.row
            for row in sessions:
                yield Taken(
                    made.opened_at, made.opened_at, row.name, row.per_session, sitting.by,
                    lambda made=made, row=row: f"session|{made.pk}|{row.pk}",
                    lambda made=made: f"session {made.pk} on {made.instrument}",
                )  # fmt: skip
        for bottle, by in self.gases.changes:
            yield Taken(
                bottle.connected_at, bottle.connected_at, bottle.consumable.name, 1.0, by,
                f"bottle|{bottle.pk}", f"connected: {bottle}",
            )  # fmt: skip

    def _take(self, taken):
        shelf = self.shelves[taken.name]
        amount = stocking.summed(taken.amount, 0)
        lot = self._lot_in_use(shelf, amount, taken)
        if taken.mount is not None and shelf.row.mounting:
            taken.mount.lot = lot
        self._line(
            shelf, StockUse.Kind.USED, -amount, taken.at, taken.recorded, taken.by, lot,
            taken.cause, taken.says,
        )  # fmt: skip
        shelf.days.append((taken.at.astimezone(self.story.zone).date(), amount))

    def _lot_in_use(self, shelf, amount, taken):
        """The lot in use; one that cannot give so much is finished and the next one is opened."""
        at = taken.recorded
        while len(shelf.lots) > 1 and shelf.lots[0].left < amount:
            gone = shelf.lots.pop(0)
            if gone.left:
                self._line(
                    shelf, StockUse.Kind.THROWN, -gone.left, at, at, taken.by, gone,
                    lambda gone=gone: f"gone|{gone.pk}", "the rest of it",
                )  # fmt: skip
            gone.done_at, gone.done_how = at, "used up"
        if not shelf.lots:
            return None
        lot = shelf.lots[0]
        if lot.opened_at is None:
            lot.opened_at, lot.opened_by = at, taken.by
        return lot

    def _line(self, shelf, kind, change, at, recorded, by, lot, cause, says):
        was = shelf.left
        shelf.left = stocking.summed(was, change)
        if lot is not None:
            lot.left = stocking.summed(lot.left, change)
        row = StockUse(
            consumable=shelf.row, lot=lot, kind=kind, change=change, was=was,
            left_after=shelf.left, at=at, recorded_at=recorded, by=by,
        )  # fmt: skip
        self.lines.append((row, cause, says))


def _slug(name):
    plain = name.lower().replace(",", "").split()
    return "-".join(plain)[:36]
