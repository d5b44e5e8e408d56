"""The log is written once: what it keeps, what it refuses, and two writers at one time."""

import json
import threading
import uuid
from datetime import UTC, datetime
from decimal import Decimal

import numpy as np
import pytest
from django.db import IntegrityError, connection, transaction
from django.utils import timezone

from facility import log
from facility.errors import Refused, SetAside
from facility.models import Entry, KeptItem
from facility.verify import verify
from tests import build

pytestmark = pytest.mark.django_db


def sql(text, *values):
    with connection.cursor() as cursor:
        cursor.execute(text, values)


def why(**asked):
    return [line[2] for line in verify(**asked).broken]


# Writing


def test_given_entries_when_verified_then_nothing_is_broken(chain):
    verdict = verify()

    assert verdict.broken == []
    assert verdict.logs == 3
    assert verdict.entries == Entry.objects.count() == 4 + 2 + 1 + 1


def test_given_an_entry_when_read_then_numbers_are_text_and_the_version_comes_first(chain):
    body = Entry.objects.get(log=chain, n=1).body

    assert body.startswith('{"_format":"1",')
    assert json.loads(body)["data"] == {"says": "line 0", "p": "1.2e-06"}
    assert "Ben" not in body


def test_given_two_entries_with_equal_words_when_hashed_then_salt_keeps_their_digests_apart(chain):
    first, second = (
        log.write(log=chain, kind="note", by=build.person(), data={"says": "same"})
        for _ in range(2)
    )

    assert len(json.loads(first.body)["salt"]) == 32
    assert first.digest != second.digest


@pytest.mark.parametrize(
    ("value", "kept"),
    [
        (1, "1"),
        (-0.0, "-0.0"),
        (1e22, "1e+22"),
        pytest.param(10**399, "1" + "0" * 399, id="400 digits"),
        (np.float64(1.2e-6), "1.2e-06"),
        (Decimal("1.20"), "1.20"),
        (True, True),
        (None, None),
        ("µ × 10⁻⁶ 🜂", "µ × 10⁻⁶ 🜂"),
        ([1, {"a": 2}], ["1", {"a": "2"}]),
        (datetime(2026, 3, 29, 1, 0, tzinfo=UTC), "2026-03-29T01:00:00.000000Z"),
    ],
)
def test_given_a_value_when_written_then_it_is_kept_as_text(chain, value, kept):
    entry = log.write(log=chain, kind="note", by=build.person(), data={"v": value})

    assert log.contents(Entry.objects.get(pk=entry.pk)) == {"v": kept}
    assert why() == []


@pytest.mark.parametrize(
    ("value", "sentence"),
    [
        ("a\x00b", "NUL"),
        ("\ud800", "half a character"),
        ({"\ud800": 1}, "half a character"),
        (float("nan"), "not a number that the log keeps"),
        (float("-inf"), "not a number that the log keeps"),
        (Decimal("NaN"), "not a number that the log keeps"),
        pytest.param(10**400, "more than 400 digits", id="401 digits"),
        pytest.param(-(10**5000), "more than 400 digits", id="too many to print"),
        (json.loads("[" * 60 + "]" * 60), "nested more than 20 deep"),
    ],
)
def test_given_what_no_body_holds_when_written_then_it_is_refused_and_the_chain_goes_on(
    chain, value, sentence
):
    with pytest.raises(Refused, match=sentence):
        log.write(log=chain, kind="note", by=build.person(), data={"v": value})

    assert log.write(log=chain, kind="note", by=build.person(), data={}).n == 5
    assert why() == []


def test_given_no_zone_or_no_kind_when_written_then_the_programmer_is_told(chain):
    ben = build.person()

    with pytest.raises(ValueError, match="has no zone"):
        log.write(log=chain, kind="note", by=ben, data={}, happened_at=datetime(2026, 1, 1))
    with pytest.raises(ValueError, match="1 to 40 letters"):
        log.write(log=chain, kind="x" * 41, by=ben, data={})
    with pytest.raises(ValueError, match="a dict"):
        log.write(log=chain, kind="note", by=ben, data=["words"])


def test_given_a_late_entry_when_written_after_a_seal_then_the_next_seal_covers_it(lab, chain):
    late = log.write(
        log=chain, kind="note", by=lab.ben, data={}, happened_at=timezone.now().replace(year=2020)
    )
    seal = log.seal(log=chain, by=lab.ben)

    assert late.n == 5
    assert log.contents(seal)["count"] == "5"
    assert log.contents(seal)["head"] == late.hash
    assert Entry.objects.filter(log=chain).as_it_happened().first() == late
    assert why() == []


# Exactly once


def test_given_an_id_when_sent_twice_then_the_same_entry_answers(lab, chain):
    sent = uuid.uuid4()
    say = {"log": chain, "kind": "note", "by": lab.ben, "data": {"p": 1e-6}, "sent_id": sent}

    first = log.write(**say)
    second = log.write(**say, happened_at=timezone.now().replace(year=2020))

    assert first == second
    assert Entry.objects.filter(sent_id=sent).count() == 1


@pytest.mark.parametrize("differs", ["data", "kind", "by", "log"])
def test_given_an_id_when_sent_with_another_content_then_it_is_set_aside(
    lab, chain, other, differs
):
    said = {"log": chain, "kind": "note", "by": lab.ben, "data": {"a": 1}}
    said["sent_id"] = uuid.uuid4()
    log.write(**said)
    entries = Entry.objects.count()
    another = {"data": {"a": 2}, "kind": "fault", "by": lab.dee, "log": other}

    with pytest.raises(SetAside, match="sent before with another content"):
        log.write(**{**said, differs: another[differs]})

    assert Entry.objects.count() == entries
    assert why() == []


def test_given_an_id_when_its_entry_was_redacted_then_a_repeat_is_still_a_repeat(lab, chain):
    said = {"log": chain, "kind": "note", "by": lab.ben, "data": {"a": 1}, "sent_id": uuid.uuid4()}
    entry = log.write(**said)
    log.redact(entry=entry, by=lab.dee, reason="a name was in it")

    assert log.write(**said) == entry


def test_given_an_item_set_aside_when_kept_twice_then_it_is_stored_once_word_for_word(lab):
    sent = uuid.uuid4()
    text = '{"says": "a\x00b \ud800 µ"}'

    rows = [log.keep(sent_id=sent, by=lab.ben, text=text, reason="why " * 200) for _ in range(2)]
    log.keep(sent_id=sent, by=lab.dee, text=text, reason="another person")

    assert rows[0] == rows[1]
    assert KeptItem.objects.count() == 2
    rows[0].refresh_from_db()
    assert rows[0].text == '{"says": "a␀b \\ud800 µ"}'
    assert len(rows[0].reason) == 300


# The guards


@pytest.mark.parametrize(
    ("statement", "refusal"),
    [
        ("UPDATE facility_entry SET body = 'x'", "append-only"),
        ("UPDATE facility_entry SET body = ''", "append-only"),
        ("UPDATE facility_entry SET n = n + 100", "append-only"),
        ("DELETE FROM facility_entry", "append-only"),
        ("UPDATE facility_log SET length = length - 1", "only grows"),
        ("UPDATE facility_log SET head = 'x'", "only grows"),
        ("UPDATE facility_log SET length = length + 1, kind = 'load'", "only grows"),
        ("UPDATE facility_log SET length = length + 2", "only grows"),
        ("DELETE FROM facility_log", "never deleted"),
    ],
)
def test_given_guards_when_sql_changes_the_log_then_the_database_refuses(chain, statement, refusal):
    with pytest.raises(IntegrityError, match=refusal), transaction.atomic():
        sql(statement)

    assert why() == []


def test_given_guards_when_the_orm_changes_or_deletes_an_entry_then_the_database_refuses(chain):
    entry = Entry.objects.filter(log=chain).first()
    entry.kind = "fault"

    with pytest.raises(IntegrityError, match="append-only"), transaction.atomic():
        entry.save()
    with pytest.raises(IntegrityError, match="append-only"), transaction.atomic():
        entry.delete()


def test_given_guards_when_an_entry_is_replaced_by_its_key_then_the_database_refuses(chain):
    """SQLite's REPLACE passes delete triggers by unless told otherwise; PostgreSQL has upserts."""
    entry = Entry.objects.filter(log=chain).first()
    columns = "log_id, n, kind, person_id, happened_at, recorded_at, sent_id, digest, hash"
    copy = f"SELECT id, 'other', {columns} FROM facility_entry WHERE id = %s"
    statement = {
        "sqlite": f"REPLACE INTO facility_entry (id, body, {columns}) {copy}",
        "postgresql": f"INSERT INTO facility_entry (id, body, {columns}) {copy} "
        "ON CONFLICT (id) DO UPDATE SET body = EXCLUDED.body",
    }[connection.vendor]

    with pytest.raises(IntegrityError, match="append-only"), transaction.atomic():
        sql(statement, entry.pk)


# Redaction


def test_given_an_entry_when_redacted_then_its_words_are_gone_and_the_chain_holds(lab, chain):
    entry = Entry.objects.get(log=chain, n=2)
    digest = entry.digest

    written = log.redact(entry=entry, by=lab.dee, reason="it named a patient")

    entry.refresh_from_db()
    assert (entry.body, entry.digest) == ("", digest)
    assert (written.kind, written.redacts) == ("redaction", entry)
    assert log.contents(entry) == {}
    verdict = verify()
    assert verdict.broken == []
    assert verdict.redacted == 1


def test_given_a_redacted_entry_when_redacted_again_then_it_is_refused(lab, chain):
    entry = Entry.objects.get(log=chain, n=2)
    log.redact(entry=entry, by=lab.dee, reason="once")

    with pytest.raises(Refused, match="redacted before"):
        log.redact(entry=entry, by=lab.dee, reason="twice")


def test_given_no_reason_or_no_free_text_when_redacted_then_it_is_refused(lab, chain):
    entry = Entry.objects.get(log=chain, n=2)

    with pytest.raises(Refused, match="Say in a sentence"):
        log.redact(entry=entry, by=lab.dee, reason=" ")
    for structural in Entry.objects.filter(log=lab.instrument.log):
        with pytest.raises(Refused, match="never redacted"):
            log.redact(entry=structural, by=lab.dee, reason="hide it")


def test_given_a_redacted_entry_when_its_body_is_written_again_then_the_database_refuses(
    lab, chain
):
    entry = Entry.objects.get(log=chain, n=2)
    body = entry.body
    log.redact(entry=entry, by=lab.dee, reason="once")

    with pytest.raises(IntegrityError, match="append-only"), transaction.atomic():
        sql("UPDATE facility_entry SET body = %s WHERE id = %s", body, entry.pk)


# Two writers


@pytest.mark.django_db(transaction=True)
def test_given_two_threads_when_both_write_one_log_then_n_has_no_gap(request):
    lab = build.lab()
    made = log.open_log(kind="session", instrument=lab.instrument, by=lab.ben)
    start, problems = threading.Barrier(2), []

    def work(person):
        try:
            start.wait(timeout=10)
            for n in range(25):
                log.write(log=made, kind="note", by=person, data={"n": n})
        except Exception as problem:
            problems.append(problem)
        finally:
            connection.close()

    threads = [threading.Thread(target=work, args=(who,)) for who in (lab.ben, lab.dee)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(timeout=60)

    assert problems == []
    assert list(made.entries.values_list("n", flat=True)) == list(range(1, 51))
    assert why() == []


@pytest.mark.django_db(transaction=True)
def test_given_two_threads_when_one_id_goes_to_two_logs_then_one_is_set_aside(request):
    lab = build.lab()
    logs = [log.open_log(kind="session", instrument=lab.instrument, by=lab.ben) for _ in "ab"]
    start, answers = threading.Barrier(2), []
    ids = [uuid.uuid4() for _ in range(10)]

    def work(made):
        try:
            for sent in ids:
                start.wait(timeout=10)
                try:
                    log.write(log=made, kind="note", by=lab.ben, data={}, sent_id=sent)
                    answers.append("stored")
                except SetAside:
                    answers.append("set aside")
        except Exception as problem:
            answers.append(problem)
        finally:
            connection.close()

    threads = [threading.Thread(target=work, args=(made,)) for made in logs]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(timeout=60)

    assert sorted(map(str, answers)) == ["set aside"] * 10 + ["stored"] * 10
    assert why() == []
