"""Whether the log still says what was written: every chain recomputed, every copy compared."""

import json
from collections import defaultdict
from dataclasses import dataclass, field

from django.db import DatabaseError
from django.db.models import F

from facility.log import FORMAT, STRUCTURE, chained, columns, sha256
from facility.models import Entry, Instrument, Log


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
             be the hash of an entry of an instrument's log; `readings(verdict, entry, data)`, given
             by an upper floor, checks what an entry says of readings.
    Returns: Verdict. Of one log, the log of its instrument is walked too, as the witness that holds
             its opening and its seals; only the one asked for is counted.

    A rewrite of everything, recomputed, is found against a head kept outside, and only so.
    Locks nothing: a log is walked up to the length that it had at first, so writers go on.
    """
    verdict, known, claims = Verdict(), set(), defaultdict(list)
    rows = {row.pk: row for row in Log.objects.order_by("pk")}
    slugs = dict(Instrument.objects.values_list("pk", "slug"))
    witnesses = [row for row in rows.values() if row.kind == Log.Kind.INSTRUMENT]
    if log is not None:
        witnesses = [row for row in witnesses if row.instrument_id == log.instrument_id]
    for row in witnesses:
        counts = log is None or row.pk == log.pk
        asked = readings if counts else None
        hashes = _walk(row, verdict, asked, counts=counts, claims=claims)
        known.update(hashes.values())
        _compare_claims(row, claims[row.pk], hashes, verdict)
        verdict.heads[slugs.get(row.instrument_id, "an instrument that is gone")] = row.head
    if log is not None and readings is not None and log.kind != Log.Kind.INSTRUMENT:
        _seals_of_readings(claims[log.pk], verdict, readings)
    others = Log.objects.order_by("pk").exclude(kind=Log.Kind.INSTRUMENT)  # at least as long now
    others = others.filter(pk__in=list(rows)) if log is None else others.filter(pk=log.pk)
    for row in others:
        hashes = _walk(row, verdict, readings)
        _compare_claims(row, claims[row.pk], hashes, verdict)
        _compare_opening(row, claims[row.pk], rows, verdict)
    _entries_beyond(log, verdict)
    if log is None:
        _logs_that_are_gone(rows, claims, verdict)
    verdict.head = ",".join(verdict.heads.values())
    for kept in filter(None, (part.strip().lower() for part in head.split(","))):
        if kept not in known:
            verdict.broken.append((0, 0, f"the head {kept} kept outside is in no chain"))
    return verdict


_READ = ("pk", "log_id", "n", "kind", "person_id", "happened_at", "recorded_at", "sent_id")
_READ += ("body", "digest", "hash", "redacts_id")


def _entries(log):
    """(n, entry) up to the log's length in order; entry is None where a column cannot be read."""
    standing = Entry.objects.filter(log_id=log.pk, n__lte=log.length).order_by("n")
    last = -1
    while True:
        part = standing.filter(n__gt=last)[:2000]
        try:
            found = [(row.n, row) for row in part.values_list(*_READ, named=True)]
        except (ValueError, TypeError, AttributeError, DatabaseError):
            found = [_entry_alone(standing, n) for n in part.values_list("n", flat=True)]
        if not found:
            return
        yield from found
        last = found[-1][0]


def _entry_alone(standing, n):
    try:
        return n, standing.filter(n=n).values_list(*_READ, named=True)[0]
    except (ValueError, TypeError, AttributeError, DatabaseError):
        return n, None  # SQLite keeps any text in any column


def _walk(log, verdict, readings, *, counts=True, claims=None):
    """Walk one log from its start; every difference becomes a line of `broken`.

    Returns the hashes by number; fills `claims` with what seals and openings say, by log.
    """
    hashes, hidden, previous, expected = {}, {}, "", 1
    for n, entry in _entries(log):
        why = _difference(n, entry, log, previous, expected)
        if why:
            verdict.broken.append((log.pk, n, why))
        verdict.entries += counts
        expected = n + 1
        previous = hashes[n] = entry.hash if entry else None
        if why == "a column cannot be read":
            continue
        if not entry.body:
            verdict.redacted += counts
            hidden[n] = entry
            continue
        data = _data(entry)
        if entry.kind == "redaction" and not why:
            why = _redaction_difference(entry, data, hidden.pop(_number(data.get("entry")), None))
            if why:
                verdict.broken.append((log.pk, n, why))
        if claims is not None and entry.kind in ("seal", "log opened"):
            claims[_number(data.get("log"))].append((log.pk, n, entry.kind, data))
        if readings is not None:
            readings(verdict, entry, data)
    verdict.logs += counts
    for n, entry in hidden.items():
        if why := _still_hidden(entry, log):
            verdict.broken.append((log.pk, n, why))
    if log.length != expected - 1:
        why = f"log counts {log.length} entries, {expected - 1} stand"
        verdict.broken.append((log.pk, log.length, why))
    elif previous is not None and log.head != previous:
        why = "log's head is not the hash of its last entry"
        verdict.broken.append((log.pk, log.length, why))
    return hashes


def _data(entry):
    """An entry's data, or nothing where its body cannot be read (which is told elsewhere)."""
    try:
        data = json.loads(entry.body)["data"]
    except (ValueError, KeyError, TypeError, RecursionError):
        return {}
    return data if isinstance(data, dict) else {}


def _number(text):
    """A whole number from a body, or -1 where the text is none."""
    plain_digits = isinstance(text, str) and text.isascii() and text.isdigit() and len(text) < 20
    return int(text) if plain_digits else -1


def _difference(n, entry, log, previous, expected):
    """Why this entry is not what it was, in a few words, or an empty text."""
    if n != expected:
        return f"entry {expected} is missing" if n > expected else f"entry {n} stands twice"
    if entry is None or None in (entry.happened_at, entry.recorded_at, entry.sent_id):
        return "a column cannot be read"
    if previous is not None and entry.hash != chained(previous, entry.digest):
        return "hash does not follow from the entry before it"
    if entry.kind != "redaction" and entry.redacts_id is not None:
        return "column redacts differs from the body"
    if not entry.body:
        return ""
    if sha256(entry.body) != entry.digest:
        return "body was changed"
    try:
        body = json.loads(entry.body)
    except (ValueError, RecursionError):
        return "body is not a document"
    if not isinstance(body, dict) or body.get("_format") != FORMAT:
        return f"body is not of format {FORMAT}"
    for name, column in {"log": str(log.pk), "n": str(n), **columns(entry)}.items():
        if body.get(name) != column:
            return f"column {name} differs from the body"
    return ""


def _redaction_difference(redaction, data, hidden):
    """Why a redaction and the entry that it emptied do not belong together."""
    if hidden is None:
        return f"entry {data.get('entry')} was redacted, yet its body stands"
    if redaction.redacts_id != hidden.pk:
        return "column redacts differs from the body"
    if hidden.kind in STRUCTURE:
        return f"“{hidden.kind}” was redacted, which is never done"
    if data.get("was") != columns(hidden):
        return f"columns of entry {hidden.n} differ from what its redaction says"
    return ""


def _still_hidden(entry, log):
    """Why a body is empty without a redaction so far: unless one was written while we walked."""
    since = Entry.objects.filter(redacts_id=entry.pk, log_id=log.pk, n__gt=log.length).first()
    if since is None:
        return "body is empty and no redaction entry says why"
    return _redaction_difference(since, _data(since), entry)


def _compare_claims(log, claims, hashes, verdict):
    """What was sealed of a log must still stand in it."""
    for at, n, kind, said in claims:
        if kind != "seal":
            continue
        count = _number(said.get("count"))
        if count < 0:
            verdict.broken.append((at, n, "seal cannot be read"))
        elif log.length < count:
            why = f"{count} entries were sealed, {log.length} stand"
            verdict.broken.append((log.pk, count, why))
        elif count in hashes and hashes[count] != said.get("head"):
            verdict.broken.append((log.pk, count, "hash differs from the one sealed"))


def _seals_of_readings(claims, verdict, readings):
    """What the witness's seals of the one log asked for say of readings."""
    found = Entry.objects.filter(log_id__in=[at for at, *_ in claims])
    for entry in found.filter(n__in=[n for _, n, *_ in claims]).values_list(*_READ, named=True):
        readings(verdict, entry, _data(entry))


def _compare_opening(log, claims, rows, verdict):
    """The log of a log's own instrument tells of its opening."""
    for at, _, kind, said in claims:
        own = at in rows and rows[at].instrument_id == log.instrument_id
        if kind == "log opened" and own and said.get("of") == log.kind:
            return
    verdict.broken.append((log.pk, 0, f"its instrument's log opens no {log.kind} log {log.pk}"))


def _entries_beyond(log, verdict):
    """Entries that no log counts, or whose log is gone."""
    beyond = Entry.objects.filter(n__gt=F("log__length"))
    if log is not None:
        beyond = beyond.filter(log_id=log.pk)
    for pk, n, length in beyond.order_by("log_id", "n").values_list("log_id", "n", "log__length"):
        verdict.broken.append((pk, n, f"log counts {length} entries, entry {n} stands beyond"))
    if log is None:
        strays = Entry.objects.exclude(log_id__in=Log.objects.values("pk"))
        for pk, n in strays.order_by("log_id", "n").values_list("log_id", "n"):
            verdict.broken.append((pk, n, "entry of a log that is gone"))


def _logs_that_are_gone(rows, claims, verdict):
    """Logs that an instrument's log tells of, and the logs of instruments themselves."""
    for pk, said in claims.items():
        if pk not in rows and said:
            at, n, _, data = said[0]
            verdict.broken.append((at, n, f"log {data.get('log')} is gone"))
    for instrument in Instrument.objects.order_by("pk"):
        row = rows.get(instrument.log_id)
        if row is None:
            verdict.broken.append((0, 0, f"{instrument.slug} has no log"))
        elif (row.kind, row.instrument_id) != (Log.Kind.INSTRUMENT, instrument.pk):
            verdict.broken.append((row.pk, 0, f"{instrument.slug} points to a log of another"))
