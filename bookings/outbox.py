"""What a tablet kept while it had no network, recorded once: stored, repeated, or set aside.

One bad item never blocks the queue. An item is what the page's own form would have posted: its
kind, its fields, its own id, the sign-on it was typed under and the tablet's clock.
"""

import json
import uuid
from datetime import UTC, datetime, timedelta

from django.db import InterfaceError, OperationalError, transaction
from django.utils import timezone
from django.utils.dateparse import parse_datetime

from bookings import inside, run, say, steps
from bookings.forms import StepForm
from bookings.models import Reading, Session
from facility import access, log
from facility.errors import Refused
from facility.models import Entry, Gauge, SignOn
from samples.models import Mount

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
                _record(item, sent_id, by, session, fields, _happened(item, raw, offset), raw)
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


def _record(item, sent_id, by, session, fields, moment, raw):
    """Hand an item to the verb of its kind; the names of fields are those of the page's forms."""
    kind = item.get("kind")
    common = {"session": session, "by": by, "happened_at": moment, "sent_id": sent_id}
    if kind == "pressure":
        _pressure(session, by, fields, moment, raw, sent_id)
    elif kind == "step":
        form = StepForm(fields)
        if not form.is_valid():
            raise _Aside(" ".join(s for rows in form.errors.values() for s in rows))
        steps.take_through(
            **common,
            before=form.before(),
            step_id=form.cleaned_data["step"],
            holder=form.cleaned_data["holder"],
            values=form.values(),
            offline=True,
        )
    elif kind == "anyway":
        device, _, state = fields.get("what", "").partition("=")
        steps.happened_anyway(**common, sets={device: state}, sentence=fields.get("sentence", ""))
    elif kind == "note":
        say.note(**common, text=fields.get("text", ""))
    elif kind == "fault":
        say.report_fault(
            **common,
            instrument=session.instrument,
            text=fields.get("text", ""),
            forget_devices=bool(fields.get("devices_unknown")),
        )
    elif kind == "setting":
        say.setting(**common, device=fields.get("device", ""), values=fields)
    elif kind == "measurement":
        say.measurement(
            **common,
            what=fields.get("what", ""),
            file=fields.get("file", ""),
            load=inside.load_inside(session.instrument),
            mount=Mount.objects.filter(pk=fields.get("mount") or None).first()
            if fields.get("mount", "").isdigit()
            else None,
        )
    elif kind == "left":
        until = _moment(fields.get("until"))
        if until is None:
            raise _Aside("It does not say until when something runs.")
        say.leave_running(
            **common, what=fields.get("what", ""), until=until, phone=fields.get("phone", "")
        )
    elif kind == "sign off":
        run.sign_off(session=session, by=by, handover=fields.get("handover", ""), sent_id=sent_id)
    else:
        raise _Aside(f"Nothing here records items of the kind {kind!r}.")


def _pressure(session, by, fields, moment, raw, sent_id):
    gauge = (
        Gauge.objects.select_related("chamber")
        .filter(code=fields.get("gauge", ""), chamber__instrument=session.instrument)
        .first()
    )
    if gauge is None:
        raise _Aside(f"{session.instrument} has no gauge {fields.get('gauge')!r}.")
    text = fields.get("pressure", "").strip()
    if not text:
        text = f"{fields.get('figure', '')}.{fields.get('tenth') or '0'}e{fields.get('power', '')}"
    steps.write_pressure(
        session=session,
        by=by,
        gauge=gauge,
        text=text,
        happened_at=moment,
        tablet_at=raw,
        sent_id=sent_id,
    )


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
