"""Verbs of gas bottles and rooms: connect, read the dial, change the bottle, book what was let out."""

import re
import uuid

from django.db import transaction
from django.utils import timezone

from facility import access, gas_watch, log, stock
from facility.errors import Refused
from facility.models import Chamber, Cylinder, DialReading, GasUse, Instrument, Room
from facility.vacuum import cylinders
from facility.vacuum.units import parse_pressure, to_pascal

GUN_PRESSURE_PA = 15e-3  # in the chamber while argon runs; common practice, no source
KEPT = (
    "kind", "gas", "volume_l", "fill_pa", "serves", "instrument", "room", "consumable",
    "dial_unit", "purge_l", "gun_speed_l_s",
)  # fmt: skip


@transaction.atomic
def save_room(*, by, room=None, sent_id=None, **about):
    """A room with its free volume; without a `room` a new one."""
    access.require(by, "stock.keep")
    stock.one_form_at_a_time(by)
    if room is None and sent_id and (before := Room.objects.filter(sent_id=sent_id).first()):
        return before
    if Room.objects.filter(name__iexact=about["name"]).exclude(pk=room and room.pk).exists():
        raise Refused(f"There is a room {about['name']} already. Change that one.")
    room = room or Room(sent_id=sent_id)
    for field, value in about.items():
        setattr(room, field, value)
    room.save()
    return room


@transaction.atomic
def connect(*, by, sent_id=None, dial="", at=None, **about):
    """A bottle or dewar is in its place; the first reading of its dial with it, where typed."""
    access.require(by, "stock.keep")
    instrument = about.get("instrument")
    if instrument:
        Instrument.objects.select_for_update().get(pk=instrument.pk)
    stock.one_form_at_a_time(by)
    if sent_id and (before := Cylinder.objects.filter(sent_id=sent_id).first()):
        return before
    row = Cylinder.objects.create(connected_at=at or timezone.now(), sent_id=sent_id, **about)
    _tell_log(row, by, "bottle connected", at)
    if dial:
        read_dial(cylinder=row, by=by, text=dial, at=at)
    return row


def _tell_log(row, by, kind, at=None):
    if row.instrument:
        log.write(
            log=row.instrument.log, kind=kind, by=by, happened_at=at,
            data={
                "cylinder": row.pk, "gas": row.gas, "volume_l": row.volume_l, "number": row.number,
            },
        )  # fmt: skip


def dial_of(text, unit):
    """(pascal above the air, unit) of a dial as typed, or Refused with what to type."""
    plain = re.sub(r"(?i)\b(bar|psi)\s*(?:g|\(g\))(?=\s*$)", r"\1", text.strip())
    try:
        typed = parse_pressure(plain)
        if typed.value is None:
            raise ValueError
        unit = typed.unit or unit
        pascal = to_pascal(typed.value, unit)
    except (ValueError, IndexError):
        if re.fullmatch(r"0+(?:[.,]0*)?\s*[A-Za-z]*", plain):
            return 0.0, unit
        raise Refused(f"Type what the dial shows, such as 145 {unit}.") from None
    if pascal > gas_watch.HIGHEST_DIAL:
        raise Refused(
            f"{text.strip()[:40]} is more than a bottle of 300 bar holds. Look at the unit: "
            f"{unit} is what this dial has."
        )
    return pascal, unit


@transaction.atomic
def read_dial(*, cylinder, by, text, temperature_c=None, at=None, sent_id=None):
    """Store what the dial shows, a rise too: that is asked back by the page, never refused."""
    cylinder = Cylinder.objects.select_for_update(of=("self",)).get(pk=cylinder.pk)
    if sent_id and (before := DialReading.objects.filter(sent_id=sent_id).first()):
        return before
    pascal, unit = dial_of(text, cylinder.dial_unit)
    now = timezone.now()
    if cylinder.taken_off_at and (at or now) > cylinder.taken_off_at:
        raise Refused(
            f"This bottle was taken off on {timezone.localtime(cylinder.taken_off_at):%d %b %H:%M}. "
            "Type it at the one that is connected now."
        )
    return DialReading.objects.create(
        cylinder=cylinder,
        at=at or now,
        recorded_at=now,
        dial_pa=pascal,
        typed=text.replace("\x00", "").strip()[:60],
        unit=unit,
        temperature_c=temperature_c,
        by=by,
        sent_id=sent_id,
    )


@transaction.atomic
def change_bottle(*, cylinder, by, number="", dial="", at=None, sent_id=None):
    """The old bottle off, a new one of its kind on, one spare fewer: one action, once."""
    access.require(by, "stock.use")
    if cylinder.instrument_id:
        Instrument.objects.select_for_update().get(pk=cylinder.instrument_id)
    cylinder = (
        Cylinder.objects.select_for_update(of=("self",))
        .select_related("instrument__log", "consumable")
        .get(pk=cylinder.pk)
    )
    if sent_id and (before := Cylinder.objects.filter(sent_id=sent_id).first()):
        return before
    if cylinder.taken_off_at:
        raise Refused(
            f"This bottle was taken off on {timezone.localtime(cylinder.taken_off_at):%d %b %H:%M}. "
            "Open the one that is connected now."
        )
    at = at or timezone.now()
    cylinder.taken_off_at = at
    cylinder.save(update_fields=["taken_off_at"])
    new = Cylinder.objects.create(
        connected_at=at,
        number=number.replace("\x00", "").strip()[:40],
        sent_id=sent_id or uuid.uuid4(),
        **{field: getattr(cylinder, field) for field in KEPT},
    )
    _tell_log(new, by, "bottle changed", at)
    if dial:
        read_dial(cylinder=new, by=by, text=dial, at=at)
    if cylinder.consumable:
        stock.use(
            consumable=cylinder.consumable, amount=1, cause=f"bottle|{new.pk}", by=by, at=at,
            says=f"connected: {new}",
        )  # fmt: skip
    return new


@transaction.atomic
def take_off(*, cylinder, by):
    """The bottle is off and no other takes its place; a second press changes nothing."""
    access.require(by, "stock.keep")
    if cylinder.instrument_id:
        Instrument.objects.select_for_update().get(pk=cylinder.instrument_id)
    cylinder = (
        Cylinder.objects.select_for_update(of=("self",))
        .select_related("instrument__log")
        .get(pk=cylinder.pk)
    )
    if cylinder.taken_off_at is None:
        cylinder.taken_off_at = timezone.now()
        cylinder.save(update_fields=["taken_off_at"])
        _tell_log(cylinder, by, "bottle taken off")
    return cylinder


# what was let out


def _bottle(instrument, serves, at):
    rows = Cylinder.objects.connected_at(at).serving(instrument)
    return rows.filter(serves=serves, kind=Cylinder.Kind.BOTTLE).first()


def vented(*, instrument, cause, by, at):
    """A vent let in nitrogen: one filling of the introduction chamber and the purge."""
    row = _bottle(instrument, Cylinder.Serves.VENTS, at)
    chamber = Chamber.objects.filter(
        instrument=instrument, kind=Chamber.Kind.INTRODUCTION
    ).first()  # fmt: skip
    if row is None or chamber is None:
        return None
    mass = cylinders.use_of_vents(
        row.gas, 1, chamber.volume_l / 1000, purge=row.purge_l / 1000, temperature=cylinders.ROOM
    )
    return _book(row, GasUse.What.VENT, mass, cause, by, at)


def sputtered(*, instrument, minutes, cause, by, at):
    """The ion gun ran so many minutes: too little argon to see on a dial, booked all the same."""
    row = _bottle(instrument, Cylinder.Serves.GUN, at)
    if row is None:
        return None
    mass = cylinders.use_of_gun(row.gas, minutes / 60, GUN_PRESSURE_PA, row.gun_speed_l_s / 1000)
    return _book(row, GasUse.What.GUN, mass, cause, by, at)


@transaction.atomic
def _book(cylinder, what, mass, cause, by, at):
    Cylinder.objects.select_for_update(of=("self",)).get(pk=cylinder.pk)
    row, _ = GasUse.objects.get_or_create(
        cause=cause,
        defaults={
            "cylinder": cylinder, "what": what, "mass_kg": mass, "at": at,
            "recorded_at": timezone.now(), "by": by,
        },
    )  # fmt: skip
    return row
