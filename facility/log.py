"""The log: write, keep, seal, redact. facility/verify.py recomputes it.

An entry's body is text, exactly the bytes that are hashed. `digest = SHA-256(body)`,
`hash = SHA-256(previous hash + digest)`, so that a body can be emptied and the chain still holds.
"""

import hashlib
import json
import math
import secrets
import uuid
from contextvars import ContextVar
from datetime import UTC, datetime
from decimal import Decimal

from django.db import IntegrityError, connection, transaction
from django.utils import timezone

from facility.errors import Refused, SetAside
from facility.models import Entry, KeptItem, Log

FORMAT = "1"
DEPTH = 20  # of lists and records inside one another; own proposal, far beyond any form of ours
DIGITS = 400  # of a whole number; own proposal, above the 309 of the largest float
STRUCTURE = ("redaction", "seal", "log opened", "instrument opened", "pump-down ended")


def stamp(moment):
    """RFC 3339 in UTC with microseconds, the one spelling of a time in a body.

    >>> stamp(datetime(2026, 11, 12, 9, 30, tzinfo=UTC))
    '2026-11-12T09:30:00.000000Z'
    """
    if moment.tzinfo is None:
        raise ValueError(f"{moment} has no zone; the log keeps moments")
    return moment.astimezone(UTC).isoformat(timespec="microseconds")[:-6] + "Z"


def plain(value, depth=0):
    """`value` with every number as text; refuses what a body must not hold.

    >>> plain({"n": 1, "p": 1.2e-06, "seen": True})
    {'n': '1', 'p': '1.2e-06', 'seen': True}
    """
    if depth > DEPTH:
        raise Refused(f"What was sent is nested more than {DEPTH} deep. Send it flat.")
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
    if isinstance(value, (float, Decimal)) and not math.isfinite(value):
        raise Refused(f"{value} is not a number that the log keeps. Leave it empty instead.")
    if isinstance(value, float):
        return repr(float(value))  # float() because numpy's own floats print their type too
    if isinstance(value, int):
        if abs(value) >= 10**DIGITS:
            raise Refused(f"A number has more than {DIGITS} digits. Write it shorter.")
        return str(int(value))
    if isinstance(value, Decimal):
        return str(value)
    if isinstance(value, datetime):
        return stamp(value)
    if isinstance(value, uuid.UUID):
        return str(value)
    if isinstance(value, dict):
        return {plain(str(key)): plain(item, depth + 1) for key, item in value.items()}
    if isinstance(value, (list, tuple)):
        return [plain(item, depth + 1) for item in value]
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


@transaction.atomic
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


def write(*, log, kind, by, data, happened_at=None, sent_id=None, redacts=None):
    """Append an entry to `log`, or return the entry that the same `sent_id` made before.

    Raises SetAside where the same id carries another content or author: nothing is written then,
    and the caller keeps the item with `keep()`. `happened_at` may differ from one sending to the
    next, because the tablet's clock is corrected anew each time.
    """
    if not isinstance(data, dict) or not 0 < len(kind) <= 40:
        raise ValueError(f"an entry needs a kind of 1 to 40 letters and a dict, not {kind!r}")
    said = {"log": log, "kind": plain(kind), "by": by, "data": plain(data)}
    try:
        return _append(**said, happened_at=happened_at, sent_id=sent_id, redacts=redacts)
    except IntegrityError:
        # two writers of different logs, each holding its own lock, with one id between them
        if sent_id is None or repeated(sent_id=sent_id) is None:
            raise
        return _as_before(sent_id=sent_id, **said)


@transaction.atomic
def _append(*, log, kind, by, data, happened_at, sent_id, redacts):
    log = Log.objects.select_for_update().get(pk=log.pk)  # one writer of a chain at a time
    entry = _next(
        log=log,
        kind=kind,
        by=by,
        data=data,
        happened_at=happened_at,
        recorded_at=timezone.now(),
        sent_id=sent_id or uuid.uuid4(),
        redacts=redacts,
    )
    if not _insert(entry, log):
        return _as_before(sent_id=sent_id, log=log, kind=kind, by=by, data=data)
    log.length, log.head = entry.n, entry.hash
    return entry


COLUMNS = [field for field in Entry._meta.concrete_fields if not field.primary_key]
INSERT = (
    f"INSERT INTO {Entry._meta.db_table} ({', '.join(field.column for field in COLUMNS)}) "
    f"VALUES ({', '.join(['%s'] * len(COLUMNS))}) ON CONFLICT (sent_id) DO NOTHING RETURNING id"
)
GROW = f"UPDATE {Log._meta.db_table} SET length = %s, head = %s WHERE id = %s"


def _insert(entry, log):
    """Store an entry and let its log grow by it; False where its sent id stands already.

    On PostgreSQL one statement, so one way to the database and back instead of three.
    """
    values = [field.get_db_prep_save(field.pre_save(entry, True), connection) for field in COLUMNS]
    growth = [entry.n, entry.hash, log.pk]
    with connection.cursor() as cursor:
        if connection.vendor == "postgresql":
            cursor.execute(
                f"WITH made AS ({INSERT}), grown AS ({GROW} AND EXISTS (SELECT 1 FROM made)) "
                "SELECT id FROM made",
                values + growth,
            )
            made = cursor.fetchone()
        else:
            cursor.execute(INSERT, values)
            made = cursor.fetchone()
            if made:
                cursor.execute(GROW, growth)
    if made:
        entry.pk, entry._state.adding, entry._state.db = made[0], False, connection.alias
    return bool(made)


# The raw clock of the tablet that sent what is being written, where one did; the outbox sets it.
tablet_clock = ContextVar("tablet_clock", default="")


def _next(*, log, kind, by, data, happened_at, recorded_at, sent_id, redacts=None):
    """The entry that comes next in `log`, made and not yet stored."""
    raw = {"tablet": tablet_clock.get()} if tablet_clock.get() else {}
    body = canonical(
        {
            **raw,
            "_format": FORMAT,
            "at": stamp(happened_at or recorded_at),
            "data": data,
            "kind": kind,
            "log": str(log.pk),
            "n": str(log.length + 1),
            "person": str(by.pk),
            "recorded": stamp(recorded_at),
            "salt": secrets.token_hex(16),
            "sent": str(sent_id),
        }
    )
    digest = sha256(body)
    return Entry(
        log=log,
        n=log.length + 1,
        kind=kind,
        person=by,
        happened_at=happened_at or recorded_at,
        recorded_at=recorded_at,
        sent_id=sent_id,
        body=body,
        digest=digest,
        hash=chained(log.head, digest),
        redacts=redacts,
    )


@transaction.atomic
def write_past(*, log, lines):
    """Append what was recorded earlier, in one stroke: for the demo's invented past, nothing else.

    Takes:   log; lines, each a dict of kind, by, data, happened_at, recorded_at and sent_id, in
             order of recording.
    Returns: the entries.
    Raises:  ValueError where recording runs back, into the future, or behind what the log holds.

    `write` alone takes the moment of recording from the clock; a test keeps every module but
    bookings/demo from calling this one.
    """
    log = Log.objects.select_for_update().get(pk=log.pk)
    standing, now = log.entries.order_by("n").last(), timezone.now()
    last = standing.recorded_at if standing else None
    entries, growth = [], []
    for line in lines:
        recorded_at = line["recorded_at"]
        if recorded_at > now or (last and recorded_at < last):
            raise ValueError(f"{line['kind']} was not recorded at {recorded_at}, after {last}")
        entry = _next(log=log, **line | {"data": plain(line["data"])})
        log.length, log.head, last = entry.n, entry.hash, recorded_at
        growth.append((entry.n, entry.hash, log.pk))
        entries.append(entry)
    Entry.objects.bulk_create(entries)
    with connection.cursor() as cursor:  # one by one, as its guard asks of a log that grows
        cursor.executemany(
            f"UPDATE {Log._meta.db_table} SET length = %s, head = %s WHERE id = %s", growth
        )
    return entries


def _as_before(*, sent_id, **said):
    """The entry that this id made before, None if it made none; SetAside if that says another thing."""
    before = repeated(sent_id=sent_id)
    if before and not same(before, **said):
        raise SetAside("The same entry was sent before with another content or by another person.")
    return before


def repeated(*, sent_id):
    """The entry that this id made before, or None."""
    return Entry.objects.filter(sent_id=sent_id).first()


def same(entry, *, log, kind, by, data):
    """Whether what is sent now says the same as `entry`, whenever it was sent.

    A redacted entry's content cannot be compared any more and is taken as the same.
    """
    if (entry.log_id, entry.kind, entry.person_id) != (log.pk, kind, by.pk):
        return False
    return not entry.body or contents(entry) == plain(data)


def contents(entry):
    """What an entry says: its data, numbers as text; empty once redacted."""
    return json.loads(entry.body)["data"] if entry.body else {}


def keep(*, sent_id, by, text, reason):
    """Keep word for word what could not be recorded; the same item twice is kept once.

    What no database stores is spelled out: NUL as ␀, half a character as its number.
    """
    row, _ = KeptItem.objects.get_or_create(
        fingerprint=sha256(f"{sent_id}\n{by.pk}\n{_storable(text)}"),
        defaults={
            "sent_id": sent_id,
            "person": by,
            "received_at": timezone.now(),
            "reason": _storable(reason)[:300],
            "text": _storable(text),
        },
    )
    return row


def _storable(text):
    return text.replace("\x00", "␀").encode(errors="backslashreplace").decode()


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
    if entry.kind in STRUCTURE:
        raise Refused(f"“{entry.kind}” is never redacted: it holds no free text.")
    if not reason.strip():
        raise Refused("Say in a sentence why the text has to go.")
    written = write(
        log=entry.log,
        kind="redaction",
        by=by,
        data={
            "entry": entry.n,
            "reason": reason,
            "was": columns(entry),
        },
        redacts=entry,
    )
    Entry.objects.filter(pk=entry.pk).update(body="")
    return written


def columns(entry):
    """The columns that repeat what stands in an entry's body, spelled as there."""
    return {
        "kind": entry.kind,
        "person": str(entry.person_id),
        "at": stamp(entry.happened_at),
        "recorded": stamp(entry.recorded_at),
        "sent": str(entry.sent_id),
    }
