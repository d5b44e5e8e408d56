"""Verbs of a pressure typed in a session: it is stored, and the step that waited for it is taken."""

from django.db import transaction

from bookings import devices, gates, past, pump, steps
from facility import interlocks, log
from facility.models import Chamber, Instrument


@transaction.atomic
def write_pressure(*, session, by, gauge, text, happened_at=None, tablet_at=None, sent_id=None):
    """A pressure typed in a session, with what it says of the devices; the same id is stored once."""
    Instrument.objects.select_for_update().get(pk=session.instrument_id)
    reading = pump.type_pressure(
        gauge=gauge,
        by=by,
        text=text,
        happened_at=happened_at,
        tablet_at=tablet_at,
        sent_id=sent_id,
    )
    after_reading(session=session, by=by, reading=reading)
    return reading


@transaction.atomic
def after_reading(*, session, by, reading):
    """What a typed pressure of the introduction chamber says of the device `introduction`.

    A step that only waited for such a pressure is taken; above the threshold the sheet's own event
    is recorded. Nothing happens where the sheet has neither, or where somebody did or saw more
    since then.
    """
    if reading.gauge.chamber.kind != Chamber.Kind.INTRODUCTION or reading.pressure_pa is None:
        return None
    instrument = Instrument.objects.select_for_update().get(pk=session.instrument_id)
    session.refresh_from_db(fields=["closed_at", "last_step"])
    if session.sheet is None or session.closed_at or past.is_past(instrument, reading.at):
        return None
    sheet = devices.sheet_of(session)
    states = devices.states_of(instrument, sheet, reading.at)
    step, moment = steps.current_step(session, sheet, states), reading.at
    waits = step is not None and waits_for_pressure(step)
    if waits and not steps.why_not(session, by, sheet, states, step, moment):
        return steps.take_step(session=session, by=by, step_id=step.id, happened_at=moment)
    above = sheet.step_of.get(devices.READING_ABOVE)
    is_above = above is not None and reading.pressure_pa > instrument.threshold_pa
    if is_above and interlocks.holds(above.requires, states):
        return _record_event(session, by, instrument, above, moment)
    return None


def waits_for_pressure(step):
    """Whether a step is done once a pressure of the introduction chamber opens its gates."""
    return "introduction pressure" in step.asks and bool(gates.OPENED_BY_PRESSURE & set(step.gates))


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
