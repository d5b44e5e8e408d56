"""Verbs of a holder's stay in vacuum: it goes in, is transferred, comes back, is taken out."""

from django.db import transaction
from django.db.models import Exists, OuterRef

from bookings import gates, pump, readings
from bookings.models import Flag, Load, PumpDown
from facility import log
from facility.errors import Refused
from facility.models import Chamber, Place
from samples import bench
from samples import mount as bench_verbs
from samples.models import Mount, Whereabouts


def load_inside(instrument, *kinds):
    """The load whose holder is in the instrument, or in its places of these kinds."""
    return (
        Load.objects.inside()
        .filter(
            instrument=instrument,
            holder__whereabouts__until=None,
            holder__whereabouts__place__kind__in=kinds or Place.IN_VACUUM,
        )
        .select_related("holder__type", "log")
        .first()
    )


def refuse_unless_loadable(holder, reader):
    """Raise Refused where this holder must not go into vacuum now."""
    if holder is None:
        raise Refused("Scan the holder that goes in.")
    if holder.retired_at:
        raise Refused(f"Holder {holder} is retired. Take another one.")
    if holder.quarantined_why:
        raise Refused(f"Holder {holder} is quarantined: {holder.quarantined_why}. Ask staff.")
    if Load.objects.inside().filter(holder=holder).exists():
        raise Refused(f"Holder {holder} is already in vacuum. Take it out first, in the log too.")
    is_open, says = gates.findings_answered(holder, reader)
    if not is_open:
        raise Refused(f"{says}. Clear this at the bench, or ask staff.")


AT_HAND = 4  # holders offered as presses, so that nobody types with gloves on; own choice


def at_hand(person):
    """The holders that this person mounted samples on last and that are not in vacuum."""
    found = {}
    rows = Mount.objects.standing().filter(by=person).select_related("holder__type")
    inside = Whereabouts.objects.in_vacuum().filter(holder=OuterRef("holder"))
    for mount in rows.exclude(Exists(inside)).order_by("-since", "-pk")[:40]:
        found.setdefault(mount.holder_id, mount.holder)
    return [row for row in found.values() if not row.quarantined_why][:AT_HAND]


def follow(marks, *, session, by, holder, moment):
    """What a step brings about beyond device states, by the marks of the sheet's step."""
    instrument = session.instrument
    introduction = Chamber.objects.get(instrument=instrument, kind=Chamber.Kind.INTRODUCTION)
    if "load" in marks:
        open_load(session=session, holder=holder, by=by, moment=moment)
    if "pump" in marks:
        load = load_inside(instrument, Place.Kind.INTRODUCTION)
        pump.start(chamber=introduction, by=by, load=load, started_at=moment)
    if "transfer" in marks and (load := load_inside(instrument, Place.Kind.INTRODUCTION)):
        _end_pumpdowns(introduction, by, PumpDown.Why.THRESHOLD, moment)
        _move(load.holder, instrument, Place.Kind.STAGE, by, moment)
        load.transferred_at = moment
        load.save(update_fields=["transferred_at"])
        log.write(log=load.log, kind="transferred", by=by, data={}, happened_at=moment)
    if "back" in marks and (load := load_inside(instrument, Place.Kind.STAGE, Place.Kind.PARKING)):
        _end_pumpdowns(introduction, by, PumpDown.Why.THRESHOLD, moment)
        _move(load.holder, instrument, Place.Kind.INTRODUCTION, by, moment)
        log.write(log=load.log, kind="brought back", by=by, data={}, happened_at=moment)
    if "vent" in marks:
        _end_pumpdowns(introduction, by, PumpDown.Why.VENTED, moment)
    if "out" in marks and (load := load_inside(instrument, Place.Kind.INTRODUCTION)):
        close_load(load=load, by=by, moment=moment)


def _end_pumpdowns(chamber, by, why, moment):
    for running in PumpDown.objects.running().filter(chamber=chamber):
        pump.end(pumpdown=running, by=by, why=why, ended_at=moment)


def _move(holder, instrument, kind, by, moment):
    place = Place.objects.filter(instrument=instrument, kind=kind).first()
    if place:
        bench_verbs.move(holder=holder, place=place, by=by, moment=moment)


@transaction.atomic
def open_load(*, session, holder, by, moment):
    """The holder goes in: its stay in vacuum begins, and it stands in the introduction chamber."""
    load = begin_load(session=session, holder=holder, by=by, moment=moment)
    _move(holder, session.instrument, Place.Kind.INTRODUCTION, by, moment)
    return load


def begin_load(*, session, holder, by, moment, out=None):
    """A stay in vacuum begins: its layout and answered flags are frozen in the log.

    `out`: when it ended, of a stay that is told only afterwards.
    """
    instrument = session.instrument
    mounts = bench.mounts_of(holder, moment)
    layout = bench.layout_document(holder, mounts, instrument)
    load = Load.objects.create(
        instrument=instrument,
        holder=holder,
        session=session,
        log=log.open_log(kind="load", instrument=instrument, by=by, happened_at=moment),
        loaded_at=moment,
        loaded_by=by,
        layout=layout,
        taken_out_at=out,
    )
    answered = Flag.objects.filter(holder=holder, mount__in=mounts).exclude(answer="")
    log.write(
        log=load.log,
        kind="load opened",
        by=by,
        happened_at=moment,
        data={
            "load": load.pk,
            "session": session.pk,
            "holder": holder.code,
            "layout": layout,
            "samples": {f"p{mount.position}": mount.sample.code for mount in mounts},
            "answered": [
                {
                    "rule": row.rule,
                    "says": row.says,
                    "answer": row.answer,
                    "sentence": row.sentence,
                    "by": row.answered_by_id,
                }
                for row in answered
            ],
        },
    )
    return load


@transaction.atomic
def close_load(*, load, by, moment):
    """The holder is out: its log is sealed, and it stands on the bench."""
    end_load(load=load, by=by, moment=moment)
    if out := place_outside():
        bench_verbs.move(holder=load.holder, place=out, by=by, moment=moment)
    return load


def end_load(*, load, by, moment):
    """A stay in vacuum ends: its log holds when, and is sealed with the readings it covers."""
    load.taken_out_at = moment
    load.save(update_fields=["taken_out_at"])
    log.write(log=load.log, kind="taken out", by=by, data={"load": load.pk}, happened_at=moment)
    sealed = readings.digests(pump.gauges_of(load.instrument), load.loaded_at, moment)
    log.seal(log=load.log, by=by, data={"readings": sealed})


def place_outside():
    """Where a holder stands that came out: the bench, else the rack."""
    return (
        Place.objects.filter(kind=Place.Kind.BENCH).first()
        or Place.objects.filter(kind=Place.Kind.RACK).first()
    )
