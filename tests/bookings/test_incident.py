"""Incidents and near misses: reported by anyone, never lost, nobody blamed."""

import uuid
from datetime import timedelta

import pytest
from django.db import IntegrityError, transaction
from django.urls import reverse
from django.utils import timezone

from bookings import incident, run, steps
from bookings.models import FollowUp, Incident, IncidentChange, Message
from facility import log
from facility.errors import Refused, SetAside
from facility.models import Entry
from facility.verify import verify
from tests import build


def entries(instrument, kind="incident"):
    return Entry.objects.filter(log=instrument.log, kind=kind)


# reporting


def test_given_anyone_when_they_report_then_it_is_stored_logged_and_told_to_those_who_look_after_it(
    lab,
):
    row = build.incident(by=lab.eve, instrument=lab.instrument, at_once="Stopped, went for Dee.")

    assert (row.by, row.closed_at, row.cause) == (lab.eve, None, "")
    assert log.contents(entries(lab.instrument).get())["at_once"] == "Stopped, went for Dee."
    told = set(Message.objects.filter(key=f"incident|{row.pk}").values_list("person", flat=True))
    assert told == {lab.dee.pk, lab.ada.pk, lab.fay.pk, lab.root.pk}
    assert {field.name for field in Incident._meta.get_fields()}.isdisjoint(
        {"blame", "fault", "responsible", "who"}
    )


def test_given_no_instrument_when_reported_then_it_stands_with_its_own_history(lab):
    row = build.incident(by=lab.chao, says="Slipped on nitrogen ice beside the dewar.")

    assert row.where == "no instrument named"
    assert row.changes.get().after == "Slipped on nitrogen ice beside the dewar."
    assert not Entry.objects.filter(kind="incident").exists()


def test_given_an_exposure_when_reported_then_it_is_told_directly(lab):
    build.incident(by=lab.ben, kind="exposure")
    build.incident(by=lab.ben, kind="near miss")

    assert set(Message.objects.filter(person=lab.fay).values_list("direct", flat=True)) == {
        True,
        False,
    }


@pytest.mark.parametrize(
    ("words", "sentence"),
    [
        ({"kind": "mistake"}, "something else is one of them"),
        ({"says": "  "}, "few words what happened"),
        ({"element": "Xy"}, "Xy is no symbol"),
        ({"happened_at": timezone.now() + timedelta(hours=3)}, "before now"),
        ({"happened_at": timezone.now() - timedelta(days=400)}, "more than a year ago"),
    ],
)
def test_given_what_cannot_be_when_reported_then_one_sentence_says_so(lab, words, sentence):
    with pytest.raises(Refused, match=sentence):
        build.incident(by=lab.ben, **words)

    assert not Incident.objects.exists()


def test_given_the_same_report_when_sent_twice_then_it_is_one(lab):
    sent = uuid.uuid4()

    rows = [build.incident(by=lab.ben, instrument=lab.instrument, sent_id=sent) for _ in range(2)]

    assert rows[0].pk == rows[1].pk == Incident.objects.get().pk
    assert entries(lab.instrument).count() == IncidentChange.objects.count() == 1
    assert Message.objects.filter(person=lab.dee).count() == 1
    with pytest.raises(SetAside):
        build.incident(by=lab.ben, says="something else", sent_id=sent)
    with pytest.raises(SetAside):
        build.incident(by=lab.chao, sent_id=sent)


# what happened anyway


def test_given_a_hazard_reached_when_it_happened_anyway_then_one_incident_opens_by_itself(lab):
    session = run.sign_on(instrument=lab.instrument, by=lab.ben)
    sent = uuid.uuid4()
    anyway = {"session": session, "by": lab.ben, "sent_id": sent}
    sheet = session.sheet.document
    hazard = next(row for row in sheet["never"] if all(row["when"].values()))
    sets = {
        device: states if isinstance(states, str) else states[0]
        for device, states in hazard["when"].items()
    }

    for _ in range(2):
        steps.happened_anyway(sets=sets, sentence="Valve knocked.", **anyway)

    row = Incident.objects.get()
    assert (row.kind, row.by, row.session, row.instrument) == (
        "near miss",
        lab.ben,
        session,
        lab.instrument,
    )
    assert "Valve knocked." in row.says
    assert "Way back to rest" in row.says
    assert entries(lab.instrument).count() == 1


def test_given_no_hazard_when_it_happened_anyway_then_no_incident_opens(lab):
    session = run.sign_on(instrument=lab.instrument, by=lab.ben)

    steps.happened_anyway(session=session, by=lab.ben, sets={"gate_valve": "closed"})

    assert not Incident.objects.exists()


# looking after it


def test_given_a_change_when_made_then_the_words_before_stay_and_cannot_be_altered(lab):
    row = build.incident(by=lab.ben, instrument=lab.instrument)

    incident.change(incident=row, by=lab.fay, cause="The stop was worn.")
    incident.change(incident=row, by=lab.fay, cause="The stop was bent.", kind="collision")
    incident.change(incident=row, by=lab.fay, cause="The stop was bent.")

    kept = list(row.changes.values_list("what", "before", "after"))
    assert kept == [
        ("reported", "", "The arm touched the stage."),
        ("cause", "", "The stop was worn."),
        ("cause", "The stop was worn.", "The stop was bent."),
        ("kind", "near miss", "collision"),
    ]
    assert entries(lab.instrument, "incident changed").count() == 3
    for do in (lambda rows: rows.update(after="nothing"), lambda rows: rows.delete()):
        with pytest.raises(IntegrityError, match="append-only"), transaction.atomic():
            do(IncidentChange.objects.filter(incident=row))


def test_given_an_open_follow_up_when_closed_then_it_is_refused_until_done(lab):
    row = build.incident(by=lab.ben)
    todo = build.follow_up(row, who=lab.chao, by=lab.fay)

    with pytest.raises(Refused, match="still open with Chao Thrift"):
        incident.close(incident=row, by=lab.fay, sentence="Told everyone.")
    incident.done(follow_up=todo, by=lab.chao, says="New stop fitted.")
    with pytest.raises(Refused, match="what was learned"):
        incident.close(incident=row, by=lab.fay, sentence=" ")
    incident.close(incident=row, by=lab.fay, sentence="Told everyone.")

    row.refresh_from_db()
    assert (row.closed_by, row.closing, row.cause) == (lab.fay, "Told everyone.", "")
    assert Message.objects.filter(person=lab.ben, key=f"incident|{row.pk}|closed").count() == 1


def test_given_a_press_twice_when_done_closed_or_opened_again_then_nothing_is_doubled(lab):
    row = build.incident(by=lab.ben)
    sent = uuid.uuid4()
    day = timezone.localdate()
    todo = {"incident": row, "by": lab.fay, "says": "Look.", "who": lab.dee, "until": day}

    made = [incident.follow_up(**todo, sent_id=sent) for _ in range(2)]
    [incident.done(follow_up=made[0], by=lab.dee) for _ in range(2)]
    [incident.add_word(incident=row, by=lab.ben, text="It was dark.", sent_id=sent) for _ in "ab"]
    [incident.close(incident=row, by=lab.fay, sentence="Lamp fitted.") for _ in range(2)]
    with pytest.raises(Refused, match="Fay Eelgrass closed this"):
        incident.close(incident=row, by=lab.dee, sentence="Lamp fitted.")
    [incident.open_again(incident=row, by=lab.dee, why="Dark again.") for _ in range(2)]

    assert FollowUp.objects.count() == 1
    assert [change.what for change in row.changes.all()] == [
        "reported", "follow-up", "done", "added", "closed", "opened again"
    ]  # fmt: skip


def test_given_a_day_that_is_over_when_followed_up_then_it_is_refused(lab):
    row = build.incident(by=lab.ben)

    with pytest.raises(Refused, match="is over"):
        build.follow_up(row, who=lab.dee, by=lab.fay, days=-1)


# pages


@pytest.mark.parametrize(
    ("who", "status"), [("ben", 200), ("fay", 200), ("dee", 200), ("chao", 404), ("gil", 404)]
)
def test_given_an_incident_when_asked_for_then_the_reporter_and_the_house_see_it(
    lab, client, who, status
):
    row = build.incident(by=lab.ben, says="Hair in the door seal.")
    client.force_login(getattr(lab, who))

    assert client.get(row.get_absolute_url()).status_code == status
    listed = client.get(reverse("bookings:incidents")).content.decode()
    assert ("Hair in the door seal." in listed) is (status == 200)


def test_given_a_follow_up_when_it_is_a_users_then_they_see_it_on_their_first_page_and_finish_it(
    lab, client
):
    row = build.incident(by=lab.ben)
    todo = build.follow_up(row, who=lab.chao, by=lab.fay, says="Measure the gap.")
    client.force_login(lab.chao)

    assert "Measure the gap." in client.get("/").content.decode()
    assert "Measure the gap." in client.get(reverse("bookings:follow_ups")).content.decode()
    client.post(reverse("bookings:finish_follow_up", args=[todo.pk]), {"text": "0.4 mm."})

    todo.refresh_from_db()
    assert (todo.done_by, todo.done_says) == (lab.chao, "0.4 mm.")


def test_given_the_form_when_posted_then_it_is_stored_once_and_a_gap_is_asked_beside_its_field(
    lab, client
):
    client.force_login(lab.eve)
    address = reverse("bookings:report_incident")
    sent = str(uuid.uuid4())

    refused = client.post(
        address, {"kind": "leak", "says": "", "at_once": "Shut it.", "sent_id": sent}
    )
    good = {"kind": "leak", "says": "Hiss at the door.", "instrument": "quayside", "sent_id": sent}
    answers = [client.post(address, good) for _ in range(2)]

    assert refused.status_code == 422
    assert "Shut it." in refused.content.decode()
    assert "few words what happened" in refused.content.decode()
    assert [answer.status_code for answer in answers] == [302, 302]
    assert Incident.objects.get().instrument == lab.instrument


def test_given_many_incidents_when_listed_then_the_queries_stay_the_same(
    lab, client, django_assert_max_num_queries
):
    for n in range(12):
        row = build.incident(by=lab.ben, says=f"number {n}", instrument=lab.instrument)
        build.follow_up(row, who=lab.dee, by=lab.fay)
    client.force_login(lab.fay)
    client.get(reverse("bookings:incidents"))

    with django_assert_max_num_queries(8):
        client.get(reverse("bookings:incidents"))
    with django_assert_max_num_queries(12):
        client.get(row.get_absolute_url())


def test_given_a_name_in_an_incident_when_it_is_redacted_then_only_the_reason_stands(lab, client):
    row = build.incident(by=lab.ben, instrument=lab.instrument, says="Chao felt faint.")
    incident.change(incident=row, by=lab.fay, cause="Chao had not eaten.")
    address = reverse("bookings:redact_incident", args=[row.pk])
    statuses = {}
    for who in ("ben", "fay", "dee"):
        client.force_login(getattr(lab, who))
        statuses[who] = client.post(address, {"reason": "a health matter"}).status_code

    text = client.get(row.get_absolute_url()).content.decode()
    row.refresh_from_db()
    bodies = [entry.body for entry in lab.instrument.log.entries.all()]
    assert statuses == {"ben": 403, "fay": 403, "dee": 302}
    assert (row.says, row.cause) == ("", "")
    assert not any("faint" in body or "eaten" in body for body in bodies)
    assert "faint" not in text
    assert "a health matter" in text
    assert verify(log=lab.instrument.log).broken == []
    for said in ("other words", "reported"):
        with pytest.raises(IntegrityError, match="append-only"), transaction.atomic():
            row.changes.filter(what="reported").update(after=said)
    with pytest.raises(IntegrityError, match="append-only"), transaction.atomic():
        row.changes.update(before="", after="", what="nothing")
    assert client.post(address, {"reason": ""}).status_code == 422
