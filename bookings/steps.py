"""Verbs of a run sheet at the instrument: take a step, confirm looks, say what happened anyway."""

from django.db import transaction
from django.utils import timezone

from bookings import devices, gates, incident, inside, past, pump, stores
from bookings.models import Flag
from facility import interlocks, log
from facility.errors import Refused, SetAside
from facility.findings import STOP
from facility.models import Instrument, Place

OFFERED = 2  # steps shown as possible beside the current one; the rest are one tap below
AHEAD = 24  # how far along the sheet the page looks for what is possible next


def situation(session, by, states, step=None, at=None):
    """What the gates look at for this person now, or with the pressures of a past moment."""
    return gates.Situation(
        instrument=session.instrument,
        person=by,
        load=inside.load_inside(session.instrument, Place.Kind.INTRODUCTION),
        measured=inside.load_inside(session.instrument, Place.Kind.STAGE),
        states=states,
        step=step,
        at=at or timezone.now(),
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


def looks_come_first(session, sheet, states):
    """Whether the looks that are due are what to do now: at the start of a session, and where the
    step wanted next asks for a device that nobody knows."""
    if not session.log.entries.filter(kind="step").exists():
        return True
    wanted = next((row for row in after(session, sheet) if not is_so_already(row, states)), None)
    return wanted is not None and any(
        states[device] == devices.UNKNOWN for device in wanted.requires
    )


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
            gates are left out. Otherwise both are judged as of `happened_at`, where it is given.
    Raises: Refused where the sheet or a gate says no; what really happened all the same is
            recorded by `happened_anyway`.
    """
    instrument = Instrument.objects.select_for_update().get(pk=session.instrument_id)
    session.refresh_from_db(fields=["closed_at", "last_step"])
    if before := _repeated(session, by, sent_id, step_id):
        return before
    sheet = devices.sheet_of(session)
    step = sheet.step_of.get(step_id)
    if step is None or step.kind == "event":
        raise Refused(f"The run sheet of this session has no step {step_id}.")
    offline = offline or late
    marks = marks_of(session.sheet.document, step_id)
    was = offline and happened_at is not None and past.is_past(instrument, happened_at)
    if was or late:
        states = past.states_at(instrument, sheet, happened_at)
        why = past.why_not(sheet, states, step)
    else:
        states = devices.states_of(instrument, sheet, happened_at)
        why = why_not(session, by, sheet, states, step, happened_at)
    if not offline:
        _refuse(session, by, step, why, marks, holder)
    elif _said_again(session, step, states):
        why = ""
    values = {name: text for name, text in (values or {}).items() if text.strip()}
    reached = interlocks.hazards_in(sheet, states | step.sets)
    entry = log.write(
        log=session.log,
        kind="looked" if step.kind == "look" else "step",
        by=by,
        data=_said(step, holder, values, [hazard.id for hazard in reached] if why else None, was),
        happened_at=happened_at,
        sent_id=sent_id,
    )
    devices.set_states(instrument, step.sets, entry, looked=tuple(step.requires))
    if was:
        devices.doubt(instrument, sheet, entry, known=[hazard.id for hazard in reached])
    if step.kind == "step":
        _note_last(session, instrument, step, entry, was)
    _write_asked_pressures(instrument, values, by, entry)
    follow = past.follow if offline else inside.follow
    follow(marks, session=session, by=by, holder=holder, moment=entry.happened_at)
    stores.after_step(marks, instrument=instrument, by=by, entry=entry)
    if why:
        _raise_hazards(instrument, sheet, states | step.sets, entry, was)
    return entry


def _refuse(session, by, step, why, marks, holder):
    """Raise Refused where a step cannot be taken now, with the sentence on why."""
    if why:
        raise Refused(f"{step.words} Not possible now. {why}")
    if session.closed_at:
        raise Refused("This session is closed. Sign on again to go on.")
    if "load" in marks:
        inside.refuse_unless_loadable(holder, by)


def _said(step, holder, values, hazards, was):
    """What the entry of a step holds; `hazards` is None where it was in the sheet's order."""
    data = {
        "step": step.id,
        "says": step.words,
        "sets": step.sets,
        "in_order": hazards is None,
        "holder": holder and holder.code,
        "values": values,
        "hazards": hazards,
        "devices_left": was and bool(step.sets),
    }
    always = ("step", "says", "sets", "in_order")
    return {key: kept for key, kept in data.items() if key in always or kept or kept == []}


def _said_again(session, step, states):
    """Whether a tablet only repeats what is so: a second look, a step that its pressure took."""
    return is_so_already(step, states) and (step.kind == "look" or session.last_step == step.id)


def _note_last(session, instrument, step, entry, was):
    """Where session and instrument stand in the sheet; a late step leaves what came after it."""
    after = session.log.entries.filter(kind="step", happened_at__gt=entry.happened_at)
    if not (was and after.exists()):
        session.last_step = step.id
        session.save(update_fields=["last_step"])
    if not was:
        instrument.last_step = step.id
        instrument.save(update_fields=["last_step"])


def why_not(session, by, sheet, states, step, at=None):
    """One sentence on why a step is not possible at a moment, empty where it is."""
    if why := interlocks.why_not(sheet, states, step):
        return why
    now = situation(session, by, states, step, at)
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
def confirm_looks(*, session, by, step_ids, sent_ids=None):
    """Several looks with one press, in the sheet's order; each is an entry of its own.

    Takes: `sent_ids`, the id that each look was sent with, by the look's step id.
    """
    Instrument.objects.select_for_update().get(pk=session.instrument_id)
    sheet = devices.sheet_of(session)
    sent_ids = sent_ids or {}
    taken = []
    for _ in range(len(sheet.devices)):  # one look can make the next one possible
        states = devices.states_of(session.instrument, sheet)
        due = [step for step in looks_due(sheet, states) if step.id in step_ids]
        if not due:
            break
        look = due[0].id
        taken.append(take_step(session=session, by=by, step_id=look, sent_id=sent_ids.get(look)))
    return taken


@transaction.atomic
def take_through(*, session, by, before, step_id, holder=None, values=None, sent_id=None, **how):
    """Record the steps `before` this one, in their order, and it, each as an entry of its own.

    This is the fold for people who know the sheet: the page says which steps it stands for, so
    that a second press takes no others. It stops with Refused at the first that is not possible,
    and then nothing is recorded.
    Takes: `how`, the words of `take_step` for a tablet without a network: happened_at, offline.
    """
    Instrument.objects.select_for_update().get(pk=session.instrument_id)
    if taken := _repeated(session, by, sent_id, step_id):
        return taken
    sheet, document = devices.sheet_of(session), session.sheet.document
    for name in before:
        step = sheet.step_of.get(name)
        if step and is_so_already(step, devices.states_of(session.instrument, sheet)):
            continue
        here = holder if "load" in marks_of(document, name) else None
        take_step(session=session, by=by, step_id=name, holder=here, **how)
    return take_step(
        session=session,
        by=by,
        step_id=step_id,
        holder=holder,
        values=values,
        sent_id=sent_id,
        **how,
    )


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
