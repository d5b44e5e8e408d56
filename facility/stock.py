"""Verbs of stock: deliver, use, count, open, throw away, order. Each line counts once by its cause.

Rows of stock are locked last of all, after instruments, holders, places and logs; consumables in
order of their keys, each before its lots.
"""

import uuid
from datetime import timedelta

from django.db import transaction
from django.utils import timezone
from django.utils.text import slugify

from facility import access, stocking
from facility.errors import Refused
from facility.models import Consumable, Lot, Order, Person, StockUse

MOST = 1e9  # of anything; a slip of the keyboard lies beyond
NEEDS_ONE = "Enter an amount above zero."


def _locked(consumable):
    return Consumable.objects.select_for_update().get(pk=consumable.pk)


def _line(consumable, *, kind, change, cause, by, at=None, lot=None, says=""):
    """One line of a consumable that is locked, its totals with it; the same cause once."""
    if before := StockUse.objects.filter(cause=cause).first():
        return before
    now, was = timezone.now(), consumable.left
    consumable.left = stocking.summed(was, change)
    consumable.save(update_fields=["left"])
    if lot is not None:
        lot = Lot.objects.select_for_update().get(pk=lot.pk)
        lot.left = stocking.summed(lot.left, change)
        lot.save(update_fields=["left"])
    return StockUse.objects.create(
        consumable=consumable,
        lot=lot,
        kind=kind,
        change=change,
        was=was,
        left_after=consumable.left,
        cause=cause,
        says=says[:200],
        at=at or now,
        recorded_at=now,
        by=by,
    )


def _plain(text, most):
    return text.replace("\x00", "").strip()[:most]


def one_form_at_a_time(person):
    """A form of theirs that comes twice at once is answered one after the other; call it in a
    transaction, after the instrument's lock. Rows that point to the person are not kept waiting."""
    Person.objects.select_for_update(no_key=True).get(pk=person.pk)


def refuse_unless_amount(quantity, least=0.0):
    """Raise Refused unless this can be an amount of something."""
    if quantity is None or not quantity > least or quantity > MOST:
        raise Refused(NEEDS_ONE if least == 0 else f"{quantity} cannot be counted.")


# on the list


@transaction.atomic
def add(*, by, name, unit, sent_id=None, **about):
    """Put a consumable on the list; its stock starts at zero until a delivery or a count."""
    access.require(by, "stock.keep")
    one_form_at_a_time(by)
    if sent_id and (before := Consumable.objects.filter(sent_id=sent_id).first()):
        return before
    if Consumable.objects.filter(name__iexact=name).exists():
        raise Refused(f"“{name}” is on the list already. Deliver or count it there.")
    stem = slugify(name)[:36] or "consumable"
    taken = set(Consumable.objects.filter(slug__startswith=stem).values_list("slug", flat=True))
    slug = stem if stem not in taken and stem not in RESERVED else _free(stem, taken)
    return Consumable.objects.create(
        slug=slug, name=name, unit=unit, created_at=timezone.now(), sent_id=sent_id, **about
    )


RESERVED = {"new", "orders", "lots"}


def _free(stem, taken):
    return next(name for n in range(2, 10_000) if (name := f"{stem}-{n}") not in taken)


@transaction.atomic
def change(*, consumable, by, **about):
    """Change what is known of a consumable: its lead time, use, place."""
    access.require(by, "stock.keep")
    consumable = _locked(consumable)
    name = about.get("name", consumable.name)
    if Consumable.objects.filter(name__iexact=name).exclude(pk=consumable.pk).exists():
        raise Refused(f"“{name}” is on the list already. Choose another name.")
    for field, value in about.items():
        setattr(consumable, field, value)
    consumable.save(update_fields=list(about))
    return consumable


@transaction.atomic
def retire(*, consumable, by, why=""):
    """It is kept no more: not offered, not asked for, its history stays. Once."""
    access.require(by, "stock.keep")
    consumable = _locked(consumable)
    if consumable.retired_at:
        return consumable
    if order := Order.objects.on_its_way().filter(consumable=consumable).first():
        raise Refused(
            f"{order} is on its way. Take it in, or say that it will not come; then retire it."
        )
    consumable.retired_at, consumable.retired_by = timezone.now(), by
    consumable.retired_why = _plain(why, 160)
    consumable.save(update_fields=["retired_at", "retired_by", "retired_why"])
    return consumable


@transaction.atomic
def keep_again(*, consumable, by):
    """A retired consumable is kept again, with what was left of it."""
    access.require(by, "stock.keep")
    consumable = _locked(consumable)
    consumable.retired_at, consumable.retired_by, consumable.retired_why = None, None, ""
    consumable.save(update_fields=["retired_at", "retired_by", "retired_why"])
    return consumable


# in


@transaction.atomic
def deliver(
    *, consumable, quantity, by, new_code, batch="", expires_on=None, order=None, at=None,
    sent_id=None,
):  # fmt: skip
    """A delivery: a new lot under a code of its own; the oldest order on its way has arrived.

    Takes:  `new_code`, called for a code of a lot: codes are made one floor above.
    """
    access.require(by, "stock.keep")
    consumable = _locked(consumable)
    if sent_id and (before := Lot.objects.filter(sent_id=sent_id).first()):
        return before
    refuse_unless_amount(quantity)
    now = timezone.now()
    lot = Lot.objects.create(
        code=new_code("C"),
        consumable=consumable,
        batch=_plain(batch, 60),
        quantity=quantity,
        left=0.0,
        delivered_at=at or now,
        expires_on=expires_on,
        sent_id=sent_id,
    )
    _line(
        consumable, kind=StockUse.Kind.DELIVERED, change=quantity, cause=f"lot|{lot.pk}", by=by,
        at=at, lot=lot, says=f"batch {lot.batch}" if lot.batch else "",
    )  # fmt: skip
    order = order or Order.objects.on_its_way().filter(consumable=consumable).first()
    if order:
        Order.objects.filter(pk=order.pk, arrived_at=None).update(arrived_at=at or now)
    lot.refresh_from_db()
    return lot


# out


@transaction.atomic
def use(*, consumable, amount, cause, by, at=None, lot=None, says=""):
    """Something was used; what is booked below zero is booked all the same, to be counted later."""
    consumable = _locked(consumable)
    return _line(
        consumable, kind=StockUse.Kind.USED, change=-amount, cause=cause, by=by, at=at,
        lot=lot or consumable.in_use, says=says,
    )  # fmt: skip


def lot_for(mounting):
    """The lot in use that holds samples mounted this way, or None: a roll of tape, a foil."""
    rows = Consumable.objects.used_by_mounts(mounting).exclude(mounting="")
    found = rows.exclude(in_use=None).select_related("in_use").first()
    return found and found.in_use


def use_for_mount(*, mounting, area_mm2, cause, by, at=None, says=""):
    """What a mount takes by itself: so much apiece, or for each mm² of its footprint."""
    for row in Consumable.objects.used_by_mounts(mounting):
        amount = row.per_mount * (area_mm2 if row.by_area else 1)
        use(
            consumable=row, amount=stocking.summed(amount, 0), cause=f"{cause}|{row.pk}", by=by,
            at=at, says=says,
        )  # fmt: skip


def use_for_session(*, instrument, cause, by, at=None, says=""):
    """What a session takes by itself, such as gloves."""
    for row in Consumable.objects.used_by_sessions().on(instrument):
        use(
            consumable=row, amount=row.per_session, cause=f"{cause}|{row.pk}", by=by, at=at,
            says=says,
        )  # fmt: skip


def use_for_vent(*, instrument, cause, by, at=None, says=""):
    """What a vent takes by itself, apart from gas."""
    for row in Consumable.objects.used_by_vents().on(instrument):
        use(
            consumable=row, amount=row.per_vent, cause=f"{cause}|{row.pk}", by=by, at=at, says=says
        )  # fmt: skip


@transaction.atomic
def take_out(*, consumable, amount, by, says="", lot=None, sent_id=None):
    """Somebody takes some for another purpose and says so."""
    refuse_unless_amount(amount)
    return use(
        consumable=consumable, amount=amount, cause=f"taken|{sent_id or uuid.uuid4()}", by=by, lot=lot,
        says=_plain(says, 200),
    )  # fmt: skip


# count and correct


@transaction.atomic
def count(*, consumable, counted, by, why="", lot=None, sent_id=None):
    """What is really there: the difference becomes lines that show what the books said before.

    A count of the whole shelf is spread over its lots in the order of use; a count of one lot is
    its own.
    """
    consumable = _locked(consumable)
    cause = f"count|{sent_id or uuid.uuid4()}"
    if before := list(StockUse.objects.filter(cause__startswith=cause)):
        return before
    if counted is None or not 0 <= counted <= MOST:
        raise Refused("Enter how much is really there: zero or more.")
    standing = list(Lot.objects.select_for_update().standing().filter(consumable=consumable))
    lots = stocking.first_expired_first(standing, timezone.localdate())
    if lot is not None:
        lot = next((row for row in lots if row.pk == lot.pk), None)
        if lot is None:
            raise Refused("This lot was thrown away or used up. Count the consumable instead.")
        changes = [(lot, stocking.summed(counted, -lot.left))]
    else:
        difference = stocking.summed(counted, -consumable.left)
        spread = stocking.spread_count([row.left for row in lots], difference)
        changes = list(zip(lots, spread, strict=True)) or [(None, difference)]
    kept = [(row, change) for row, change in changes if change] or changes[:1]
    return [
        _line(
            consumable, kind=StockUse.Kind.COUNTED, change=change,
            cause=f"{cause}|{row.pk if row else 0}", by=by, lot=row,
            says=_plain(why, 160) or "counted",
        )
        for row, change in kept
    ]  # fmt: skip


# lots


@transaction.atomic
def open_lot(*, lot, by):
    """This lot is in use from now on; a second press changes nothing."""
    consumable = _locked(lot.consumable)
    lot = Lot.objects.select_for_update().get(pk=lot.pk)
    if lot.done_at:
        raise Refused(
            f"This lot was recorded as {lot.done_how or 'used up'}. Scan another, or count it anew."
        )
    if lot.opened_at is None:
        lot.opened_at, lot.opened_by = timezone.now(), by
        lot.save(update_fields=["opened_at", "opened_by"])
    if consumable.in_use_id != lot.pk:
        consumable.in_use = lot
        consumable.save(update_fields=["in_use"])
    return lot


@transaction.atomic
def finish_lot(*, lot, by, how="used up"):
    """The lot is gone, used up or thrown away: what the books still hold of it goes with it."""
    consumable = _locked(lot.consumable)
    lot = Lot.objects.select_for_update().get(pk=lot.pk)
    if lot.done_at:
        return lot
    how = _plain(how, 120) or "used up"
    if lot.left:
        _line(
            consumable, kind=StockUse.Kind.THROWN if lot.left > 0 else StockUse.Kind.COUNTED,
            change=-lot.left, cause=f"gone|{lot.pk}", by=by, lot=lot, says=how,
        )  # fmt: skip
        lot.refresh_from_db()
    lot.done_at, lot.done_how = timezone.now(), how
    lot.save(update_fields=["done_at", "done_how"])
    if consumable.in_use_id == lot.pk:
        consumable.in_use = None
        consumable.save(update_fields=["in_use"])
    return lot


# orders


@transaction.atomic
def order(*, consumable, quantity, by, expected_on=None, number="", sent_id=None):
    """An order is on its way; without a day it is expected after the usual lead time."""
    access.require(by, "stock.keep")
    consumable = _locked(consumable)
    if sent_id and (before := Order.objects.filter(sent_id=sent_id).first()):
        return before
    refuse_unless_amount(quantity)
    usual = timezone.localdate() + timedelta(days=round(consumable.lead_days))
    return Order.objects.create(
        consumable=consumable,
        quantity=quantity,
        number=_plain(number, 60),
        ordered_at=timezone.now(),
        by=by,
        expected_on=expected_on or usual,
        sent_id=sent_id,
    )


@transaction.atomic
def cancel_order(*, order, by):
    """The order will not come; what has arrived stays."""
    access.require(by, "stock.keep")
    order = Order.objects.select_for_update().get(pk=order.pk)
    if order.arrived_at:
        raise Refused(f"This order arrived on {order.arrived_at:%d %b %Y}.")
    if order.cancelled_at is None:
        order.cancelled_at = timezone.now()
        order.save(update_fields=["cancelled_at"])
    return order
