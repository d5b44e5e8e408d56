"""Verbs of a session that change no device: notes, settings, photographs, measurements, faults."""

from django.db import transaction
from django.utils import timezone

from bookings import devices, stores
from bookings.models import Fault, Flag, LeftRunning, Measurement, Session
from facility import log
from facility.errors import Refused
from facility.models import Instrument

SETTINGS = {
    # what is written down when a source is set: field, label, unit
    "X-ray source": [("power", "Power", "W"), ("voltage", "Voltage", "kV"), ("line", "Line", "")],
    "neutraliser": [("energy", "Energy", "eV"), ("current", "Current", "µA")],
    "ion gun": [
        ("energy", "Energy", "keV"),
        ("current", "Current", "µA"),
        ("raster", "Raster", "mm"),
        ("minutes", "Time", "min"),
        ("gun_pressure", "Argon on the gun's gauge", ""),
        ("main_pressure", "Argon on the main chamber's gauge", ""),
    ],
    "analyser": [("pass_energy", "Pass energy", "eV"), ("aperture", "Aperture or spot", "µm")],
    "stage": [("z", "Height Z", "mm"), ("tilt", "Tilt", "°"), ("temperature", "Temperature", "°C")],
}


@transaction.atomic
def note(*, session, by, text, happened_at=None, sent_id=None):
    """A person's own words in the session's log; in a closed session a late entry."""
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
def setting(*, session, by, device, values, happened_at=None, sent_id=None):
    """What a source, gun, analyser or stage was set to."""
    if device not in SETTINGS:
        raise Refused(f"Settings are kept for {', '.join(SETTINGS)}; {device!r} is none of them.")
    known = {name for name, _, _ in SETTINGS[device]}
    values = {name: text.strip() for name, text in values.items() if name in known and text.strip()}
    if not values:
        raise Refused(f"Write at least one setting of the {device}.")
    entry = log.write(
        log=session.log,
        kind="setting",
        by=by,
        data={"device": device, "values": values},
        happened_at=happened_at,
        sent_id=sent_id,
    )
    stores.after_setting(device, values, instrument=session.instrument, by=by, entry=entry)
    return entry


@transaction.atomic
def photograph(*, session, by, photo, says="", happened_at=None, sent_id=None):
    """A photograph in the session's log, by its digest."""
    return log.write(
        log=session.log,
        kind="photograph",
        by=by,
        data={"photo": photo.digest, "says": says.strip()},
        happened_at=happened_at,
        sent_id=sent_id,
    )


@transaction.atomic
def measurement(
    *, session, by, what, load=None, mount=None, file="", happened_at=None, sent_id=None
):
    """A measurement of one position, or of the holder as a whole."""
    if not what.strip():
        raise Refused("Say what was measured, such as: survey, Cu 2p.")
    entry = log.write(
        log=session.log,
        kind="measured",
        by=by,
        data={
            "what": what.strip(),
            "load": load and load.pk,
            "position": mount and mount.position,
            "sample": mount and mount.sample.code,
            "file": file.strip(),
        },
        happened_at=happened_at,
        sent_id=sent_id,
    )
    row, _ = Measurement.objects.get_or_create(
        entry=entry,
        defaults={
            "session": session,
            "load": load,
            "mount": mount,
            "at": entry.happened_at,
            "what": what.strip()[:120],
            "file": file.strip()[:200],
        },
    )
    return row


@transaction.atomic
def report_fault(
    *, instrument, by, text, session=None, forget_devices=False, happened_at=None, sent_id=None
):
    """Something is wrong with the instrument: it gets a number, a clock, a flag; staff see it.

    The instrument's word becomes `with care`; with `forget_devices` every device is unknown until
    somebody looks.
    """
    if not text.strip():
        raise Refused("Say in a few words what is wrong.")
    instrument = Instrument.objects.select_for_update().get(pk=instrument.pk)
    entry = log.write(
        log=session.log if session else instrument.log,
        kind="fault",
        by=by,
        data={"says": text.strip(), "devices_unknown": forget_devices},
        happened_at=happened_at,
        sent_id=sent_id,
    )
    row, new = Fault.objects.get_or_create(
        entry=entry,
        defaults={
            "instrument": instrument,
            "session": session,
            "says": text.strip()[:1000],
            "began_at": entry.happened_at,
            "by": by,
        },
    )
    if not new:
        return row
    Flag.objects.create(
        key=f"fault|{row.pk}",
        rule="fault",
        severity="staff",
        says=f"{instrument}, fault {row.pk}: {text.strip()}"[:300],
        do="Look at it, then answer here; end the fault when the instrument works again.",
        source="reported at the instrument",
        evidence={"entry": entry.pk, "fault": row.pk},
        instrument=instrument,
        raised_at=timezone.now(),
    )
    if forget_devices:
        devices.forget(instrument, entry)
    if instrument.word == Instrument.Word.USABLE:
        instrument.word, instrument.word_why = Instrument.Word.CAREFUL, text.strip()[:200]
        instrument.save(update_fields=["word", "word_why"])
    return row


@transaction.atomic
def report_fault_here(*, instrument, by, text, forget_devices=False, sent_id=None):
    """A fault reported from outside a session; in the reporter's own open session there it counts.

    Sent again after that session ended, it is still the same fault.
    """
    before = sent_id and log.repeated(sent_id=sent_id)
    if before:
        session = Session.objects.filter(log=before.log_id).first()
    else:
        own = Session.objects.open().with_person(by)
        session = own.filter(instrument=instrument).first()
    return report_fault(
        instrument=instrument,
        by=by,
        text=text,
        session=session,
        forget_devices=forget_devices,
        sent_id=sent_id,
    )


@transaction.atomic
def end_fault(*, fault, by, sentence="", ended_at=None):
    """The instrument works again; the word goes back to usable when no other fault is open."""
    instrument = Instrument.objects.select_for_update().get(pk=fault.instrument_id)
    fault = Fault.objects.get(pk=fault.pk)
    if fault.ended_at:
        return fault
    fault.ended_at = max(ended_at or timezone.now(), fault.began_at)
    fault.ended_by = by
    fault.save(update_fields=["ended_at", "ended_by"])
    log.write(
        log=instrument.log,
        kind="fault ended",
        by=by,
        data={"fault": fault.pk, "says": sentence.strip().replace("\x00", "␀")},
        happened_at=fault.ended_at,
    )
    still = Fault.objects.open().filter(instrument=instrument).exists()
    if instrument.word == Instrument.Word.CAREFUL and not still:
        instrument.word, instrument.word_why = Instrument.Word.USABLE, ""
        instrument.save(update_fields=["word", "word_why"])
    return fault


@transaction.atomic
def leave_running(*, session, by, what, until, phone, happened_at=None, sent_id=None):
    """A mark for everyone who passes: what goes on, until when, whom to phone."""
    if not (what.strip() and phone.strip()):
        raise Refused("Say what goes on and whom to phone.")
    now = timezone.now()
    if until <= (happened_at or now):
        raise Refused("Say until when it runs; that must be later than now.")
    entry = log.write(
        log=session.log,
        kind="left running",
        by=by,
        data={"says": what.strip(), "until": until, "phone": phone.strip()},
        happened_at=happened_at,
        sent_id=sent_id,
    )
    row, _ = LeftRunning.objects.get_or_create(
        session=session,
        since=entry.happened_at,
        defaults={
            "what": what.strip()[:200],
            "until": until,
            "phone": phone.strip()[:80],
            "by": by,
        },
    )
    return row
