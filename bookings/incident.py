"""Verbs of incidents: report, change, follow up, close. Nobody is blamed, nothing is lost.

An incident's history is append-only; where an instrument is named, its log keeps an entry too.
Whatever is sent twice under the same id is stored once.
"""

from datetime import timedelta

from django.db import transaction
from django.utils import timezone

from bookings import tell
from bookings.models import FollowUp, Incident, IncidentChange, Session
from facility import access, log
from facility.errors import Refused, SetAside
from facility.models import Entry, Log, Person
from samples.matter.composition import elements

DIRECT = (Incident.Kind.EXPOSURE, Incident.Kind.DEFEAT)  # somebody may be hurt: told at once
CHANGEABLE = {
    "kind": "kind",
    "says": "what happened",
    "at_once": "at once done",
    "cause": "cause",
    "element": "element",
    "instrument": "instrument",
}
LONG_AGO = timedelta(days=366)


def _text(text, most=1000):
    return text.replace("\x00", "␀").strip()[:most]


def _element(symbol):
    symbol = symbol.strip()
    if symbol and symbol not in elements():
        raise Refused(f"{symbol[:20]} is no symbol of an element; write it such as Sn or O.")
    return symbol


@transaction.atomic
def report(
    *,
    by,
    kind,
    says,
    at_once="",
    element="",
    instrument=None,
    session=None,
    load=None,
    holder=None,
    happened_at=None,
    sent_id=None,
):
    """Something went wrong or nearly did: anyone may say so, about any instrument or none."""
    says, now = _text(says), timezone.now()
    if kind not in Incident.Kind.values:
        raise Refused("Press what kind it was; something else is one of them.")
    if not says:
        raise Refused("Say in a few words what happened.")
    happened_at = happened_at or now
    if happened_at > now:
        raise Refused("It must have happened before now. Look at day and hour again.")
    if happened_at < now - LONG_AGO:
        raise Refused("That is more than a year ago. Look at the year again.")
    said = {
        "kind": kind,
        "says": says,
        "at_once": _text(at_once),
        "element": _element(element),
        "instrument": instrument or (session and session.instrument) or (load and load.instrument),
        "session": session,
        "load": load,
        "holder": holder or (load and load.holder),
    }
    more = {"happened_at": happened_at, "reported_at": now, "by": by}
    if sent_id is None:
        row, new = Incident.objects.create(**said, **more), True
    else:
        row, new = Incident.objects.get_or_create(sent_id=sent_id, defaults=said | more)
    if not new:
        if (row.by_id, row.changes.get(what="reported").after) != (by.pk, says):
            raise SetAside("The same report was sent before with another content.")
        return row
    _opened(row)
    return row


def _opened(row):
    """The first line of its history, the entry in the instrument's log, and who is told."""
    IncidentChange.objects.create(
        incident=row, at=row.reported_at, by=row.by, what="reported", after=row.says
    )
    _enter(row, row.by, "incident", {"kind": row.kind, "says": row.says, "at_once": row.at_once})
    urgent = row.kind in DIRECT
    for person in Person.objects.told_of_incidents():
        if person.pk != row.by_id:
            tell.tell(
                person=person,
                key=f"incident|{row.pk}",
                says=f"{row.get_kind_display().capitalize()}, {row.where}: {row.says}",
                url=row.get_absolute_url(),
                direct=urgent,
            )


def _enter(row, by, kind, data):
    """An entry in the instrument's log; without an instrument its own history stands alone."""
    if row.instrument_id:
        log.write(
            log=Log.objects.get(pk=row.instrument.log_id),
            kind=kind,
            by=by,
            data={"incident": row.pk, **data},
            happened_at=row.happened_at if kind == "incident" else None,
        )


def open_for_hazards(*, instrument, entry, hazards, do=""):
    """The incident that opens by itself when what happened anyway reached a hazard; once an entry.

    Called where the flags are raised, in the same transaction, the instrument's row locked.
    """
    if not hazards:
        return None
    says = log.contents(entry).get("says", "")
    words = "; ".join(hazard.words.rstrip(".") for hazard in hazards)
    row, new = Incident.objects.get_or_create(
        key=f"anyway|{entry.pk}",
        defaults={
            "kind": Incident.Kind.NEAR_MISS,
            "says": _text(f"{words}." + (f" {says}" if says else "") + (f" {do}" if do else "")),
            "at_once": "",
            "instrument": instrument,
            "session": Session.objects.filter(log=entry.log_id).first(),
            "happened_at": min(entry.happened_at, entry.recorded_at),
            "reported_at": entry.recorded_at,
            "by": entry.person,
        },
    )
    if new:
        _opened(row)
    return row


def _locked(incident):
    return (
        Incident.objects.select_for_update(of=("self",)).select_related("instrument", "by")
    ).get(pk=incident.pk)


def _repeated(model, sent_id, by, **same):
    """The row that this id made before, None for a new one; SetAside for another content."""
    row = model.objects.filter(sent_id=sent_id).first() if sent_id else None
    if row is None:
        return None
    who = row.by_id if hasattr(row, "by_id") else row.added_by_id
    if who == by.pk and all(getattr(row, name) == value for name, value in same.items()):
        return row
    raise SetAside("The same was sent before with another content or by another person.")


def _changed(row, by, what, *, before="", after="", sent_id=None):
    change = IncidentChange.objects.create(
        incident=row,
        at=timezone.now(),
        by=by,
        what=what,
        before=_text(before),
        after=_text(after),
        sent_id=sent_id,
    )
    _enter(row, by, "incident changed", {"what": what, "before": before, "after": after})
    return change


@transaction.atomic
def change(*, incident, by, **values):
    """Change what is written of an incident; the words before stay in its history."""
    row = _locked(incident)
    if unknown := set(values) - set(CHANGEABLE):
        raise ValueError(f"an incident has no changeable {sorted(unknown)}")
    changed = []
    for name, value in values.items():
        if isinstance(value, str):
            value = _element(value) if name == "element" else _text(value)
        if name == "says" and not value:
            raise Refused("What happened cannot be empty. Write it, or leave it as it was.")
        if name == "kind" and value not in Incident.Kind.values:
            raise Refused("Press what kind it was; something else is one of them.")
        before = getattr(row, name)
        if before != value:
            setattr(row, name, value)
            changed.append((CHANGEABLE[name], str(before or ""), str(value or "")))
    row.save(update_fields=list(values))
    for what, before, after in changed:
        _changed(row, by, what, before=before, after=after)
    return row


@transaction.atomic
def add_word(*, incident, by, text, sent_id=None):
    """A word more, by whoever reported it or looks after it, also when it is closed."""
    row, text = _locked(incident), _text(text)
    if not text:
        raise Refused("Write the word you want to add first.")
    if before := _repeated(
        IncidentChange, sent_id, by, incident_id=row.pk, what="added", after=text
    ):
        return before
    return _changed(row, by, "added", after=text, sent_id=sent_id)


@transaction.atomic
def follow_up(*, incident, by, says, who, until, sent_id=None):
    """What has to be done, by whom, until when; they are told."""
    row, says = _locked(incident), _text(says, 400)
    if before := _repeated(FollowUp, sent_id, by, incident_id=row.pk, says=says, until=until):
        return before
    if row.closed_at:
        raise Refused("This incident is closed. Open it again first.")
    if not says:
        raise Refused("Say what has to be done.")
    if until < timezone.localdate():
        raise Refused(f"{until:%d %b %Y} is over. Choose today or a later day.")
    made = FollowUp.objects.create(
        incident=row, says=says, who=who, until=until,
        added_at=timezone.now(), added_by=by, sent_id=sent_id,
    )  # fmt: skip
    _changed(row, by, "follow-up", after=f"{says} ({who}, until {until:%d %b %Y})")
    if who.pk != by.pk:
        tell.tell(
            person=who,
            key=f"follow-up|{made.pk}",
            says=f"Yours until {until:%d %b}: {says}",
            url=row.get_absolute_url(),
        )
    return made


@transaction.atomic
def done(*, follow_up, by, says=""):
    """A follow-up is finished; pressed twice, it stays as it was first."""
    row = _locked(follow_up.incident)
    follow_up = FollowUp.objects.select_for_update().get(pk=follow_up.pk)
    if follow_up.done_at:
        return follow_up
    follow_up.done_at, follow_up.done_by = timezone.now(), by
    follow_up.done_says = _text(says, 400)
    follow_up.save(update_fields=["done_at", "done_by", "done_says"])
    words = f"{follow_up.says}: {follow_up.done_says}" if follow_up.done_says else follow_up.says
    _changed(row, by, "done", after=words)
    return follow_up


@transaction.atomic
def close(*, incident, by, sentence):
    """Nothing is open any more; the sentence is what the next person reads."""
    row, sentence = _locked(incident), _text(sentence, 400)
    if row.closed_at:
        if (row.closed_by_id, row.closing) == (by.pk, sentence):
            return row
        raise Refused(f"{row.closed_by} closed this at {tell.moment(row.closed_at)}.")
    waiting = row.follow_ups.open().select_related("who").first()
    if waiting:
        raise Refused(
            f"“{waiting}” is still open with {waiting.who} until {waiting.until:%d %b}. "
            "Finish it first."
        )
    if not sentence:
        raise Refused("Write what was learned: the next person reads it.")
    row.closed_at, row.closed_by, row.closing = timezone.now(), by, sentence
    row.save(update_fields=["closed_at", "closed_by", "closing"])
    _changed(row, by, "closed", after=sentence)
    if row.by_id != by.pk:
        tell.tell(
            person=row.by,
            key=f"incident|{row.pk}|closed",
            says=f"What you reported is closed: {sentence}",
            url=row.get_absolute_url(),
        )
    return row


@transaction.atomic
def open_again(*, incident, by, why):
    """A closed incident is open again, with a sentence why."""
    row, why = _locked(incident), _text(why, 400)
    if row.closed_at is None:
        return row
    if not why:
        raise Refused("Write why it is opened again.")
    before, row.closed_at, row.closed_by, row.closing = row.closing, None, None, ""
    row.save(update_fields=["closed_at", "closed_by", "closing"])
    _changed(row, by, "opened again", before=before, after=why)
    return row


@transaction.atomic
def redact(*, incident, by, reason):
    """Empty what was written about an incident, here and in the instrument's log; the rest stays.

    What was mailed, and what a signed review holds, stays as it was sent and signed.
    """
    access.require(by, "log.redact")
    reason = _text(reason, 200)
    if not reason:
        raise Refused("Say in a sentence why the text has to go.")
    row = _locked(incident)
    for entry in _entries_about(row):
        log.redact(entry=entry, by=by, reason=reason)
    _changed(row, by, "redacted", after=reason)
    row.changes.exclude(what="redacted").update(before="", after="")
    row.says = row.at_once = row.cause = row.closing = ""
    row.save(update_fields=["says", "at_once", "cause", "closing"])
    return row


def _entries_about(row):
    """Entries of the instrument's log that still hold words about an incident."""
    if not row.instrument_id:
        return []
    entries = Entry.objects.filter(
        log=row.instrument.log_id,
        kind__in=("incident", "incident changed"),
        happened_at__gte=row.happened_at,
    ).exclude(body="")
    return [entry for entry in entries if str(log.contents(entry).get("incident")) == str(row.pk)]
