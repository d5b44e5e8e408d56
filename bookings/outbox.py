"""What a tablet kept while it had no network, recorded once: stored, repeated, or set aside.

One bad item never blocks the queue. An item is what the page's own form would have posted: its
kind, its fields, its own id, the sign-on it was typed under and the tablet's clock.
"""

import json
import logging
import uuid
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

from django.db import InterfaceError, OperationalError, transaction
from django.utils import timezone
from django.utils.dateparse import parse_datetime

from bookings import awaited, inside, run, say, steps
from bookings.forms import StepForm
from bookings.models import Reading, Session
from facility import access, log
from facility.errors import Refused
from facility.models import Entry, Gauge, SignOn
from samples.models import Mount

logger = logging.getLogger(__name__)

MOST_ITEMS = 200
MOST_CHARACTERS = 10_000  # of one item
AHEAD = timedelta(minutes=2)  # a moment later than this after now is the tablet's clock being wrong

STORED, REPEATED, SET_ASIDE = "stored", "repeated", "set aside"


class _Aside(Exception):
    """Why an item cannot be recorded as it is."""


def receive(*, items, clock, tablet=None, person=None):
    """Record a tablet's items in their order.

    Takes:   items, a list of objects; clock, the tablet's own time now; the tablet that proved
             itself by its token, or the person signed on in this browser.
    Returns: a list of {"id", "status", "why"}, one an item.
    """
    offset = offset_of(clock)
    return [
        {
            "id": str(item.get("id", "")) if isinstance(item, dict) else "",
            **_answer(item, offset, tablet, person),
        }
        for item in items
    ]


def offset_of(clock):
    """Server minus tablet, or None where the tablet gave no readable time."""
    moment = _moment(clock)
    return timezone.now() - moment if moment else None


def _moment(text):
    """An aware moment from RFC 3339, or None."""
    try:
        moment = parse_datetime(text) if isinstance(text, str) else None
    except ValueError:
        return None
    if moment is None:
        return None
    return moment if moment.tzinfo else moment.replace(tzinfo=UTC)


def _answer(item, offset, tablet, person):
    """One item's fate; whatever goes wrong, it is kept."""
    by = person
    try:
        sent_id, by, session, fields = _read(item, tablet, person)
        before = _stands(sent_id)
        raw = _moment(item.get("at"))
        token = log.tablet_clock.set(log.stamp(raw) if raw else "")
        try:
            with transaction.atomic():
                moment = _happened(item, raw, offset)
                _record(item.get("kind"), _Sent(session, by, fields, sent_id, moment, raw))
                if session.closed_at:
                    log.seal(log=session.log, by=by)
        finally:
            log.tablet_clock.reset(token)
        return {"status": REPEATED if before else STORED, "why": ""}
    except (_Aside, Refused) as reason:
        return _set_aside(item, by, tablet, str(reason))
    except (OperationalError, InterfaceError):
        raise  # the database is away: the tablet keeps everything and sends it again
    except Exception as problem:
        # a poisonous item must not block the ones behind it; staff see it word for word
        logger.exception("an item of an outbox could not be recorded")
        return _set_aside(item, by, tablet, f"It could not be recorded: {type(problem).__name__}.")


def _stands(sent_id):
    return (
        Entry.objects.filter(sent_id=sent_id).exists()
        or Reading.objects.filter(sent_id=sent_id).exists()
    )


def _set_aside(item, by, tablet, reason):
    author = by or (tablet.paired_by if tablet else None)
    text = item if isinstance(item, str) else json.dumps(item, ensure_ascii=False, default=str)
    sent_id = _uuid(item.get("id") if isinstance(item, dict) else None) or uuid.uuid5(
        uuid.NAMESPACE_OID, text
    )
    log.keep(sent_id=sent_id, by=author, text=text[:MOST_CHARACTERS], reason=reason)
    return {"status": SET_ASIDE, "why": reason}


def _uuid(text):
    try:
        return uuid.UUID(str(text))
    except ValueError:
        return None


def _read(item, tablet, person):
    """(sent id, author, session, fields) of an item, or _Aside."""
    if not isinstance(item, dict) or not isinstance(item.get("fields"), dict):
        raise _Aside("This is no item of an outbox.")
    if len(json.dumps(item)) > MOST_CHARACTERS:
        raise _Aside("This item is longer than a page of text.")
    sent_id = _uuid(item.get("id"))
    if sent_id is None:
        raise _Aside("The item has no id of its own.")
    sign_on = SignOn.objects.select_related("person").filter(pk=_uuid(item.get("sign_on"))).first()
    if sign_on is None:
        raise _Aside("Nobody knows under whose sign-on this was typed.")
    known_here = sign_on.tablet_id == tablet.pk if tablet else sign_on.person_id == person.pk
    if not known_here and not (tablet and sign_on.tablet_id is None):
        raise _Aside("It was typed under a sign-on of another browser.")
    session = (
        Session.objects.select_related("instrument__log", "sheet", "log")
        .filter(pk=item.get("session") if str(item.get("session")).isdigit() else None)
        .first()
    )
    if session is None or (tablet and session.instrument_id != tablet.instrument_id):
        raise _Aside("The session it belongs to is not one of this instrument.")
    author = sign_on.person
    takes_part = session.parts.filter(person=author).exists()
    if not takes_part and not access.may(author, "flag.answer"):
        raise _Aside(f"{author} does not take part in that session.")
    fields = {str(name): str(text) for name, text in item["fields"].items()}
    return sent_id, author, session, fields


def _happened(item, raw, offset):
    """When it happened: the tablet's clock, corrected by the offset last measured, never later than now."""
    now = timezone.now()
    if raw is None:
        return now
    given = item.get("offset_ms")
    if isinstance(given, (int, float)) and abs(given) < 1e12:
        moment = raw + timedelta(milliseconds=given)
    else:
        moment = raw + (offset or timedelta())
    return now if moment > now + AHEAD else min(moment, now)


@dataclass(frozen=True)
class _Sent:
    """An item as its verb needs it; the names of its fields are those of the page's forms."""

    session: object
    by: object
    fields: dict
    sent_id: uuid.UUID
    moment: datetime
    raw: datetime | None

    def field(self, name):
        return self.fields.get(name, "")

    @property
    def common(self):
        """What every verb takes."""
        return {
            "session": self.session,
            "by": self.by,
            "happened_at": self.moment,
            "sent_id": self.sent_id,
        }


def _pressure(sent):
    instrument = sent.session.instrument
    gauges = Gauge.objects.select_related("chamber").filter(chamber__instrument=instrument)
    gauge = gauges.filter(code=sent.field("gauge")).first()
    if gauge is None:
        raise _Aside(f"{instrument} has no gauge {sent.field('gauge')!r}.")
    text = sent.field("pressure").strip()
    if not text:
        text = f"{sent.field('figure')}.{sent.field('tenth') or '0'}e{sent.field('power')}"
    awaited.write_pressure(**sent.common, gauge=gauge, text=text, tablet_at=sent.raw)


def _step(sent):
    form = StepForm(sent.fields)
    if not form.is_valid():
        raise _Aside(" ".join(text for row in form.errors.values() for text in row))
    steps.take_through(
        **sent.common,
        before=form.before(),
        step_id=form.cleaned_data["step"],
        holder=form.cleaned_data["holder"],
        values=form.values(),
        offline=True,
    )


def _anyway(sent):
    device, _, state = sent.field("what").partition("=")
    steps.happened_anyway(**sent.common, sets={device: state}, sentence=sent.field("sentence"))


def _note(sent):
    say.note(**sent.common, text=sent.field("text"))


def _fault(sent):
    say.report_fault(
        **sent.common,
        instrument=sent.session.instrument,
        text=sent.field("text"),
        forget_devices=bool(sent.field("devices_unknown")),
    )


def _setting(sent):
    say.setting(**sent.common, device=sent.field("device"), values=sent.fields)


def _measurement(sent):
    chosen = sent.field("mount")
    say.measurement(
        **sent.common,
        what=sent.field("what"),
        file=sent.field("file"),
        load=inside.load_inside(sent.session.instrument),
        mount=Mount.objects.filter(pk=chosen).first() if chosen.isdigit() else None,
    )


def _left(sent):
    until = _moment(sent.field("until"))
    if until is None:
        raise _Aside("It does not say until when something runs.")
    say.leave_running(
        **sent.common, what=sent.field("what"), until=until, phone=sent.field("phone")
    )


def _sign_off(sent):
    run.sign_off(
        session=sent.session, by=sent.by, handover=sent.field("handover"), sent_id=sent.sent_id
    )


RECORDS = {
    "pressure": _pressure,
    "step": _step,
    "anyway": _anyway,
    "note": _note,
    "fault": _fault,
    "setting": _setting,
    "measurement": _measurement,
    "left": _left,
    "sign off": _sign_off,
}


def _record(kind, sent):
    """Hand an item to the verb of its kind."""
    if not isinstance(kind, str) or kind not in RECORDS:
        raise _Aside(f"Nothing here records items of the kind {kind!r}.")
    RECORDS[kind](sent)


def parse(body):
    """(items, clock) from the body of a post, or Refused with a sentence."""
    try:
        document = json.loads(body)
    except (ValueError, RecursionError):
        raise Refused("The body is not JSON.") from None
    items = document.get("items") if isinstance(document, dict) else None
    if not isinstance(items, list):
        raise Refused('The body has no list "items".')
    if len(items) > MOST_ITEMS:
        raise Refused(f"{len(items)} items at once; at most {MOST_ITEMS} are taken.")
    return items, document.get("clock")


def now_text():
    """The server's clock for the tablet to compare with."""
    return log.stamp(datetime.now(UTC))
