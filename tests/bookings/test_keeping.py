"""Parts and upkeep are set up from pages: who may, what is asked back, the same form twice as one."""

from uuid import uuid4

import pytest
from django.urls import reverse

from facility import keep_up
from facility.models import Part, UpkeepTask
from tests import build

pytestmark = pytest.mark.django_db


def send(client, person, name, /, *args, **typed):
    client.force_login(person)
    return client.post(reverse(f"bookings:{name}", args=args), typed)


def test_given_a_part_when_it_is_kept_from_the_page_then_its_life_begins_once(client, lab):
    device, states = next(iter(lab.instrument.sheet.document["devices"].items()))
    typed = {
        "name": "Backing pump", "kind": "pump", "counts": "device", "use": f"{device}|{states[0]}",
        "began_on": "2026-01-15", "began_hours": "120", "sent_id": uuid4(),
    }  # fmt: skip

    statuses = [
        send(client, who, "keep_part", "quayside", **typed).status_code
        for who in (lab.ben, lab.fay, lab.dee, lab.dee)
    ]
    text = client.get(reverse("bookings:health", args=["quayside"])).content.decode()

    assert statuses == [403, 403, 302, 302]
    part = Part.objects.get(name="Backing pump")
    assert (part.device, part.on_states) == (device, [states[0]])
    assert part.lives.get().began_hours == 120
    assert "Backing pump" in text


@pytest.mark.parametrize(
    ("name", "typed", "sentence"),
    [
        ("keep_part", {"name": ""}, "Give the part a name."),
        ("keep_part", {"counts": "device"}, "Choose the device of the run sheet"),
        ("keep_part", {"counts": "dose"}, "Choose the gauge whose dose is counted."),
        ("keep_part", {"began_on": "2199-01-01"}, "is still to come"),
        ("keep_task", {}, "Say when it comes due"),
        ("keep_task", {"every_days": "1.5"}, "Days must be a whole number"),
        ("keep_task", {"every_hours": "2000"}, "Choose the part whose hours"),
        ("keep_task", {"every_hours": "often"}, "must be a number"),
    ],
)
def test_given_what_is_missing_when_it_is_kept_then_one_sentence_asks_for_it(
    client, lab, name, typed, sentence
):
    usual = {"name": "Pump", "kind": "pump", "counts": "calendar"}

    answer = send(client, lab.dee, name, "quayside", **usual | typed)

    assert answer.status_code == 422
    assert sentence in answer.content.decode()


def test_given_upkeep_when_it_is_planned_and_ended_then_it_is_due_and_then_off_the_list(
    client, lab
):
    part = build.source(lab.instrument, by=lab.dee)
    typed = {
        "name": "Anode: look at it", "every_days": "90", "every_hours": "1500", "part": part.pk,
        "after": ["power"], "sent_id": uuid4(),
    }  # fmt: skip

    answers = [send(client, lab.dee, "keep_task", "quayside", **typed) for _ in range(2)]
    (standing,) = keep_up.standings(lab.instrument)
    stranger = send(client, lab.chao, "end_task", standing.task.pk)
    ended = send(client, lab.dee, "end_task", standing.task.pk)

    assert [row.status_code for row in answers] == [302, 302]
    assert (standing.task.every_days, standing.task.after) == (90, ["power"])
    assert (stranger.status_code, ended.status_code) == (403, 302)
    assert keep_up.standings(lab.instrument) == []
    assert UpkeepTask.objects.count() == 1
