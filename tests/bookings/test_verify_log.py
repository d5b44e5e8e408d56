"""verify_log as an outsider calls it, and what entries say of readings."""

import json
import time
import uuid
from datetime import timedelta
from io import StringIO

import pytest
from django.core.management import call_command
from django.db import connection
from django.utils import timezone

from bookings import readings
from bookings.models import Reading
from facility import guards, log
from facility.models import Entry, Gauge
from facility.verify import verify
from tests.build import at

pytestmark = pytest.mark.django_db


@pytest.fixture
def gauge(lab):
    return Gauge.objects.get(code="quayside-intro")


@pytest.fixture
def sealed(lab, gauge):
    """A session's log with one entry and a seal that counts three readings."""
    for minute in ("00", "05", "10"):
        read(gauge, f"09:{minute}")
    made = log.open_log(kind="session", instrument=lab.instrument, by=lab.ben)
    log.write(log=made, kind="note", by=lab.ben, data={"says": "all well"})
    said = readings.digests([gauge], at("09:00"), at("09:30"))
    log.seal(log=made, by=lab.ben, data={"readings": said})
    return made


@pytest.fixture
def unguarded(sealed):
    connection.check_constraints()
    guards.take_down(connection)


def read(gauge, clock, **columns):
    said = {"pressure_pa": 1.2e-4, "typed": "9e-7", "unit": "torr", "source": "manual"}
    said |= {"recorded_at": timezone.now(), "sent_id": uuid.uuid4()} | columns
    return Reading.objects.create(gauge=gauge, at=at(clock), **said)


def run(*words):
    """(exit code, standard output, standard error) of the command."""
    out, err = StringIO(), StringIO()
    try:
        call_command("verify_log", *words, stdout=out, stderr=err, no_color=True)
    except SystemExit as leaving:
        return leaving.code, out.getvalue(), err.getvalue()
    return 0, out.getvalue(), err.getvalue()


# The command


def test_given_a_sound_log_when_asked_as_json_then_exactly_the_promised_keys_come_back(sealed):
    code, out, err = run("--json")

    document = json.loads(out)
    assert (code, err) == (0, "")
    assert list(document) == ["logs", "entries", "readings", "redacted", "broken", "head"]
    assert document | {"head": ""} == {
        "logs": 3, "entries": 5, "readings": 3, "redacted": 0, "broken": [], "head": "",
    }  # fmt: skip
    assert run("--json", "--head", document["head"])[0] == 0


def test_given_a_sound_log_when_asked_in_words_then_it_says_so_and_prints_the_heads(lab, sealed):
    lab.instrument.log.refresh_from_db()

    code, out, _ = run()

    assert code == 0
    assert "3 logs, 5 entries (0 redacted) and 3 readings recomputed: nothing broken." in out
    assert f"Head of quayside: {lab.instrument.log.head}" in out


def test_given_a_changed_entry_when_asked_then_it_is_named_and_the_answer_is_no(sealed, unguarded):
    Entry.objects.filter(log=sealed).update(body="x")

    code, out, _ = run("--json")
    assert code == 1
    assert json.loads(out)["broken"] == [{"log": sealed.pk, "n": 1, "why": "body was changed"}]
    code, out, _ = run("--log", str(sealed.pk))
    assert code == 1
    assert f"log {sealed.pk}, entry 1: body was changed" in out
    assert "1 logs, 1 entries (0 redacted) and 3 readings recomputed: 1 broken." in out


def test_given_a_head_that_is_in_no_chain_when_asked_then_the_answer_is_no(sealed):
    code, out, _ = run("--json", "--head", "0" * 64)

    assert code == 1
    assert json.loads(out)["broken"] == [
        {"log": None, "n": None, "why": f"the head {'0' * 64} kept outside is in no chain"}
    ]


@pytest.mark.parametrize(
    ("words", "sentence"),
    [
        (["--log", "999999"], "There is no log 999999.\n"),
        (["--log", "seven"], "There is no log seven.\n"),
        (["--log", "-1"], "There is no log -1.\n"),
        (["--log", "9" * 40], f"There is no log {'9' * 40}.\n"),
        (["--log", "²"], "There is no log ².\n"),
        (["--head", "abc"], "'abc' is not a head, which has 64 hexadecimal digits.\n"),
        (["--head", "g" * 64], f"'{'g' * 64}' is not a head, which has 64 hexadecimal digits.\n"),
        (["--head", "0" * 64 + ","], "'' is not a head, which has 64 hexadecimal digits.\n"),
    ],
)
def test_given_what_is_not_understood_when_asked_then_one_sentence_and_exit_2(
    sealed, words, sentence
):
    assert run("--json", *words) == (2, "", sentence)


# Readings


def test_digest_lines_are_spelled_as_documented(lab, gauge):
    number = read(gauge, "09:00", sent_id=uuid.UUID(int=1))
    said = {"state": "off", "pressure_pa": None, "typed": "OFF", "sent_id": uuid.UUID(int=2)}
    off = read(gauge, "09:05:00.25", **said)

    assert readings.line(number) == (
        "00000000-0000-0000-0000-000000000001|2026-11-12T09:00:00.000000Z|number|0.00012|9e-7|torr\n"
    )
    assert readings.line(off) == (
        "00000000-0000-0000-0000-000000000002|2026-11-12T09:05:00.250000Z|off||OFF|torr\n"
    )


def test_given_readings_at_one_moment_when_read_then_their_ids_decide_the_order(lab, gauge):
    for number in (3, 1, 2):
        read(gauge, "09:00", sent_id=uuid.UUID(int=number))

    found = [row.sent_id.int for row in readings.between(gauge, at("09:00"), at("09:00"))]

    assert found == [1, 2, 3]


def test_given_honest_readings_that_arrive_late_when_verified_then_the_seal_still_holds(
    sealed, gauge
):
    read(gauge, "09:07")
    read(gauge, "08:59")

    assert run()[0] == 0


@pytest.mark.parametrize(
    ("statement", "why"),
    [
        ("UPDATE bookings_reading SET pressure_pa = 1e-6 WHERE typed = '9e-7'", "were changed"),
        ("UPDATE bookings_reading SET typed = '8e-7' WHERE pressure_pa > 0", "were changed"),
        ("UPDATE bookings_reading SET gauge_id = gauge_id + 1", "3 readings of quayside-intro"),
        ("DELETE FROM bookings_reading", "3 readings of quayside-intro were sealed, 0 stand"),
    ],
)
def test_given_readings_changed_behind_our_back_when_verified_then_the_seal_tells(
    lab, sealed, unguarded, statement, why
):
    with connection.cursor() as cursor:
        cursor.execute(statement)

    code, out, _ = run("--json")

    [broken] = json.loads(out)["broken"]
    assert code == 1
    assert (broken["log"], broken["n"]) == (lab.instrument.log_id, 3)
    assert why in broken["why"]


def test_given_a_reading_put_in_with_an_older_stamp_when_verified_then_the_seal_tells(
    sealed, gauge
):
    read(gauge, "09:07", recorded_at=timezone.now() - timedelta(days=1))

    assert "3 readings of quayside-intro were sealed, 4 stand" in run()[1]


@pytest.mark.parametrize(
    "said", ["words", [1], [{}], [{"gauge": "gone"}], [{"gauge": "quayside-intro", "from": "soon"}]]
)
def test_given_what_a_seal_cannot_mean_when_verified_then_it_is_named_or_left_alone(
    lab, sealed, said
):
    log.seal(log=sealed, by=lab.ben, data={"readings": said})

    code, out, _ = run()

    assert code == (1 if isinstance(said, list) and isinstance(said[0], dict) else 0)
    assert ("cannot be compared" in out) == bool(code)


def test_given_two_seals_over_the_same_readings_when_counted_then_each_reading_counts_once(
    lab, sealed, gauge
):
    read(gauge, "09:20")
    said = readings.digests([gauge], at("09:05"), at("09:30"))
    log.seal(log=sealed, by=lab.ben, data={"readings": said})

    assert json.loads(run("--json")[1])["readings"] == 4


# Speed


def test_given_ten_thousand_entries_when_verified_then_it_takes_under_two_seconds(lab, sealed):
    entries, previous = [], Entry.objects.get(log=sealed, n=1).hash
    for n in range(2, 10_001):
        now = timezone.now()
        body = log.canonical(
            {
                "_format": log.FORMAT, "at": log.stamp(now), "data": {"p": "1.2e-06"},
                "kind": "step", "log": str(sealed.pk), "n": str(n), "person": str(lab.ben.pk),
                "recorded": log.stamp(now), "salt": "0" * 32, "sent": str(uuid.UUID(int=n)),
            }
        )  # fmt: skip
        previous = log.chained(previous, log.sha256(body))
        entries.append(
            Entry(
                log=sealed, n=n, kind="step", person=lab.ben, happened_at=now, recorded_at=now,
                sent_id=uuid.UUID(int=n), body=body, digest=log.sha256(body), hash=previous,
            )
        )  # fmt: skip
    Entry.objects.bulk_create(entries, batch_size=1000)
    connection.check_constraints()
    guards.take_down(connection)
    type(sealed).objects.filter(pk=sealed.pk).update(length=10_000, head=previous)

    start = time.process_time()
    verdict = verify(log=sealed)

    assert (verdict.entries, verdict.broken) == (10_000, [])
    assert time.process_time() - start < 2
