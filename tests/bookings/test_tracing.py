"""Tracing: answers, refusals, its page; and the review's lines of what broke."""

import uuid
from datetime import timedelta

import pytest
from django.db import IntegrityError, transaction
from django.urls import reverse
from django.utils import timezone

from bookings import broke, review, say, tracing
from bookings.models import Load, LookedFor
from facility.errors import SetAside
from tests import build


def test_given_an_answer_when_looked_for_then_it_is_kept_once_and_never_changed(lab):
    load = _load(lab)
    sent = uuid.uuid4()
    said = {"load": load, "element": "Sn", "by": lab.dee, "sent_id": sent}

    rows = [tracing.look_for(shows=False, **said) for _ in range(2)]

    assert rows[0].pk == rows[1].pk
    with pytest.raises(SetAside):
        tracing.look_for(shows=True, **said)
    with pytest.raises(IntegrityError, match="append-only"), transaction.atomic():
        LookedFor.objects.update(shows=True)


def _load(lab):
    from bookings import inside, run

    session = run.sign_on(instrument=lab.instrument, by=lab.ben)
    return inside.open_load(
        session=session, holder=lab.holder, by=lab.ben, moment=timezone.now() - timedelta(hours=1)
    )


def test_given_a_sample_when_traced_then_its_holder_and_element_are_asked_for(lab, client):
    from samples import mount

    tin = build.sample(owner=lab.ben, composition="SnO2")
    mount.mount(holder=lab.holder, sample=tin, by=lab.ben)
    client.force_login(lab.dee)

    text = client.get(reverse("bookings:trace"), {"sample": tin.code}).content.decode()

    assert "Where Sn may have gone" in text
    assert 'value="B7"' in text


@pytest.mark.parametrize(
    ("asked", "sentence"),
    [
        ({"element": "Xy"}, "Xy is no symbol"),
        ({"element": "Sn", "on": "2026-99-99"}, "must be a date"),
        ({"element": "Sn", "holder": "Z99"}, "Z99"),
        ({"element": "Sn", "before": "many"}, "whole number up to 400"),
    ],
)
def test_given_what_cannot_be_when_traced_then_one_sentence_says_so(lab, client, asked, sentence):
    client.force_login(lab.dee)

    response = client.get(reverse("bookings:trace"), asked)

    assert response.status_code == 422
    assert sentence in response.content.decode()


def test_given_an_empty_house_when_traced_then_the_page_says_that_nothing_was_touched(lab, client):
    client.force_login(lab.fay)

    response = client.get(reverse("bookings:trace"), {"element": "Sn"})

    assert response.status_code == 200
    assert "Nothing in the window was touched" in response.content.decode()


def test_given_what_broke_when_reviewed_then_open_ones_say_who_has_them_and_a_calm_week_nothing(
    lab,
):
    now = timezone.now()
    monday = timezone.localdate(now) - timedelta(days=timezone.localdate(now).weekday())
    week = review.week_of(monday)
    say.report_fault(instrument=lab.instrument, by=lab.ben, text="Arm stiff.")
    told = build.incident(by=lab.ben, instrument=lab.instrument)
    build.follow_up(told, who=lab.chao, by=lab.fay)

    lines = {line.key.split("|")[0]: line for line in broke.review_lines(lab.instrument, week)}

    assert "Arm stiff; reported by Ben Samphire." in lines["fault"].says
    assert "Chao Thrift has it" in lines["incident"].says
    assert broke.review_lines(lab.other_instrument, week) == []
    earlier = review.week_of(monday - timedelta(days=7))
    assert broke.review_lines(lab.instrument, earlier) == []


def test_given_an_overdue_follow_up_when_a_later_week_is_reviewed_then_one_line_says_so(lab):
    told = build.incident(by=lab.ben, instrument=lab.instrument)
    todo = build.follow_up(told, who=lab.chao, by=lab.fay, days=1)
    monday = todo.until + timedelta(days=14 - todo.until.weekday())

    lines = broke.review_lines(lab.instrument, review.week_of(monday))

    late = next(line for line in lines if line.key.startswith("follow-ups|"))
    assert late.says.startswith("1 follow-up overdue: Look at the arm's stop.")
    assert Load.objects.count() == 0


def test_given_a_lot_of_tape_and_a_sputtered_load_when_read_then_both_are_things_they_share(lab):
    from bookings import inside, run
    from bookings.models import Measurement
    from samples import mount

    lot = build.tape(lab)
    tin = build.sample(owner=lab.ben, composition="SnO2")
    standing = mount.mount(holder=lab.holder, sample=tin, by=lab.ben)
    type(standing).objects.filter(pk=standing.pk).update(
        lot=lot, since=timezone.now() - timedelta(hours=2)
    )
    session = run.sign_on(instrument=lab.instrument, by=lab.ben)
    load = inside.open_load(
        session=session, holder=lab.holder, by=lab.ben, moment=timezone.now() - timedelta(hours=1)
    )
    measured = say.note(session=session, by=lab.ben, text="survey")
    Measurement.objects.create(
        session=session, load=load, mount=standing, what="survey", at=timezone.now(), entry=measured
    )
    say.setting(session=session, by=lab.ben, device="ion gun", values={"minutes": "2"})

    (stay,) = tracing.around("Sn", timezone.now() - timedelta(days=1)).stays

    kinds = {thing.kind: thing.name for thing in stay.things}
    assert kinds["lot"] == "the same Copper tape, batch 31"
    assert kinds["gun"] == f"ion gun of {lab.instrument}"
