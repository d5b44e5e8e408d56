"""Each way of changing the log behind our back, guards taken down, and what verify() says of it."""

import json
import uuid

import pytest
from django.db import connection, transaction

from facility import log
from facility.models import Entry, Gauge, Instrument, Log
from facility.verify import verify

pytestmark = pytest.mark.django_db


def sql(text, *values):
    with connection.cursor() as cursor:
        cursor.execute(text, values)


def why(**asked):
    return [line[2] for line in verify(**asked).broken]


def rehash(made, *, start=1):
    """What a forger does who knows the format: recompute hashes and the log's own columns."""
    previous = Entry.objects.get(log=made, n=start - 1).hash if start > 1 else ""
    for entry in Entry.objects.filter(log=made, n__gte=start).order_by("n"):
        digest = log.sha256(entry.body) if entry.body else entry.digest
        previous = log.chained(previous, digest)
        Entry.objects.filter(pk=entry.pk).update(digest=digest, hash=previous)
    length = Entry.objects.filter(log=made).count()
    Log.objects.filter(pk=made.pk).update(length=length, head=previous)
    made.refresh_from_db()


def put(entry, **columns):
    """Rewrite an entry's columns and the same words in its body."""
    body = json.loads(entry.body)
    body.update({name: str(value) for name, value in columns.pop("body", {}).items()})
    body["data"] = columns.pop("data", body["data"])
    Entry.objects.filter(pk=entry.pk).update(body=log.canonical(body), **columns)


# Changes behind our back, guards taken down


def test_given_a_changed_body_when_verified_then_it_is_found(chain, unguarded):
    entry = Entry.objects.get(log=chain, n=2)
    put(entry, data={"says": "line X"})

    assert verify().broken == [(chain.pk, 2, "body was changed")]


@pytest.mark.parametrize(
    ("column", "value", "named"),
    [
        ("kind", "fault", "kind"),
        ("happened_at", "2020-01-01 00:00:00+00:00", "at"),
        ("recorded_at", "2020-01-01 00:00:00+00:00", "recorded"),
        ("sent_id", "0" * 32, "sent"),
        ("person_id", None, "person"),
        ("redacts_id", None, "redacts"),
    ],
)
def test_given_a_changed_column_when_verified_then_it_is_found(
    lab, chain, unguarded, column, value, named
):
    entry = Entry.objects.get(log=chain, n=2)
    value = value or {"person_id": lab.dee.pk, "redacts_id": entry.pk - 1}[column]
    sql(f"UPDATE facility_entry SET {column} = %s WHERE id = %s", value, entry.pk)

    assert verify().broken == [(chain.pk, 2, f"column {named} differs from the body")]


@pytest.mark.parametrize("column", ["digest", "hash"])
def test_given_a_changed_digest_or_hash_when_verified_then_it_is_found(chain, unguarded, column):
    sql(f"UPDATE facility_entry SET {column} = %s WHERE log_id = %s AND n = 2", "f" * 64, chain.pk)

    assert "hash does not follow from the entry before it" in why()


def test_given_a_deleted_entry_when_verified_then_it_is_found(chain, unguarded):
    sql("DELETE FROM facility_entry WHERE log_id = %s AND n = 2", chain.pk)

    assert "entry 2 is missing" in why()


def test_given_a_deleted_entry_when_the_rest_is_renumbered_and_rehashed_then_the_seal_tells(
    chain, unguarded
):
    Entry.objects.filter(log=chain, n=2).delete()
    for entry in Entry.objects.filter(log=chain, n__gt=2).order_by("n"):
        put(entry, n=entry.n - 1, body={"n": entry.n - 1})
    rehash(chain)

    assert why() == ["4 entries were sealed, 3 stand"]


def test_given_an_entry_put_in_between_when_verified_then_it_is_found(lab, chain, unguarded):
    forged = Entry.objects.get(log=chain, n=2)
    for n in (4, 3, 2):
        put(Entry.objects.get(log=chain, n=n), n=n + 1, body={"n": n + 1})
    forged.pk, forged.sent_id = None, uuid.uuid4()
    forged.save()
    put(forged, body={"sent": forged.sent_id})
    assert len(why()) >= 3

    rehash(chain)
    assert why() == ["hash differs from the one sealed"]


def test_given_two_entries_in_another_order_when_verified_then_it_is_found(chain, unguarded):
    for old, new in ((2, 99), (3, 2), (99, 3)):
        sql("UPDATE facility_entry SET n = %s WHERE log_id = %s AND n = %s", new, chain.pk, old)

    assert why()[0] == "hash does not follow from the entry before it"


def test_given_another_order_when_rehashed_with_its_bodies_then_the_seal_tells(chain, unguarded):
    second, third = Entry.objects.get(log=chain, n=2), Entry.objects.get(log=chain, n=3)
    sql("UPDATE facility_entry SET n = 99 WHERE id = %s", second.pk)
    put(third, n=2, body={"n": 2})
    put(second, n=3, body={"n": 3})
    rehash(chain)

    assert why() == ["hash differs from the one sealed"]


def test_given_entries_swapped_between_logs_when_verified_then_it_is_found(chain, other, unguarded):
    ours, theirs = Entry.objects.get(log=chain, n=2), Entry.objects.get(log=other, n=2)
    sql("UPDATE facility_entry SET n = 99 WHERE id = %s", ours.pk)
    sql("UPDATE facility_entry SET log_id = %s WHERE id = %s", chain.pk, theirs.pk)
    sql("UPDATE facility_entry SET log_id = %s, n = 2 WHERE id = %s", other.pk, ours.pk)
    assert {line[0] for line in verify().broken} == {chain.pk, other.pk}

    rehash(chain)
    rehash(other)
    assert why().count("column log differs from the body") == 2


def test_given_a_cut_tail_when_the_log_still_counts_it_then_it_is_found(chain, unguarded):
    sql("DELETE FROM facility_entry WHERE log_id = %s AND n = 4", chain.pk)

    assert why() == ["log counts 4 entries, 3 stand"]


def test_given_a_cut_tail_when_length_and_head_are_adjusted_then_the_seal_tells(chain, unguarded):
    sql("DELETE FROM facility_entry WHERE log_id = %s AND n = 4", chain.pk)
    rehash(chain)

    assert verify().broken == [(chain.pk, 4, "4 entries were sealed, 3 stand")]


def test_given_a_cut_tail_that_no_seal_covers_when_adjusted_then_nothing_can_tell(
    lab, chain, other, unguarded
):
    """The limit of the method, said plainly: what was never sealed can be cut without a trace."""
    sql("DELETE FROM facility_entry WHERE log_id = %s AND n = 3", other.pk)
    rehash(other)

    assert why() == []


def test_given_an_entry_beyond_what_the_log_counts_when_verified_then_it_is_found(chain, unguarded):
    forged = Entry.objects.get(log=chain, n=4)
    forged.pk, forged.sent_id, forged.n = None, uuid.uuid4(), 5
    forged.save()

    assert verify().broken == [(chain.pk, 5, "log counts 4 entries, entry 5 stands beyond")]


def test_given_a_removed_log_when_verified_then_its_opening_and_seal_tell(chain, unguarded):
    sql("DELETE FROM facility_entry WHERE log_id = %s", chain.pk)
    sql("DELETE FROM facility_log WHERE id = %s", chain.pk)

    assert why() == [f"log {chain.pk} is gone"]


def test_given_a_log_without_an_opening_when_verified_then_it_is_found(lab, chain):
    slipped_in = Log.objects.create(kind="session", instrument=lab.instrument)

    assert verify().broken == [
        (slipped_in.pk, 0, f"its instrument's log opens no session log {slipped_in.pk}")
    ]


@pytest.mark.parametrize("change", [{"kind": "load"}, {"instrument": "other"}])
def test_given_a_log_of_another_kind_or_instrument_when_verified_then_it_is_found(
    lab, chain, unguarded, change
):
    if "instrument" in change:
        change = {"instrument": lab.other_instrument}
    Log.objects.filter(pk=chain.pk).update(**change)

    assert [line[0] for line in verify().broken] == [chain.pk]


def test_given_a_removed_instrument_log_when_verified_then_it_is_found(lab, chain, unguarded):
    gone = lab.instrument.log
    Instrument.objects.filter(pk=lab.instrument.pk).update(log=None)
    sql("DELETE FROM facility_entry WHERE log_id = %s", gone.pk)
    sql("DELETE FROM facility_log WHERE id = %s", gone.pk)

    assert f"{lab.instrument.slug} has no log" in why()
    assert f"its instrument's log opens no session log {chain.pk}" in why()


def test_given_an_instrument_that_points_to_another_log_when_verified_then_it_is_found(lab, chain):
    Instrument.objects.filter(pk=lab.instrument.pk).update(log=chain)

    assert why() == ["quayside points to a log of another"]


def test_given_a_rewrite_of_everything_when_verified_then_only_a_head_kept_outside_tells(
    lab, chain, unguarded
):
    kept = verify().head
    forged = Entry.objects.get(log=chain, n=2)
    put(forged, data={"says": "what never happened"})
    rehash(chain)
    seal = Entry.objects.get(log=lab.instrument.log, kind="seal")
    put(seal, data={**log.contents(seal), "head": chain.head})
    rehash(lab.instrument.log)

    assert why() == []
    assert why(head=kept) == [f"the head {kept.split(',')[0]} kept outside is in no chain"]


def test_given_everything_of_an_instrument_removed_when_verified_then_only_a_head_tells(
    lab, chain, unguarded
):
    kept = Log.objects.get(pk=lab.other_instrument.log_id).head
    Instrument.objects.filter(pk=lab.other_instrument.pk).update(log=None)
    sql("DELETE FROM facility_entry WHERE log_id = %s", lab.other_instrument.log_id)
    sql("DELETE FROM facility_log WHERE id = %s", lab.other_instrument.log_id)
    Gauge.objects.filter(chamber__instrument=lab.other_instrument).delete()
    Instrument.objects.filter(pk=lab.other_instrument.pk).update(sheet=None)
    for table in ("chamber", "runsheet", "place"):
        sql(f"DELETE FROM facility_{table} WHERE instrument_id = %s", lab.other_instrument.pk)
    sql("DELETE FROM facility_instrument WHERE id = %s", lab.other_instrument.pk)

    assert why() == []
    assert why(head=kept) == [f"the head {kept} kept outside is in no chain"]


def test_given_heads_kept_outside_when_nothing_changed_then_old_and_new_ones_are_found(lab, chain):
    old = verify().head
    log.seal(log=chain, by=lab.ben)
    new = verify().head

    assert old != new
    assert why(head=old) == why(head=new) == why(head=f"{old},{new}".upper()) == []


@pytest.mark.parametrize(
    "body", ["[]", "not a document", "{}", '{"_format":"2"}', '{"data":[1]}', '{"data":{"log":[]}}']
)
def test_given_bodies_that_are_no_documents_when_verified_then_each_is_named_and_nothing_stops(
    lab, chain, unguarded, body
):
    Entry.objects.filter(log__in=[chain, lab.instrument.log]).update(body=body)

    assert {line[0] for line in verify().broken} >= {chain.pk, lab.instrument.log_id}

    rehash(chain)
    rehash(lab.instrument.log)
    assert {line[0] for line in verify().broken} >= {chain.pk, lab.instrument.log_id}


def test_given_a_column_that_cannot_be_read_when_verified_then_it_is_named(chain, unguarded):
    """SQLite keeps any text in any column; PostgreSQL refuses it by itself."""
    statement = "UPDATE facility_entry SET happened_at = 'soon' WHERE log_id = %s AND n = 2"
    if connection.vendor == "postgresql":
        with pytest.raises(Exception, match="soon"), transaction.atomic():
            sql(statement, chain.pk)
        return
    sql(statement, chain.pk)

    assert verify().broken == [(chain.pk, 2, "a column cannot be read")]


# One log, and a log that is being written


def test_given_one_log_when_verified_then_it_alone_is_counted_and_its_seals_are_compared(
    chain, other, unguarded
):
    verdict = verify(log=chain)
    assert (verdict.logs, verdict.entries, verdict.broken) == (1, 4, [])

    Entry.objects.filter(log=other, n=1).update(body="changed")
    assert verify(log=chain).broken == []

    sql("DELETE FROM facility_entry WHERE log_id = %s AND n = 4", chain.pk)
    rehash(chain)
    assert verify(log=chain).broken == [(chain.pk, 4, "4 entries were sealed, 3 stand")]


def test_given_one_instrument_log_when_verified_then_its_head_is_checked(lab, chain):
    verdict = verify(log=lab.instrument.log)

    assert (verdict.logs, verdict.entries, verdict.broken) == (1, 3, [])
    assert verify(log=chain, head=verdict.head).broken == []
    assert verify(log=chain, head="0" * 64).broken[0][0] == 0


def test_given_writers_at_work_when_verified_then_what_they_add_breaks_nothing(lab, chain, other):
    redacted = []

    def meanwhile(verdict, entry, data):
        log.write(log=chain, kind="note", by=lab.ben, data={})
        log.seal(log=chain, by=lab.ben)
        fresh = log.open_log(kind="session", instrument=lab.instrument, by=lab.ben)
        log.seal(log=fresh, by=lab.ben)
        if not redacted and Entry.objects.get(log=other, n=1).body:
            entry = Entry.objects.get(log=other, n=1)
            redacted.append(log.redact(entry=entry, by=lab.dee, reason="while it ran"))

    assert verify(readings=meanwhile).broken == []
    assert redacted
    assert verify().broken == []


# Redactions that were tampered with


@pytest.mark.parametrize(
    ("column", "value"),
    [
        ("kind", "fault"),
        ("happened_at", "2020-01-01 00:00:00+00:00"),
        ("recorded_at", "2020-01-01 00:00:00+00:00"),
        ("sent_id", "0" * 32),
        ("person_id", None),
    ],
)
def test_given_a_redacted_entry_when_its_columns_are_changed_then_it_is_found(
    lab, chain, unguarded, column, value
):
    entry = Entry.objects.get(log=chain, n=2)
    log.redact(entry=entry, by=lab.dee, reason="once")
    sql(f"UPDATE facility_entry SET {column} = %s WHERE id = %s", value or lab.dee.pk, entry.pk)

    assert why() == ["columns of entry 2 differ from what its redaction says"]


def test_given_an_emptied_body_when_no_redaction_says_why_then_it_is_found(chain, unguarded):
    sql("UPDATE facility_entry SET body = '' WHERE log_id = %s AND n = 2", chain.pk)

    assert why() == ["body is empty and no redaction entry says why"]


def test_given_a_redaction_when_it_points_elsewhere_or_its_text_is_back_then_it_is_found(
    lab, chain, unguarded
):
    entry, another = Entry.objects.get(log=chain, n=2), Entry.objects.get(log=chain, n=3)
    body = entry.body
    written = log.redact(entry=entry, by=lab.dee, reason="once")

    sql("UPDATE facility_entry SET redacts_id = %s WHERE id = %s", another.pk, written.pk)
    assert why() == ["column redacts differs from the body"]
    sql("UPDATE facility_entry SET redacts_id = %s WHERE id = %s", entry.pk, written.pk)
    sql("UPDATE facility_entry SET body = %s WHERE id = %s", body, entry.pk)
    assert why() == ["entry 2 was redacted, yet its body stands"]
