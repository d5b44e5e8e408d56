"""Verbs of a session: sign on, take a step, say what happened anyway, sign off.

Device state belongs to the instrument: it is computed from the entries of all its sessions, in
order of recording, and kept in DeviceState rows beside them.
"""

from datetime import timedelta

from django.db import transaction
from django.utils import timezone

from bookings import flag, gates, pump, readings
from bookings.models import Flag, Load, PumpDown, Session, SessionPart
from facility import access, interlocks, log
from facility.errors import Refused, SetAside
from facility.findings import STOP
from facility.models import Chamber, DeviceState, Instrument, Place
from samples import bench
from samples import mount as bench_verbs

UNLOOKED = timedelta(hours=12)  # after this long without a look a device's state is unknown


def states_of(instrument, sheet, now=None):
    """Where each device stands; `unknown` after 12 h without a look, the sheet's start at first."""
    now = now or timezone.now()
    known = {row.device: row for row in DeviceState.objects.filter(instrument=instrument)}
    states = {}
    for device, possible in sheet.devices.items():
        row = known.get(device)
        if row is None:
            states[device] = "unknown" if "unknown" in possible else sheet.start[device]
        elif now - row.looked_at > UNLOOKED and "unknown" in possible:
            states[device] = "unknown"
        else:
            states[device] = row.state if row.state in possible else sheet.start[device]
    return states


def sheet_of(session):
    """The run sheet that this session runs, read from its document."""
    if session.sheet is None:
        raise Refused(f"{session.instrument} has no run sheet yet. Ask staff to publish one.")
    return interlocks.read(session.sheet.document)


@transaction.atomic
def sign_on(*, instrument, by, booking=None, sent_id=None):
    """Open a session, or return the one that this person already has open on the instrument."""
    access.require(by, "session.open")
    instrument = Instrument.objects.select_for_update().get(pk=instrument.pk)
    standing = (
        Session.objects.open()
        .filter(instrument=instrument, parts__person=by, parts__until=None)
        .first()
    )
    if standing:
        return standing
    if not access.may(by, "session.operate", instrument):
        raise Refused(
            f"You have no standing qualification for {instrument}. Ask staff for a training, or "
            "sign on together with somebody who has one."
        )
    if instrument.word == Instrument.Word.DOWN:
        raise Refused(f"{instrument} is down: {instrument.word_why or 'ask staff'}.")
    now = timezone.now()
    session = Session.objects.create(
        instrument=instrument,
        sheet=instrument.sheet,
        booking=booking,
        log=log.open_log(kind="session", instrument=instrument, by=by),
        opened_at=now,
        sent_id=sent_id,
    )
    SessionPart.objects.create(session=session, person=by, since=now)
    log.write(
        log=session.log,
        kind="signed on",
        by=by,
        data={"session": session.pk, "sheet": instrument.sheet and instrument.sheet.version},
    )
    return session


@transaction.atomic
def join(*, session, by, part):
    """Take part in an open session: operate, train, be present, or follow from elsewhere."""
    if part not in SessionPart.Part.values:
        raise Refused("Say your part: operates, trains, present, or remote.")
    if session.closed_at:
        raise Refused("This session is closed. Open a new one.")
    row, new = SessionPart.objects.get_or_create(
        session=session, person=by, defaults={"part": part, "since": timezone.now()}
    )
    if new:
        log.write(log=session.log, kind="joined", by=by, data={"part": part})
    return row


def situation(session, by, states):
    """What the gates look at for this person now."""
    return gates.Situation(
        instrument=session.instrument,
        person=by,
        load=load_inside(session.instrument, Place.Kind.INTRODUCTION),
        states=states,
    )


def load_inside(instrument, *kinds):
    """The load whose holder is now in the introduction chamber, or in the places of these kinds."""
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


def current_step(session, sheet, states):
    """The id of the step to do next: the first one after the last that was taken.

    Steps of kind `step` come in the sheet's order; a look that a device waits for comes first.
    """
    waiting = next(
        (
            step
            for step in interlocks.possible(sheet, states)
            if step.kind == "look" and any(states[device] == "unknown" for device in step.sets)
        ),
        None,
    )
    if waiting:
        return waiting.id
    listed = [step.id for step in sheet.steps if step.kind == "step"]
    taken = session.instrument.last_step
    after = listed.index(taken) + 1 if taken in listed else 0
    order = listed[after:] + listed[:after]
    able = {step.id for step in interlocks.possible(sheet, states)}
    return next((step for step in order if step in able), order[0] if order else None)


def marks_of(document, step_id):
    """What a step of the sheet brings about beyond device states: load, pump, transfer, out ..."""
    row = next((row for row in document["steps"] if row["id"] == step_id), {})
    return row.get("marks", [])


@transaction.atomic
def take_step(*, session, by, step_id, holder=None, happened_at=None, sent_id=None):
    """Record a step that is possible now, with all that follows from it.

    Raises Refused where the sheet or a gate says no; what really happened all the same is
    recorded by `happened_anyway`.
    """
    instrument = Instrument.objects.select_for_update().get(pk=session.instrument_id)
    if sent_id and (before := log.repeated(sent_id=sent_id)):
        if (before.log_id, before.person_id) == (session.log_id, by.pk) and (
            log.contents(before).get("step") == step_id
        ):
            return before
        raise SetAside("The same step was sent before with another content or by another person.")
    if session.closed_at:
        raise Refused("This session is closed. Sign on again to go on.")
    sheet = sheet_of(session)
    step = sheet.step_of.get(step_id)
    if step is None:
        raise Refused(f"The run sheet of this session has no step {step_id}.")
    states = states_of(instrument, sheet)
    if why := interlocks.why_not(sheet, states, step):
        raise Refused(f"{step.words}: not possible now. {why}")
    for gate in gates.look(step.gates, situation(session, by, states)):
        if not gate.open:
            raise Refused(f"{step.words}: not yet, {gate.says}.")
    marks = marks_of(session.sheet.document, step_id)
    if "load" in marks:
        _refuse_unless_loadable(holder, instrument)
    data = {"step": step.id, "says": step.words, "sets": step.sets, "in_order": True}
    if holder is not None:
        data["holder"] = holder.code
    entry = log.write(
        log=session.log,
        kind="looked" if step.kind == "look" else "step",
        by=by,
        data=data,
        happened_at=happened_at,
        sent_id=sent_id,
    )
    _set_states(instrument, step.sets, entry, looked=tuple(step.requires))
    if step.kind == "step":
        instrument.last_step = step.id
        instrument.save(update_fields=["last_step"])
    _follow(marks, session=session, by=by, holder=holder, moment=entry.happened_at)
    return entry


def _refuse_unless_loadable(holder, instrument):
    if holder is None:
        raise Refused("Scan the holder that goes in.")
    if holder.quarantined_why:
        raise Refused(f"Holder {holder} is quarantined: {holder.quarantined_why}. Ask staff.")
    if Load.objects.inside().filter(holder=holder).exists():
        raise Refused(f"Holder {holder} is already in vacuum. Take it out first, in the log too.")
    is_open, says = gates.findings_answered(holder)
    if not is_open:
        raise Refused(f"{says} Clear this at the bench, or ask staff.")


@transaction.atomic
def happened_anyway(*, session, by, sets, sentence="", happened_at=None, sent_id=None):
    """Store what really happened, in the sheet's order or not: never refused, no blame.

    The entry names the hazards that the instrument is in now; each becomes a flag for staff.
    """
    instrument = Instrument.objects.select_for_update().get(pk=session.instrument_id)
    sheet = sheet_of(session)
    states = states_of(instrument, sheet)
    try:
        found = interlocks.happened(sheet, states, sets)
    except interlocks.SheetRefused as problem:
        raise Refused(str(problem)) from None
    entry = log.write(
        log=session.log,
        kind="happened anyway",
        by=by,
        data={
            "sets": sets,
            "in_order": False,
            "says": sentence,
            "hazards": [hazard.id for hazard in found.hazards],
        },
        happened_at=happened_at,
        sent_id=sent_id,
    )
    _set_states(instrument, sets, entry)
    for hazard in found.hazards:
        Flag.objects.get_or_create(
            key=f"hazard|{hazard.id}|{entry.pk}"[:120],
            defaults={
                "rule": "hazard",
                "severity": STOP,
                "says": f"{instrument}: {hazard.words}"[:300],
                "do": (
                    "Way back to rest: "
                    + (
                        ", then ".join(step.words for step in found.way_to_rest or ())
                        or "ask staff"
                    )
                )[:300],
                "source": hazard.why[:300],
                "evidence": {"entry": entry.pk, "session": session.pk},
                "instrument": instrument,
                "raised_at": timezone.now(),
            },
        )
    return entry


PUMP_EVENTS = {
    # what a change of a device means to the pump-down that runs in the introduction chamber
    ("pump_valve", "shut"): "isolated",
    ("pump_valve", "open"): "resumed",
    ("gate_valve", "open"): "gate_open",
}


def _mark_pumpdown(instrument, sets, moment):
    """Write on the running pump-down what a step does to it, such as lending its pump."""
    found = [PUMP_EVENTS[pair] for pair in sets.items() if pair in PUMP_EVENTS]
    if not found:
        return
    for running in PumpDown.objects.running().filter(
        chamber__instrument=instrument, chamber__kind=Chamber.Kind.INTRODUCTION
    ):
        at_s = (moment - running.started_at).total_seconds()
        if at_s > 0:
            running.events = [*running.events, *([at_s, event] for event in found)]
            running.save(update_fields=["events"])


def _set_states(instrument, sets, entry, looked=()):
    """Bring the computed rows in line with an entry; a look refreshes without changing."""
    _mark_pumpdown(instrument, sets, entry.happened_at)
    rows = {row.device: row for row in DeviceState.objects.filter(instrument=instrument)}
    for device, state in sets.items():
        row = rows.get(device)
        since = row.since if row and row.state == state else entry.happened_at
        DeviceState.objects.update_or_create(
            instrument=instrument,
            device=device,
            defaults={
                "state": state,
                "since": since,
                "looked_at": entry.recorded_at,
                "entry": entry,
            },
        )
    stale = [device for device in looked if device in rows and device not in sets]
    DeviceState.objects.filter(instrument=instrument, device__in=stale).update(
        looked_at=entry.recorded_at
    )


def _follow(marks, *, session, by, holder, moment):
    """What a step brings about: a load, a pump-down, a transfer, the way out."""
    instrument = session.instrument
    introduction = Chamber.objects.filter(instrument=instrument, kind="introduction").first()
    if "load" in marks:
        open_load(session=session, holder=holder, by=by, moment=moment)
    if "pump" in marks:
        load = load_inside(instrument, Place.Kind.INTRODUCTION)
        pump.start(chamber=introduction, by=by, load=load, started_at=moment)
    if "transfer" in marks and (load := load_inside(instrument, Place.Kind.INTRODUCTION)):
        for running in PumpDown.objects.running().filter(chamber=introduction):
            pump.end(pumpdown=running, by=by, why=PumpDown.Why.THRESHOLD, ended_at=moment)
        _move(load.holder, instrument, Place.Kind.STAGE, by, moment)
        load.transferred_at = moment
        load.save(update_fields=["transferred_at"])
        log.write(log=load.log, kind="transferred", by=by, data={}, happened_at=moment)
    if "back" in marks and (load := load_inside(instrument, Place.Kind.STAGE, Place.Kind.PARKING)):
        _move(load.holder, instrument, Place.Kind.INTRODUCTION, by, moment)
        log.write(log=load.log, kind="brought back", by=by, data={}, happened_at=moment)
    if "vent" in marks:
        for running in PumpDown.objects.running().filter(chamber=introduction):
            pump.end(pumpdown=running, by=by, why=PumpDown.Why.VENTED, ended_at=moment)
    if "out" in marks and (load := load_inside(instrument, Place.Kind.INTRODUCTION)):
        close_load(load=load, by=by, moment=moment)


def _move(holder, instrument, kind, by, moment):
    place = Place.objects.filter(instrument=instrument, kind=kind).first()
    if place:
        bench_verbs.move(holder=holder, place=place, by=by, moment=moment)


@transaction.atomic
def open_load(*, session, holder, by, moment):
    """The holder's stay in vacuum begins: its layout and answered flags are frozen in the log."""
    instrument = session.instrument
    mounts = bench.mounts_of(holder)
    layout = bench.layout_document(holder, mounts, instrument)
    load = Load.objects.create(
        instrument=instrument,
        holder=holder,
        session=session,
        log=log.open_log(kind="load", instrument=instrument, by=by, happened_at=moment),
        loaded_at=moment,
        loaded_by=by,
        layout=layout,
    )
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
                for row in Flag.objects.filter(holder=holder, mount__in=mounts).exclude(answer="")
            ],
        },
    )
    _move(holder, instrument, Place.Kind.INTRODUCTION, by, moment)
    return load


@transaction.atomic
def close_load(*, load, by, moment):
    """The holder is out: its log is sealed, and it stands on the bench."""
    load.taken_out_at = moment
    load.save(update_fields=["taken_out_at"])
    log.write(log=load.log, kind="taken out", by=by, data={"load": load.pk}, happened_at=moment)
    log.seal(
        log=load.log,
        by=by,
        data={"readings": _readings_sealed(load.instrument, load.loaded_at, moment)},
    )
    bench_place = Place.objects.filter(kind__in=[Place.Kind.BENCH, Place.Kind.RACK]).first()
    if bench_place:
        bench_verbs.move(holder=load.holder, place=bench_place, by=by, moment=moment)
    return load


def _readings_sealed(instrument, start, end):
    return readings.digests(pump.gauges_of(instrument), start, end)


@transaction.atomic
def note(*, session, by, text, happened_at=None, sent_id=None):
    """A person's own words in the session's log."""
    if not text.strip():
        raise Refused("Write the note first.")
    return log.write(
        log=session.log,
        kind="note",
        by=by,
        data={"says": text.strip()},
        happened_at=happened_at,
        sent_id=sent_id,
    )


@transaction.atomic
def report_fault(*, instrument, by, text, session=None, happened_at=None, sent_id=None):
    """Something is wrong with the instrument: noted, flagged, and its word set to `with care`."""
    if not text.strip():
        raise Refused("Say in a few words what is wrong.")
    instrument = Instrument.objects.select_for_update().get(pk=instrument.pk)
    entry = log.write(
        log=session.log if session else instrument.log,
        kind="fault",
        by=by,
        data={"says": text.strip()},
        happened_at=happened_at,
        sent_id=sent_id,
    )
    Flag.objects.get_or_create(
        key=f"fault|{entry.pk}",
        defaults={
            "rule": "fault",
            "severity": "staff",
            "says": f"{instrument}: {text.strip()}"[:300],
            "do": "Look at it, then answer here; set the instrument's word when it is usable again.",
            "source": "reported at the instrument",
            "evidence": {"entry": entry.pk},
            "instrument": instrument,
            "raised_at": timezone.now(),
        },
    )
    if instrument.word == Instrument.Word.USABLE:
        instrument.word, instrument.word_why = Instrument.Word.CAREFUL, text.strip()[:200]
        instrument.save(update_fields=["word", "word_why"])
    return entry


@transaction.atomic
def sign_off(*, session, by, handover="", sent_id=None):
    """Close the session with a word to the next person; never refused, a second press is the same."""
    session = Session.objects.select_for_update().get(pk=session.pk)
    if session.closed_at:
        return session
    now = timezone.now()
    log.write(
        log=session.log, kind="signed off", by=by, data={"handover": handover}, sent_id=sent_id
    )
    log.seal(
        log=session.log,
        by=by,
        data={"readings": _readings_sealed(session.instrument, session.opened_at, now)},
    )
    session.closed_at, session.handover = now, handover
    session.save(update_fields=["closed_at", "handover"])
    session.parts.filter(until=None).update(until=now)
    return session


def refresh_flags(holder):
    """Compute a holder's findings anew and bring its flags in line."""
    mounts = bench.mounts_of(holder)
    findings = bench.findings_of(holder, mounts)
    flag.raise_for_holder(holder=holder, mounts=mounts, findings=findings)
    return findings
