"""Verbs of a session as a whole: sign on, join, sign off."""

from django.db import transaction
from django.db.models import Exists, OuterRef
from django.utils import timezone

from bookings import chambers, flag, pump, readings, stores
from bookings.models import Session, SessionPart
from facility import access, log
from facility.errors import Refused
from facility.models import Entry, Instrument
from samples import bench


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
        last_step=instrument.last_step,
        sent_id=sent_id,
    )
    SessionPart.objects.create(session=session, person=by, since=now)
    log.write(
        log=session.log,
        kind="signed on",
        by=by,
        data={"session": session.pk, "sheet": instrument.sheet and instrument.sheet.version},
    )
    stores.after_sign_on(session, by=by)
    return session


@transaction.atomic
def join(*, session, by, part):
    """Take part in an open session: operate, train, be present, or follow from elsewhere."""
    if part not in SessionPart.Part.values:
        raise Refused("Say your part: operates, trains, present, or remote.")
    Instrument.objects.select_for_update().get(pk=session.instrument_id)
    session.refresh_from_db(fields=["closed_at"])
    if session.closed_at:
        raise Refused("This session is closed. Open a new one.")
    row, new = SessionPart.objects.get_or_create(
        session=session, person=by, defaults={"part": part, "since": timezone.now()}
    )
    if new:
        log.write(log=session.log, kind="joined", by=by, data={"part": part})
    return row


@transaction.atomic
def sign_off(*, session, by, handover="", sent_id=None):
    """Close the session with a word to the next person; never refused, a second press is the same."""
    Instrument.objects.select_for_update().get(pk=session.instrument_id)
    session = Session.objects.select_related("instrument", "log").get(pk=session.pk)
    if session.closed_at:
        return session
    handover = handover.replace("\x00", "␀")  # the log keeps no NUL, and this is never refused
    now = timezone.now()
    log.write(
        log=session.log, kind="signed off", by=by, data={"handover": handover}, sent_id=sent_id
    )
    log.seal(
        log=session.log,
        by=by,
        data={
            "readings": readings.digests(pump.gauges_of(session.instrument), session.opened_at, now)
        },
    )
    session.closed_at, session.handover = now, handover
    session.save(update_fields=["closed_at", "handover"])
    session.parts.filter(until=None).update(until=now)
    return session


def refresh_flags(holder):
    """Compute a holder's findings anew and bring its flags in line; positions stand for titles."""
    mounts = bench.mounts_of(holder)
    instrument = bench.instrument_for(holder)
    findings = bench.findings_of(
        holder,
        mounts,
        named=False,
        instrument=instrument,
        past=chambers.pasts_of(instrument),
    )
    flag.raise_for_holder(holder=holder, mounts=mounts, findings=findings)
    return findings


CLEAN_SESSIONS = 5  # after so many the sheet folds to its stations; own proposal


def knows_the_sheet(person, instrument):
    """Whether this person ran enough sessions here in which nothing happened out of order."""
    out_of_order = Entry.objects.filter(log=OuterRef("log"), kind="happened anyway")
    clean = (
        Session.objects.filter(instrument=instrument, parts__person=person)
        .exclude(closed_at=None)
        .exclude(Exists(out_of_order))
    )
    return clean[:CLEAN_SESSIONS].count() >= CLEAN_SESSIONS
