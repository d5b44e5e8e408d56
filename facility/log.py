"""The log: write, seal, verify, redact.

An entry's body is text, exactly the bytes that are hashed. `digest = SHA-256(body)`,
`hash = SHA-256(previous hash + digest)`, so that a body can be emptied and the chain still holds.
"""

import hashlib
import json
import math
import secrets
import uuid
from dataclasses import dataclass, field
from datetime import UTC, datetime
from decimal import Decimal

from django.db import transaction
from django.utils import timezone

from facility.errors import Refused, SetAside
from facility.models import Entry, Instrument, KeptItem, Log

FORMAT = "1"
COPIES = ("log", "n", "kind", "person", "at", "recorded", "sent")


def stamp(moment):
    """RFC 3339 in UTC with microseconds, the one spelling of a time in a body."""
    return moment.astimezone(UTC).strftime("%Y-%m-%dT%H:%M:%S.%fZ")


def plain(value):
    """`value` with every number as text; refuses what a body must not hold.

    >>> plain({"n": 1, "p": 1.2e-06, "seen": True})
    {'n': '1', 'p': '1.2e-06', 'seen': True}
    """
    if value is None or isinstance(value, bool):
        return value
    if isinstance(value, str):
        if "\x00" in value:
            raise Refused("A text holds a NUL character, which the log does not keep. Take it out.")
        try:
            value.encode()
        except UnicodeEncodeError:
            raise Refused("A text holds half a character. Type it again.") from None
        return value
    if isinstance(value, float) and not math.isfinite(value):
        raise Refused(f"{value} is not a number that the log keeps.")
    if isinstance(value, (int, float, Decimal)):
        return repr(value) if isinstance(value, float) else str(value)
    if isinstance(value, datetime):
        return stamp(value)
    if isinstance(value, uuid.UUID):
        return str(value)
    if isinstance(value, dict):
        return {plain(str(key)): plain(item) for key, item in value.items()}
    if isinstance(value, (list, tuple)):
        return [plain(item) for item in value]
    raise TypeError(f"the log does not keep a {type(value).__name__}")


def canonical(document):
    """The one text of a document: sorted keys, no spaces, every character as itself."""
    return json.dumps(document, sort_keys=True, separators=(",", ":"), ensure_ascii=False)


def sha256(text):
    """Hexadecimal SHA-256 of a text in UTF-8."""
    return hashlib.sha256(text.encode()).hexdigest()


def chained(previous, digest):
    """An entry's hash from the hash before it (empty at the start) and its own digest."""
    return sha256(previous + digest)


def open_log(*, kind, instrument, by, happened_at=None):
    """A new log of a session or load; its opening stands in the instrument's own log."""
    log = Log.objects.create(kind=kind, instrument=instrument)
    write(
        log=instrument.log,
        kind="log opened",
        by=by,
        data={"log": log.pk, "of": kind},
        happened_at=happened_at,
    )
    return log


@transaction.atomic
def open_instrument_log(*, instrument, by):
    """The first log of a new instrument, which later holds the seals of all its others."""
    instrument.log = Log.objects.create(kind=Log.Kind.INSTRUMENT, instrument=instrument)
    instrument.save(update_fields=["log"])
    write(log=instrument.log, kind="instrument opened", by=by, data={"name": instrument.name})
    return instrument.log


@transaction.atomic
def write(*, log, kind, by, data, happened_at=None, sent_id=None, redacts=None):
    """Append an entry to `log`, or return the entry that the same `sent_id` made before.

    Raises SetAside where the same id carries another content or author: nothing is written then,
    and the caller keeps the item with `keep()`.
    """
    log = Log.objects.select_for_update().get(pk=log.pk)  # one writer of a chain at a time
    data = plain(data)
    if sent_id is not None and (before := repeated(sent_id=sent_id)):
        if same(before, log=log, kind=kind, by=by, data=data):
            return before
        raise SetAside("The same entry was sent before with another content or by another person.")
    now = timezone.now()
    sent_id = sent_id or uuid.uuid4()
    body = canonical(
        {
            "_format": FORMAT,
            "at": stamp(happened_at or now),
            "data": data,
            "kind": kind,
            "log": str(log.pk),
            "n": str(log.length + 1),
            "person": str(by.pk),
            "recorded": stamp(now),
            "salt": secrets.token_hex(16),
            "sent": str(sent_id),
        }
    )
    digest = sha256(body)
    entry = Entry.objects.create(
        log=log,
        n=log.length + 1,
        kind=kind,
        person=by,
        happened_at=happened_at or now,
        recorded_at=now,
        sent_id=sent_id,
        body=body,
        digest=digest,
        hash=chained(log.head, digest),
        redacts=redacts,
    )
    log.length, log.head = entry.n, entry.hash
    log.save(update_fields=["length", "head"])
    return entry


def repeated(*, sent_id):
    """The entry that this id made before, or None."""
    return Entry.objects.filter(sent_id=sent_id).first()


def same(entry, *, log, kind, by, data):
    """Whether what is sent now says the same as `entry`, whenever it was sent."""
    if (entry.log_id, entry.kind, entry.person_id) != (log.pk, kind, by.pk):
        return False
    return not entry.body or contents(entry) == plain(data)


def contents(entry):
    """What an entry says: its data, numbers as text; empty once redacted."""
    return json.loads(entry.body)["data"] if entry.body else {}


def keep(*, sent_id, by, text, reason):
    """Keep word for word what could not be recorded; the same item twice is kept once."""
    text = text.replace("\x00", "␀")
    row, _ = KeptItem.objects.get_or_create(
        fingerprint=sha256(f"{sent_id}\n{by.pk}\n{text}"),
        defaults={
            "sent_id": sent_id,
            "person": by,
            "received_at": timezone.now(),
            "reason": reason[:300],
            "text": text,
        },
    )
    return row


@transaction.atomic
def seal(*, log, by, data=None):
    """Write the log's count and last hash into its instrument's log. Closes nothing.

    `data` is what the upper floors want sealed with it, such as count and digest of readings.
    """
    log = Log.objects.select_for_update().get(pk=log.pk)
    said = {"log": log.pk, "count": log.length, "head": log.head, **(data or {})}
    return write(log=log.instrument.log, kind="seal", by=by, data=said)


@transaction.atomic
def redact(*, entry, by, reason):
    """Empty a body once: first the redaction entry, then the body; digest and hash stay."""
    entry = Entry.objects.select_for_update().get(pk=entry.pk)
    if not entry.body:
        raise Refused("This entry was redacted before. Its place in the chain stays.")
    if entry.kind in ("redaction", "seal"):
        raise Refused(f"A {entry.kind} is never redacted: it holds no free text.")
    if not reason.strip():
        raise Refused("Say in a sentence why the text has to go.")
    written = write(
        log=entry.log,
        kind="redaction",
        by=by,
        data={
            "entry": entry.n,
            "reason": reason,
            "was": {
                "kind": entry.kind,
                "person": entry.person_id,
                "at": entry.happened_at,
                "recorded": entry.recorded_at,
                "sent": entry.sent_id,
            },
        },
        redacts=entry,
    )
    Entry.objects.filter(pk=entry.pk).update(body="")
    return written


@dataclass
class Verdict:
    """What verify() found; `broken` holds (log id, n, why)."""

    logs: int = 0
    entries: int = 0
    readings: int = 0
    redacted: int = 0
    broken: list = field(default_factory=list)
    head: str = ""
    heads: dict = field(default_factory=dict)


def verify(*, log=None, head="", readings=None):
    """Recompute chains and compare every copy with its body.

    Takes:   one log, or None for all; heads kept outside (with commas between), each of which must
             be the hash of an entry of an instrument's log; `readings(verdict, entry, data)`, given by an upper floor, checks what
             a seal says of readings.
    Returns: Verdict. A rewrite of everything, recomputed, is found against a head kept outside,
             and only so.
    """
    verdict = Verdict()
    logs = {row.pk: row for row in Log.objects.order_by("pk")}
    chosen = [logs[log.pk]] if log else list(logs.values())
    seen = {}  # (log, n) -> hash, of the chosen logs
    claims = []  # what entries of instruments' logs say of other logs
    known = set()
    for row in chosen:
        _verify_chain(row, verdict, seen, claims, known, readings)
    for at, claim in claims:
        _verify_claim(at, claim, logs, seen, verdict)
    strays = Entry.objects.exclude(log__in=list(logs)).values_list("log_id", "n")
    verdict.broken += [(pk, n, "entry of a log that is gone") for pk, n in strays]
    if log is None:
        opened = {claim["log"] for _, claim in claims if claim.get("of")}
        for row in chosen:
            if row.kind != Log.Kind.INSTRUMENT and str(row.pk) not in opened:
                verdict.broken.append((row.pk, 0, "no instrument's log tells of its opening"))
        for instrument in Instrument.objects.filter(log=None):
            verdict.broken.append((0, 0, f"{instrument.slug} has no log"))
    heads = {row.instrument.slug: row.head for row in chosen if row.kind == Log.Kind.INSTRUMENT}
    verdict.heads = heads
    verdict.head = ",".join(heads.values())
    for kept in filter(None, (part.strip().lower() for part in head.split(","))):
        if kept not in known:
            verdict.broken.append((0, 0, f"the head {kept} kept outside is in no chain"))
    return verdict


def _verify_chain(log, verdict, seen, claims, known, readings):
    """Walk one log from its start; every difference becomes a line of `broken`."""
    verdict.logs += 1
    previous, expected = "", 1
    redactions = {}
    rows = Entry.objects.filter(log=log).order_by("n").select_related("redaction")
    for entry in rows.iterator(chunk_size=2000):
        verdict.entries += 1
        why = _difference(entry, log, previous, expected)
        if why:
            verdict.broken.append((log.pk, entry.n, why))
        previous, expected = entry.hash, entry.n + 1
        seen[log.pk, entry.n] = entry.hash
        if log.kind == Log.Kind.INSTRUMENT:
            known.add(entry.hash)
        if not entry.body:
            verdict.redacted += 1
            redactions[entry.n] = entry
            continue
        data = _data(entry)
        if entry.kind == "redaction" and data.get("entry", "").isdigit():
            hidden = redactions.pop(int(data["entry"]), None)
            if hidden is not None and (why := _redacted_difference(hidden, data.get("was", {}))):
                verdict.broken.append((log.pk, hidden.n, why))
        if log.kind == Log.Kind.INSTRUMENT and entry.kind in ("seal", "log opened"):
            claims.append(((log.pk, entry.n), data))
        if readings is not None:
            readings(verdict, entry, data)
    for n in redactions:
        verdict.broken.append((log.pk, n, "body is empty and no redaction entry says why"))
    if (log.length, log.head) != (expected - 1, previous):
        verdict.broken.append(
            (log.pk, log.length, f"log counts {log.length} entries, {expected - 1} stand")
            if log.length != expected - 1
            else (log.pk, log.length, "log's head is not the hash of its last entry")
        )


def _data(entry):
    """An entry's data, or nothing where its body cannot be read (which is told elsewhere)."""
    try:
        data = json.loads(entry.body)["data"]
    except (ValueError, KeyError, TypeError):
        return {}
    return data if isinstance(data, dict) else {}


def _difference(entry, log, previous, expected):
    """Why this entry is not what it was, in a few words, or an empty text."""
    if entry.n != expected:
        return f"entry {expected} is missing"
    if entry.hash != chained(previous, entry.digest):
        return "hash does not follow from the entry before it"
    if not entry.body:
        return ""
    if sha256(entry.body) != entry.digest:
        return "body was changed"
    try:
        body = json.loads(entry.body)
    except ValueError:
        return "body is not a document"
    copies = {
        "log": str(log.pk),
        "n": str(entry.n),
        "kind": entry.kind,
        "person": str(entry.person_id),
        "at": stamp(entry.happened_at),
        "recorded": stamp(entry.recorded_at),
        "sent": str(entry.sent_id),
    }
    for name in COPIES:
        if body.get(name) != copies[name]:
            return f"column {name} differs from the body"
    return ""


def _redacted_difference(entry, was):
    """Why a redacted entry's columns are not what its redaction says they were."""
    columns = plain(
        {
            "kind": entry.kind,
            "person": entry.person_id,
            "at": entry.happened_at,
            "recorded": entry.recorded_at,
            "sent": entry.sent_id,
        }
    )
    return "" if columns == was else "columns differ from what its redaction says"


def _verify_claim(at, claim, logs, seen, verdict):
    """A seal or an opening names a log: it must stand, and hold what was sealed."""
    pk = int(claim["log"]) if str(claim.get("log", "")).isdigit() else None
    if pk not in logs:
        verdict.broken.append((*at, f"log {claim.get('log')} is gone"))
        return
    if "count" not in claim:
        return
    count = int(claim["count"])
    if logs[pk].length < count:
        verdict.broken.append((pk, count, f"{count} entries were sealed, {logs[pk].length} stand"))
    elif count and (pk, count) in seen and seen[pk, count] != claim["head"]:
        verdict.broken.append((pk, count, "hash differs from the one sealed"))
