"""What tablets send after a bad day: everything once, in order, by the right person."""

import json
import random
import uuid
from datetime import timedelta

import pytest
from django.core.management import call_command
from django.urls import reverse
from django.utils import timezone

from bookings import outbox, run, steps
from bookings.models import Fault, Reading
from facility import log, tablets, verify
from facility.models import Entry, KeptItem
from tests import build

pytestmark = pytest.mark.django_db
SEED = 20261112


@pytest.fixture
def here(lab):
    """An open session of two people, each at a paired tablet of their own."""
    build.qualify(lab.gil, lab.instrument, by=lab.dee)
    lab.session = run.sign_on(instrument=lab.instrument, by=lab.ben)
    run.join(session=lab.session, by=lab.gil, part="operates")
    lab.tablets = [
        tablets.pair(instrument=lab.instrument, name=n, by=lab.dee) for n in ("one", "two")
    ]
    lab.sign_ons = [
        tablets.sign_on(person=person, tablet=tablet, by_pin=True)
        for person, (tablet, _) in zip((lab.ben, lab.gil), lab.tablets, strict=True)
    ]
    return lab


def item(here, who=0, kind="note", at=None, **fields):
    return {
        "id": str(uuid.uuid4()),
        "session": here.session.pk,
        "sign_on": str(here.sign_ons[who].pk),
        "kind": kind,
        "at": log.stamp(at or timezone.now()),
        "fields": fields or {"text": "a line"},
    }


def send(client, here, items, who=0, clock=None, token=None):
    return client.post(
        reverse("bookings:tablet_items"),
        json.dumps({"items": items, "clock": log.stamp(clock or timezone.now())}),
        content_type="application/json",
        headers={"authorization": f"Bearer {token or here.tablets[who][1]}"},
    )


def statuses(answer):
    return [row["status"] for row in answer.json()["items"]]


def test_given_a_bad_day_when_all_is_sent_then_each_is_stored_once_by_its_author(client, here):
    chance = random.Random(SEED)
    queues = [[], []]
    for n in range(200):
        who = chance.randrange(2)
        text = f"entry {n}"
        queues[who].append(item(here, who, text=text))
    queues[0][7]["kind"] = "nonsense"  # the poisonous one
    wrong_clock = timedelta(hours=26)

    while any(queues):
        who = chance.randrange(2)
        batch = queues[who][: chance.randrange(1, 9)]
        if not batch:
            continue
        clock = timezone.now() + (wrong_clock if who else timedelta())
        fate = chance.choice(["sent", "cut before", "answer lost"])
        if fate == "cut before":
            continue
        answer = send(client, here, batch, who, clock=clock)
        assert answer.status_code == 200
        if fate == "answer lost":
            continue
        queues[who] = queues[who][len(batch) :]

    notes = Entry.objects.filter(log=here.session.log, kind="note")
    assert notes.count() == 199
    assert KeptItem.objects.count() == 1
    assert {e.person_id for e in notes} == {here.ben.pk, here.gil.pk}
    numbers = Entry.objects.filter(log=here.session.log).order_by("n").values_list("n", flat=True)
    assert list(numbers) == list(range(1, len(numbers) + 1))
    assert verify.verify().broken == []
    call_command("verify_log")


def test_given_the_same_item_when_sent_again_then_the_answer_is_the_same_and_nothing_is_added(
    client, here
):
    sent = item(here, kind="pressure", gauge="quayside-intro", pressure="1,2E-06")

    assert statuses(send(client, here, [sent])) == ["stored"]
    assert statuses(send(client, here, [sent])) == ["repeated"]
    assert Reading.objects.count() == 1


def test_given_the_same_id_when_another_content_comes_then_it_is_set_aside_word_for_word(
    client, here
):
    first = item(here, text="as it was")
    other = first | {"fields": {"text": "as somebody would like it"}}

    send(client, here, [first])
    answer = send(client, here, [other, item(here, text="the next one")])

    assert statuses(answer) == ["set aside", "stored"]
    assert "as somebody would like it" in KeptItem.objects.get().text


def test_given_a_clock_that_is_wrong_when_items_come_then_they_happened_when_they_happened(
    client, here
):
    ahead = timedelta(hours=26)
    typed_at = timezone.now() - timedelta(minutes=10)
    sent = item(here, at=typed_at + ahead, text="ten minutes ago")

    send(client, here, [sent], clock=timezone.now() + ahead)

    entry = Entry.objects.get(kind="note")
    assert abs((entry.happened_at - typed_at).total_seconds()) < 5
    assert json.loads(entry.body)["tablet"] == log.stamp(typed_at + ahead)


def test_given_a_closed_session_when_a_late_entry_comes_then_it_is_kept_and_sealed_again(
    client, here
):
    run.sign_off(session=here.session, by=here.ben)

    assert statuses(send(client, here, [item(here, text="found in the tablet")])) == ["stored"]

    assert verify.verify().broken == []
    seals = Entry.objects.filter(log=here.instrument.log, kind="seal")
    assert log.contents(seals.last())["count"] == str(
        Entry.objects.filter(log=here.session.log).count()
    )


def test_given_a_step_taken_without_network_when_it_was_not_possible_then_it_is_stored_with_its_hazard(
    client, here
):
    for look in ("look_arm", "look_gate", "look_door", "look_introduction", "look_pump_valve_open"):
        steps.take_step(session=here.session, by=here.ben, step_id=look)

    answer = send(client, here, [item(here, kind="step", step="transfer")])

    assert statuses(answer) == ["stored"]
    said = log.contents(Entry.objects.get(kind="step"))
    assert said["in_order"] is False
    assert "gate_open_unread" in said["hazards"]


def test_given_a_step_from_before_when_somebody_looked_since_then_what_was_seen_stands(
    client, here
):
    sheet = steps.devices.sheet_of(here.session)
    due = steps.looks_due(sheet, steps.devices.states_of(here.instrument, sheet))
    steps.confirm_looks(session=here.session, by=here.gil, step_ids=[step.id for step in due])
    before = timezone.now() - timedelta(minutes=20)

    answer = send(client, here, [item(here, kind="anyway", at=before, what="gate_valve=open")])

    assert statuses(answer) == ["stored"]
    assert steps.devices.states_of(here.instrument, sheet)["gate_valve"] == "closed"


def test_given_a_fault_reported_offline_when_sent_twice_then_it_has_one_number(client, here):
    sent = item(here, kind="fault", text="The arm sticks.")

    send(client, here, [sent])
    send(client, here, [sent])

    assert Fault.objects.count() == 1


@pytest.mark.parametrize(
    ("change", "why"),
    [
        ({"sign_on": str(uuid.uuid4())}, "under whose sign-on"),
        ({"session": 999_999}, "not one of this instrument"),
        ({"id": "no id"}, "no id of its own"),
        ({"kind": "anything"}, "items of the kind"),
        ({"fields": "text"}, "no item of an outbox"),
        ({"kind": "pressure", "fields": {"gauge": "quayside-intro", "pressure": "abc"}}, "abc"),
        ({"kind": "pressure", "fields": {"gauge": "elsewhere", "pressure": "1"}}, "no gauge"),
        ({"fields": {"text": "a\x00b"}}, "NUL"),
        ({"fields": {"text": "x" * 20_000}}, "longer"),
    ],
)
def test_given_a_bad_item_when_sent_then_it_is_set_aside_with_its_reason(client, here, change, why):
    answer = send(client, here, [item(here) | change, item(here, text="a good one")])

    assert statuses(answer) == ["set aside", "stored"]
    assert why in answer.json()["items"][0]["why"]


def test_given_an_item_set_aside_when_staff_open_the_list_then_it_reads_as_words_and_leads_on(
    client, here
):
    send(client, here, [item(here, kind="pressure", gauge="quayside-intro", pressure="12e-")])
    log.keep(sent_id=uuid.uuid4(), by=here.ben, text="no item at all", reason="Not readable.")
    client.force_login(here.dee)

    page = client.get(reverse("bookings:set_aside")).content.decode()

    assert "gauge <b>quayside-intro</b>, pressure <b>12e-</b>" in page
    assert reverse("bookings:late_entries", args=[here.session.pk]) in page
    assert "no item at all" in page


def test_given_no_item_at_all_when_sent_then_it_is_set_aside(client, here):
    assert statuses(send(client, here, ["x", None, 7])) == ["set aside"] * 3


@pytest.mark.parametrize(
    ("body", "status"),
    [("{", 400), ("[]", 400), ('{"items": {}}', 400), ('{"items": []}', 200)],
)
def test_given_a_body_when_it_is_no_list_of_items_then_a_sentence_says_so(
    client, here, body, status
):
    answer = client.post(
        reverse("bookings:tablet_items"),
        body,
        content_type="application/json",
        headers={"authorization": f"Bearer {here.tablets[0][1]}"},
    )

    assert answer.status_code == status


def test_given_too_many_items_when_sent_then_none_is_taken(client, here):
    answer = send(client, here, [item(here)] * (outbox.MOST_ITEMS + 1))

    assert answer.status_code == 400
    assert not Entry.objects.filter(kind="note").exists()


def test_given_no_sign_on_or_an_ended_tablet_when_sending_then_401_and_never_a_redirect(
    client, here
):
    assert send(client, here, [item(here)], token="nobody's").status_code == 401
    bare = client.post(reverse("bookings:tablet_items"), "{}", content_type="application/json")
    assert bare.status_code == 401

    tablets.end(tablet=here.tablets[0][0], by=here.dee)

    assert send(client, here, [item(here)]).status_code == 401


def test_given_a_pin_when_five_are_wrong_then_the_right_one_waits_too(client, here):
    tablets.set_pin(person=here.ben, pin="274951")
    token = here.tablets[0][1]
    address = reverse("bookings:sign_on_by_pin")

    for _ in range(tablets.WRONG_AT_MOST):
        client.post(address, {"username": "ben", "pin": "000001", "token": token})
    refused = client.post(address, {"username": "ben", "pin": "274951", "token": token})

    assert refused.status_code == 422
    assert "Wait 15 minutes" in refused.content.decode()


def test_given_a_pin_when_signed_on_then_sessions_open_and_nothing_else_does(client, here):
    tablets.set_pin(person=here.dee, pin="274951")
    address = reverse("bookings:sign_on_by_pin")
    client.post(address, {"username": "dee", "pin": "274951", "token": here.tablets[0][1]})

    assert client.get(reverse("bookings:session", args=[here.session.pk])).status_code == 200
    assert client.get(reverse("bookings:flags")).status_code == 403
    assert client.get(reverse("bookings:tablet_list")).status_code == 403
