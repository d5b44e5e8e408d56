"""A rule muted for one instrument: logged, held back until its day, never a stop, said in the review."""

from datetime import timedelta

import pytest
from django.urls import reverse
from django.utils import timezone

from bookings import review, watchers
from bookings.lines import Line
from facility import mute
from facility.errors import Refused
from facility.findings import STOP

pytestmark = pytest.mark.django_db


def in_days(count):
    return timezone.localdate() + timedelta(days=count)


def test_given_a_muted_rule_when_weeks_are_reviewed_then_it_is_said_in_grey_and_a_stop_stands(
    lab, monkeypatch
):
    lines = [
        Line("one", "vacuum", "Slow again.", rule="PMP-01"),
        Line("two", "scale", "Never above this.", severity=STOP, rule="PMP-01"),
    ]
    monkeypatch.setattr(watchers, "sources", lambda: [(lambda *_: lines, ("vacuum",))])
    monday = review.newest_monday() + review.A_WEEK

    row = mute.mute(
        instrument=lab.instrument, rule="pmp-01", until=in_days(14), why="new pump", by=lab.dee
    )

    page = review.page_of(row, monday)
    assert [item.line.key for item in page.items] == ["two"]
    assert f"Muted: PMP-01 until {in_days(14).day} " in page.fine
    assert "1 line this week (new pump)." in page.fine
    assert "as usual" not in page.fine
    assert row.log.entries.filter(kind="rule muted").count() == 1
    other = review.page_of(lab.other_instrument, monday)
    assert {item.line.key for item in other.items} == {"one", "two"}
    assert mute.muted_on(row, in_days(14)) == {}


@pytest.mark.parametrize(
    ("asked", "sentence"),
    [
        ({"rule": "hazard"}, "HAZARD is no rule"),
        ({"rule": "gas-01"}, "is never muted"),
        ({"until": in_days(0)}, "a day to come"),
        ({"until": in_days(92)}, "At most 13 weeks"),
        ({"why": "  "}, "why it is muted"),
    ],
)
def test_given_what_cannot_be_muted_when_asked_then_one_sentence_says_so(lab, asked, sentence):
    said = {"rule": "PMP-01", "until": in_days(7), "why": "new pump"} | asked

    with pytest.raises(Refused, match=sentence):
        mute.mute(instrument=lab.instrument, by=lab.dee, **said)


def test_given_the_cast_when_a_rule_is_muted_on_the_page_then_staff_may_and_can_take_it_back(
    client, lab
):
    address = reverse("bookings:mute_rule")
    typed = {"instrument": "quayside", "rule": "PMP-01", "until": f"{in_days(7)}", "why": "pump"}
    statuses = {}
    for who in ("ben", "eve", "fay", "dee"):
        client.force_login(getattr(lab, who))
        statuses[who] = client.post(address, typed).status_code

    text = client.get(reverse("bookings:flags")).content.decode()
    bare = client.post(address, typed | {"why": ""})
    client.post(address, {"instrument": "quayside", "again": "PMP-01"})

    assert statuses == {"ben": 403, "eve": 403, "fay": 403, "dee": 302}
    assert "<b>PMP-01</b> on Quayside" in text
    assert bare.status_code == 422
    assert "the next person reads it" in bare.content.decode()
    lab.instrument.refresh_from_db()
    assert lab.instrument.muted == {}
