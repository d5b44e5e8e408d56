"""What a step that comes in late still brings about: loads, places and pump-downs follow what
happened, in the order of happening; what somebody did or saw since stands.
"""

from datetime import timedelta

from django.db.models import Q

from bookings import inside, pump, stays
from bookings.models import Load, PumpDown, Session
from facility import interlocks, log
from facility.models import Chamber, DeviceState, Entry, Place
from samples.models import Holder, Whereabouts

WINDOW = timedelta(hours=12)  # as devices.UNLOOKED: what nobody looked at for so long is unknown
OF_DEVICES = ("step", "looked", "event", "happened anyway", "fault")
AT_AIR = {("introduction", "air"), ("door", "open"), ("vent_valve", "open")}
UNKNOWN = "unknown"


def is_past(instrument, moment):
    """Whether somebody did or saw something at a device after this moment."""
    return DeviceState.objects.filter(instrument=instrument, looked_at__gt=moment).exists()


def _entries(instrument, start, end=None):
    """Entries on devices between two moments, as they happened, with the sheet they were under.

    Sessions that had ended by `start` are left out; a few hours of entries, however old the log.
    """
    sessions = {
        row.log_id: row
        for row in Session.objects.filter(instrument=instrument)
        .filter(Q(closed_at=None) | Q(closed_at__gte=start))
        .select_related("sheet")
    }
    found = Entry.objects.filter(
        log__in=[*sessions, instrument.log_id], kind__in=OF_DEVICES, happened_at__gt=start
    )
    if end is not None:
        found = found.filter(happened_at__lte=end)
    return [(row, sessions.get(row.log_id)) for row in found.as_it_happened()]


def states_at(instrument, sheet, moment):
    """Where each device stood at a past moment, from the entries of the twelve hours before it."""
    states = dict.fromkeys(sheet.devices, UNKNOWN)
    for entry, _ in _entries(instrument, moment - WINDOW, moment):
        said = log.contents(entry)
        step = sheet.step_of.get(said.get("step"))
        if said.get("devices_unknown"):
            states = dict.fromkeys(sheet.devices, UNKNOWN)
        if step is not None and said.get("in_order"):
            seen = {device: of[0] for device, of in step.requires.items() if len(of) == 1}
            states |= {device: state for device, state in seen.items() if state != UNKNOWN}
        sets = said.get("sets") or {}
        states |= {device: state for device, state in sets.items() if device in states}
    return states


def why_not(sheet, states, step):
    """What spoke against a past step, judged by the devices that were known then."""
    known = {
        device: step.requires[device][0] if state == UNKNOWN and device in step.requires else state
        for device, state in states.items()
    }
    return interlocks.why_not(sheet, known, step) or ""


def happenings_after(instrument, moment):
    """Marked steps, and looks at a chamber at air, that happened after this moment."""
    found = []
    for entry, session in _entries(instrument, moment):
        said = log.contents(entry)
        marks = list(_marks(session, said.get("step")))
        if AT_AIR & set((said.get("sets") or {}).items()) and "vent" not in marks:
            marks.append("vent")
        if marks:
            holder = _holder(said) if "load" in marks else None
            found.append(stays.Happening(entry.happened_at, tuple(marks), holder))
    return found


def _holder(said):
    return Holder.objects.filter(code=said.get("holder", "")).select_related("type").first()


def _marks(session, step_id):
    if session is None or session.sheet is None or step_id is None:
        return []
    rows = session.sheet.document["steps"]
    return next((row.get("marks", []) for row in rows if row["id"] == step_id), [])


def follow(marks, *, session, by, holder, moment):
    """What a step of `moment` brings about, whatever was recorded since; never refused."""
    instrument = session.instrument
    later = happenings_after(instrument, moment)
    this = stays.Happening(moment, tuple(marks), holder if "load" in marks else None)
    _follow_holders(instrument, by, session, this, later)
    if set(marks) & set(stays.ENDS_PUMPING):
        _follow_pumping(instrument, by, this, later)


def _follow_pumping(instrument, by, this, later):
    """The pump-down that ran then ends; one that this step began ends with what came after."""
    chamber = Chamber.objects.get(instrument=instrument, kind=Chamber.Kind.INTRODUCTION)
    _, why = stays.pumping_ended([this])
    over = PumpDown.objects.filter(chamber=chamber, started_at__lt=this.at, learned_from=False)
    for row in over.filter(Q(ended_at=None) | Q(ended_at__gt=this.at)):
        pump.end_earlier(pumpdown=row, by=by, why=why, ended_at=this.at)
    if "pump" not in this.marks:
        return
    covered = PumpDown.objects.filter(chamber=chamber, started_at__lte=this.at)
    if covered.filter(Q(ended_at=None) | Q(ended_at__gt=this.at)).exists():
        return  # one that was learned from stands as it was judged
    until, why = stays.pumping_ended(later)
    if until is None and (newer := PumpDown.objects.running().filter(chamber=chamber).first()):
        until, why = newer.started_at, PumpDown.Why.VENTED
    pump.begin(
        chamber=chamber,
        by=by,
        load=_load_at(instrument, this.at),
        started_at=this.at,
        ended_at=until,
        ended_why=why,
    )


def _load_at(instrument, moment):
    """The load in the introduction chamber at a past moment."""
    there = (
        Whereabouts.objects.filter(
            place__instrument=instrument, place__kind=Place.Kind.INTRODUCTION, since__lte=moment
        )
        .filter(Q(until=None) | Q(until__gt=moment))
        .exclude(holder=None)
        .order_by("-since")
        .first()
    )
    if there is None:
        return None
    stays_of = Load.objects.filter(holder=there.holder_id, loaded_at__lte=moment)
    return stays_of.order_by("-loaded_at").select_related("log").first()


def _follow_holders(instrument, by, session, this, later):
    """Walk through what moved holders from this step on, and bring loads and places in line."""
    if not set(this.marks) & {"load", "transfer", "back", "out"}:
        return
    before = _inside_before(instrument, this.at)
    holders = {*before, *(one.holder for one in (this, *later) if one.holder)}
    seen = _seen_outside(instrument, holders, (this, *later))
    moves = stays.walk(before, [this, *later, *(_seen(row) for row in seen)])
    for holder in holders:
        of_holder = [move for move in moves if move.holder == holder]
        stood = [row for row in seen if row.holder == holder]
        _write_stay(instrument, by, session, holder, of_holder, this.at)
        _write_places(instrument, by, holder, of_holder, stood, this.at)


def _seen_outside(instrument, holders, happenings):
    """Rows since then that somebody wrote; those that a step brought about are found anew."""
    moments = {one.at for one in happenings}
    rows = Whereabouts.objects.filter(holder__in=holders, since__gt=min(moments))
    outside = rows.exclude(place__instrument=instrument, place__kind__in=Place.IN_VACUUM)
    found = outside.select_related("holder__type", "place", "by")
    return [row for row in found if row.since not in moments]


def _seen(row):
    return stays.Happening(row.since, ("seen",), row.holder)


def _inside_before(instrument, moment):
    """{holder: kind of place} in this instrument's vacuum at a moment, before what comes next."""
    rows = (
        Whereabouts.objects.filter(
            place__instrument=instrument, place__kind__in=Place.IN_VACUUM, since__lte=moment
        )
        .filter(Q(until=None) | Q(until__gt=moment))
        .exclude(holder=None)
        .select_related("holder__type", "place")
    )
    return {row.holder: row.place.kind for row in rows}


def _write_stay(instrument, by, session, holder, moves, start):
    """Loads and places of one holder as its moves say."""
    load, transferred = _stay_at(holder, start), False
    for number, move in enumerate(moves):
        out = next((later.at for later in moves[number:] if later.to == stays.OUT), None)
        if move.to == stays.INTRODUCTION and not (load and _lasts(load, move.at)):
            load, transferred = _load_from(session, instrument, holder, by, move.at, out), False
        elif load is not None and move.to == stays.STAGE and not transferred:
            transferred = True
            if load.transferred_at is None or start <= load.transferred_at != move.at:
                load.transferred_at = move.at
                load.save(update_fields=["transferred_at"])
                log.write(log=load.log, kind="transferred", by=by, data={}, happened_at=move.at)
        elif load is not None and move.to == stays.OUT and load.taken_out_at != move.at:
            inside.end_load(load=load, by=by, moment=move.at)


def _stay_at(holder, moment):
    """The holder's stay in vacuum that lasted at a moment, or None."""
    begun = Load.objects.filter(holder=holder, loaded_at__lte=moment).select_related("log")
    return begun.filter(Q(taken_out_at=None) | Q(taken_out_at__gt=moment)).first()


def _lasts(load, moment):
    return load.loaded_at <= moment and (load.taken_out_at is None or load.taken_out_at > moment)


def _load_from(session, instrument, holder, by, moment, out):
    """The stay that began then: one that stands already, or a new one, over at `out` if known."""
    told = Load.objects.filter(holder=holder, instrument=instrument, loaded_at__gte=moment)
    if out is not None:
        told = told.filter(loaded_at__lt=out)
    if standing := told.order_by("loaded_at").select_related("log").first():
        return standing  # somebody else told it in the meantime
    for other in Load.objects.inside().filter(holder=holder, loaded_at__lt=moment):
        inside.end_load(load=other, by=by, moment=moment)
    made = inside.begin_load(session=session, holder=holder, by=by, moment=moment, out=out)
    if out is not None:
        inside.end_load(load=made, by=by, moment=out)
    return made


def _write_places(instrument, by, holder, moves, seen, start):
    """The holder's whereabouts from `start` on; what somebody saw elsewhere stays as it is."""
    places = {
        row.kind: row
        for row in Place.objects.filter(instrument=instrument, kind__in=Place.IN_VACUUM)
    }
    rows = [(row.since, row.place, row.by) for row in seen]
    for move in moves:
        place = inside.place_outside() if move.to == stays.OUT else places.get(move.to)
        if place is not None and not move.seen:
            rows.append((move.at, place, by))
    rows.sort(key=lambda row: row[0])
    told = Whereabouts.objects.filter(holder=holder)
    told.filter(since__gt=start).delete()
    if rows and rows[0][0] == start:
        told.filter(since=start).delete()
    here = told.order_by("-since").select_related("place").first()
    for since, place, who in rows:
        if here is not None and here.place_id == place.pk:
            continue
        if here is not None:
            here.until = since
            here.save(update_fields=["until"])
        here = Whereabouts.objects.create(holder=holder, place=place, since=since, by=who)
    if here is not None and here.until:
        here.until = None
        here.save(update_fields=["until"])
