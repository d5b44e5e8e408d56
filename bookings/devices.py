"""Where the devices of an instrument stand: computed from the entries of all its sessions.

DeviceState rows are copies beside the entries. `unknown` satisfies no condition; it comes after a
fault, a power cut, staff work or 12 h without a look, and only a look leaves it.
"""

from datetime import timedelta

from django.utils import timezone

from bookings import pump
from bookings.models import PumpDown
from facility import interlocks
from facility.errors import Refused
from facility.models import Chamber, DeviceState

UNLOOKED = timedelta(hours=12)  # own proposal: a shift and a half
UNKNOWN = "unknown"
READING_OLD = "reading_gets_old"  # the event of a sheet that the clock brings about
READING_ABOVE = "reading_above_threshold"  # the event that a typed pressure brings about

PUMP_EVENTS = {
    # what a change of a device means to the pump-down that runs in the introduction chamber
    ("pump_valve", "shut"): "isolated",
    ("pump_valve", "open"): "resumed",
    ("gate_valve", "open"): "gate_open",
}


def sheet_of(session):
    """The run sheet that this session runs, read from its document."""
    if session.sheet is None:
        raise Refused(f"{session.instrument} has no run sheet yet. Ask staff to publish one.")
    return interlocks.read(session.sheet.document)


def states_of(instrument, sheet, now=None):
    """Where each device stands now; the chamber's reading also gets old by the clock alone."""
    now = now or timezone.now()
    known = {row.device: row for row in DeviceState.objects.filter(instrument=instrument)}
    states = {}
    for device, possible in sheet.devices.items():
        row = known.get(device)
        stale = row is None or now - row.looked_at > UNLOOKED or row.state not in possible
        if stale:
            states[device] = UNKNOWN if UNKNOWN in possible else sheet.start[device]
        else:
            states[device] = row.state
    old = sheet.step_of.get(READING_OLD)
    if old and interlocks.holds(old.requires, states) and not _read_freshly(instrument, now):
        states |= old.sets
    return states


def _read_freshly(instrument, now):
    gauges = pump.gauges_of(instrument, Chamber.Kind.INTRODUCTION)
    newest = [row for row in pump.newest(gauges).values() if row is not None]
    return any(now - row.at <= pump.FRESH for row in newest)


def set_states(instrument, sets, entry, looked=()):
    """Bring the rows in line with an entry; a look refreshes a device without changing it.

    An entry that arrives late, such as from a tablet without a network, leaves alone what somebody
    did or saw after it happened.
    """
    moment = entry.happened_at
    _mark_pumpdown(instrument, sets, moment)
    rows = {row.device: row for row in DeviceState.objects.filter(instrument=instrument)}
    for device, state in sets.items():
        row = rows.get(device)
        if row and row.looked_at > moment:
            continue
        since = row.since if row and row.state == state else moment
        DeviceState.objects.update_or_create(
            instrument=instrument,
            device=device,
            defaults={"state": state, "since": since, "looked_at": moment, "entry": entry},
        )
    seen = [device for device in looked if device not in sets]
    DeviceState.objects.filter(instrument=instrument, device__in=seen, looked_at__lt=moment).update(
        looked_at=moment
    )


def doubt(instrument, sheet, entry, *, known):
    """What a late entry set is unknown where it cannot be so together with what was seen since.

    `known`: hazards that were reached when it happened; those were real.
    """
    there = interlocks.hazards_in(sheet, states_of(instrument, sheet))
    clash = {device for hazard in there if hazard.id not in known for device in hazard.when}
    DeviceState.objects.filter(instrument=instrument, device__in=clash, entry=entry).update(
        state=UNKNOWN
    )


def forget(instrument, entry):
    """Nothing is known any more: after a fault that touched devices, a power cut, staff work."""
    moment = entry.happened_at
    for row in DeviceState.objects.filter(instrument=instrument, looked_at__lte=moment):
        row.state, row.since, row.looked_at, row.entry = UNKNOWN, moment, moment, entry
        row.save(update_fields=["state", "since", "looked_at", "entry"])


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
