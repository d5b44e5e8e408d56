"""Verbs of a run sheet at the instrument: take a step, confirm looks, say what happened anyway."""

from django.db import transaction
from django.utils import timezone

from bookings import devices, gates, incident, inside, past, pump, stores
from bookings.models import Flag
from facility import interlocks, log
from facility.errors import Refused, SetAside
from facility.findings import STOP
from facility.models import Chamber, Instrument, Place

OFFERED = 2  # steps shown as possible beside the current one; the rest are one tap below
AHEAD = 24  # how far along the sheet the page looks for what is possible next


def situation(session, by, sheet, states, step=None):
    """What the gates look at for this person now."""
    return gates.Situation(
        instrument=session.instrument,
        person=by,
        load=inside.load_inside(session.instrument, Place.Kind.INTRODUCTION),
        measured=inside.load_inside(session.instrument, Place.Kind.STAGE),
        states=states,
        step=step,
    )


def row_of(document, step_id):
    """The step as its sheet's document writes it, with what the proof does not read."""
    return next((row for row in document["steps"] if row["id"] == step_id), {})


def marks_of(document, step_id):
    """What a step brings about beyond device states: load, pump, transfer, back, vent, out."""
    return row_of(document, step_id).get("marks", [])


def came_to_air(document, states, sets):
    """Whether devices that are told to stand so let the chamber up, as a vent step would.

    Told by a vent valve that opens or a chamber that stands at air, where a vent step of the sheet
    sets it so; a chamber that was at air before, or whose valve stood open, takes no second filling.
    """
    telling = {
        (device, state)
        for row in document["steps"]
        if "vent" in row.get("marks", [])
        for device, state in row.get("sets", {}).items()
        if state == "air" or "vent" in device
    }
    return bool(telling & (states | sets).items()) and not telling & states.items()


def after(session, sheet):
    """Steps of the sheet in its order, from the one after the last that this session took."""
    listed = [step for step in sheet.steps if step.kind == "step"]
    ids = [step.id for step in listed]
    start = ids.index(session.last_step) + 1 if session.last_step in ids else 0
    return listed[start:] + listed[:start]


def looks_due(sheet, states):
    """Looks that leave every unknown device, in an order in which each is possible.

    Of several looks at one device the one that finds it at rest comes first; what is found
    otherwise is not ticked.
    """
    found, after = [], dict(states)
    while True:
        able = [
            step
            for step in interlocks.possible(sheet, after)
            if step.kind == "look"
            and any(
                after[device] == devices.UNKNOWN != state for device, state in step.sets.items()
            )
        ]
        at_rest = [step for step in able if interlocks.holds(sheet.rest, sheet.start | step.sets)]
        if not able:
            return found
        found.append((at_rest or able)[0])
        after = interlocks.apply(sheet, after, found[-1])


def current_step(session, sheet, states):
    """The step to show: the next one of the sheet that is possible, else the next one at all."""
    order = after(session, sheet)
    able = {step.id for step in interlocks.possible(sheet, states)}
    return next((step for step in order if step.id in able), order[0] if order else None)


def _repeated(session, by, sent_id, step_id):
    """The entry that this id made before, None for a new one; SetAside for another content."""
    before = log.repeated(sent_id=sent_id) if sent_id else None
    if before is None:
        return None
    said = log.contents(before).get("step")
    if (before.log_id, before.person_id, said) == (session.log_id, by.pk, step_id):
        return before
    raise SetAside("The same step was sent before with another content or by another person.")


@transaction.atomic
def take_step(
    *,
    session,
    by,
    step_id,
    holder=None,
    values=None,
    happened_at=None,
    sent_id=None,
    offline=False,
    late=False,
):
    """Record a step that is possible now, with all that follows from it.

    Takes:  `values`, what the step asked for, by name; nothing of it is demanded. `offline`: the
            step was taken on a tablet without a network, so it happened whatever is so now.
            `late`: typed from paper; the sheet judges it by the devices as they stood then, and
            gates, which look at now, are left out.
    Raises: Refused where the sheet or a gate says no; what really happened all the same is
            recorded by `happened_anyway`.
    """
    instrument = Instrument.objects.select_for_update().get(pk=session.instrument_id)
    session.refresh_from_db()
    if before := _repeated(session, by, sent_id, step_id):
        return before
    sheet = devices.sheet_of(session)
    step = sheet.step_of.get(step_id)
    if step is None or step.kind == "event":
        raise Refused(f"The run sheet of this session has no step {step_id}.")
    offline = offline or late
    was = offline and happened_at is not None and past.is_past(instrument, happened_at)
    if was or late:
        states = past.states_at(instrument, sheet, happened_at)
        why = past.why_not(sheet, states, step)
    else:
        states = devices.states_of(instrument, sheet)
        why = _why_not(session, by, sheet, states, step)
    if why and not offline:
        raise Refused(f"{step.words} Not possible now. {why}")
    if session.closed_at and not offline:
        raise Refused("This session is closed. Sign on again to go on.")
    marks = marks_of(session.sheet.document, step_id)
    if "load" in marks and not offline:
        inside.refuse_unless_loadable(holder, by)
    data = {"step": step.id, "says": step.words, "sets": step.sets, "in_order": not why}
    if holder is not None:
        data["holder"] = holder.code
    if values := {name: text for name, text in (values or {}).items() if text.strip()}:
        data["values"] = values
    if why:
        data["hazards"] = [h.id for h in interlocks.hazards_in(sheet, states | step.sets)]
    if was and step.sets:
        data["devices_left"] = True
    entry = log.write(
        log=session.log,
        kind="looked" if step.kind == "look" else "step",
        by=by,
        data=data,
        happened_at=happened_at,
        sent_id=sent_id,
    )
    devices.set_states(instrument, step.sets, entry, looked=tuple(step.requires))
    if was:
        then = interlocks.hazards_in(sheet, states | step.sets)
        devices.doubt(instrument, sheet, entry, known=[hazard.id for hazard in then])
    if step.kind == "step":
        _note_last(session, instrument, step, entry, was)
    _write_asked_pressures(instrument, values, by, entry)
    follow = past.follow if offline else inside.follow
    follow(marks, session=session, by=by, holder=holder, moment=entry.happened_at)
    stores.after_step(marks, instrument=instrument, by=by, entry=entry)
    if why:
        _raise_hazards(instrument, sheet, states | step.sets, entry, was)
    return entry


def _note_last(session, instrument, step, entry, was):
    """Where session and instrument stand in the sheet; a late step leaves what came after it."""
    after = session.log.entries.filter(kind="step", happened_at__gt=entry.happened_at)
    if not (was and after.exists()):
        session.last_step = step.id
        session.save(update_fields=["last_step"])
    if not was:
        instrument.last_step = step.id
        instrument.save(update_fields=["last_step"])


def _why_not(session, by, sheet, states, step):
    """One sentence on why a step is not possible now, empty where it is."""
    if why := interlocks.why_not(sheet, states, step):
        return why
    now = situation(session, by, sheet, states, step)
    shut = next((gate for gate in gates.look(step.gates, now) if not gate.open), None)
    return f"Not yet: {shut.says}." if shut else ""


ASKED_CHAMBER = {"introduction pressure": "introduction", "main pressure": "main"}


def _write_asked_pressures(instrument, values, by, entry):
    """Pressures that a step asked for are readings of the gauge they belong to."""
    for name, text in (values or {}).items():
        if name == "gun pressure":
            gauge = pump.gun_gauge_of(instrument)
        elif name in ASKED_CHAMBER:
            gauge = next(iter(pump.gauges_of(instrument, ASKED_CHAMBER[name])), None)
        else:
            continue
        if gauge:
            pump.type_pressure(gauge=gauge, by=by, text=text, happened_at=entry.happened_at)


@transaction.atomic
def confirm_looks(*, session, by, step_ids, happened_at=None):
    """Several looks with one press, in the sheet's order; each is an entry of its own."""
    Instrument.objects.select_for_update().get(pk=session.instrument_id)
    sheet = devices.sheet_of(session)
    taken = []
    for _ in range(len(sheet.devices)):  # one look can make the next one possible
        states = devices.states_of(session.instrument, sheet)
        due = [step for step in looks_due(sheet, states) if step.id in step_ids]
        if not due:
            break
        taken.append(take_step(session=session, by=by, step_id=due[0].id, happened_at=happened_at))
    return taken


@transaction.atomic
def take_through(*, session, by, step_id, holder=None, values=None, sent_id=None):
    """Record every step of the sheet up to `step_id`, in order, each as an entry of its own.

    This is the fold for people who know the sheet; it stops with Refused at the first step that is
    not possible, and then nothing is recorded.
    """
    Instrument.objects.select_for_update().get(pk=session.instrument_id)
    session.refresh_from_db()
    if before := _repeated(session, by, sent_id, step_id):
        return before
    sheet = devices.sheet_of(session)
    for step in after(session, sheet):
        last = step.id == step_id
        if not last and is_so_already(step, devices.states_of(session.instrument, sheet)):
            continue
        entry = take_step(
            session=session,
            by=by,
            step_id=step.id,
            holder=holder if last or "load" in marks_of(session.sheet.document, step.id) else None,
            values=values if last else None,
            sent_id=sent_id if last else None,
        )
        if last:
            return entry
    raise Refused(f"The run sheet of this session has no step {step_id}.")


def harmful(session, sheet, states):
    """(step, hazard) of the next step of the sheet that would do damage now, or (None, None)."""
    there = interlocks.hazards_in(sheet, states)
    for step in after(session, sheet)[:AHEAD]:
        if step.sets and interlocks.why_not(sheet, states, step):
            reached = interlocks.hazards_in(sheet, interlocks.apply(sheet, states, step))
            new = next((hazard for hazard in reached if hazard not in there), None)
            if new is not None:
                return step, new
    return None, None


def is_so_already(step, states):
    """Whether a step would change nothing: a door that is found shut need not be unlatched."""
    return bool(step.sets) and all(states[device] == state for device, state in step.sets.items())


def stations(session, sheet):
    """The steps at which a folded sheet stops: those that ask, wait for a gate or mark something."""
    rows = {row["id"]: row for row in session.sheet.document["steps"]}
    return {
        step.id
        for step in sheet.steps
        if step.kind == "step" and (step.asks or step.gates or rows[step.id].get("marks"))
    }


@transaction.atomic
def after_reading(*, session, by, reading):
    """What a typed pressure of the introduction chamber says of the device `introduction`.

    Below the threshold the step that waited for it is taken; above it the sheet's own event is
    recorded. Nothing happens where the sheet has neither.
    """
    if reading.gauge.chamber.kind != Chamber.Kind.INTRODUCTION or reading.pressure_pa is None:
        return None
    instrument = Instrument.objects.select_for_update().get(pk=session.instrument_id)
    if session.sheet is None or session.closed_at:
        return None
    sheet = devices.sheet_of(session)
    states = devices.states_of(instrument, sheet)
    if reading.pressure_pa > instrument.threshold_pa:
        step = sheet.step_of.get(devices.READING_ABOVE)
        if step and interlocks.holds(step.requires, states):
            return _record_event(session, by, instrument, step, reading.at)
        return None
    step = current_step(session, sheet, states)
    waits = (
        step and "introduction pressure" in step.asks and "below_threshold_and_fresh" in step.gates
    )
    if waits and not _why_not(session, by, sheet, states, step):
        return take_step(session=session, by=by, step_id=step.id, happened_at=reading.at)
    return None


def _record_event(session, by, instrument, step, moment):
    entry = log.write(
        log=session.log,
        kind="event",
        by=by,
        data={"step": step.id, "says": step.words, "sets": step.sets, "in_order": True},
        happened_at=moment,
    )
    devices.set_states(instrument, step.sets, entry)
    return entry


@transaction.atomic
def happened_anyway(*, session, by, sets, sentence="", happened_at=None, sent_id=None):
    """Store what really happened, in the sheet's order or not: never refused, no blame.

    The entry names the hazards that the instrument is in now; each becomes a flag for staff.
    """
    instrument = Instrument.objects.select_for_update().get(pk=session.instrument_id)
    sheet = devices.sheet_of(session)
    was = happened_at is not None and past.is_past(instrument, happened_at)
    if was:
        states = past.states_at(instrument, sheet, happened_at)
    else:
        states = devices.states_of(instrument, sheet)
    try:
        found = interlocks.happened(sheet, states, sets)
    except interlocks.SheetRefused as problem:
        raise Refused(str(problem)) from None
    data = {
        "sets": sets,
        "in_order": False,
        "says": sentence,
        "hazards": [hazard.id for hazard in found.hazards],
    }
    if sent_id and (before := log.repeated(sent_id=sent_id)):
        said = log.contents(before)
        if (before.log_id, before.person_id, said.get("sets")) == (session.log_id, by.pk, sets):
            return before
        raise SetAside("The same happening was sent before with another content.")
    entry = log.write(
        log=session.log,
        kind="happened anyway",
        by=by,
        data=data,
        happened_at=happened_at,
        sent_id=sent_id,
    )
    devices.set_states(instrument, sets, entry)
    if came_to_air(session.sheet.document, states, sets):
        stores.after_step(["vent"], instrument=instrument, by=by, entry=entry)
    _raise_hazards(instrument, sheet, states | sets, entry, was)
    return entry


def _raise_hazards(instrument, sheet, states, entry, was=False):
    """A flag for each hazard that the instrument is in now, with the way back to rest.

    Together they open one incident.
    `was`: it was so at a past moment, and what somebody did or saw since stands.
    """
    if was:
        at = timezone.localtime(entry.happened_at)
        do = f"It was so on {at:%d %b, %H:%M}, told later. See whether anything was harmed."
    else:
        way = interlocks.way_to_rest(sheet, states)
        back = ", then ".join(step.words.rstrip(".") for step in way or ()) or "ask staff"
        do = f"Way back to rest: {back}"
    hazards = interlocks.hazards_in(sheet, states)
    incident.open_for_hazards(instrument=instrument, entry=entry, hazards=hazards, do=do)
    for hazard in hazards:
        Flag.objects.get_or_create(
            key=f"hazard|{hazard.id}|{entry.pk}"[:120],
            defaults={
                "rule": "hazard",
                "severity": STOP,
                "says": f"{instrument}: {hazard.words}"[:300],
                "do": do[:300],
                "source": hazard.why[:300],
                "evidence": {"entry": entry.pk},
                "instrument": instrument,
                "raised_at": timezone.now(),
            },
        )
