"""The wall board: what it says, to whom, and that it says no name."""

from datetime import timedelta

import pytest
from django.core.exceptions import PermissionDenied
from django.test import Client
from django.urls import reverse
from django.utils import timezone

from bookings import board, book, run, say
from facility.models import Place
from tests import build


@pytest.fixture
def token(lab):
    return board.renew(instrument=lab.instrument, by=lab.dee)


def read(token, **query):
    return Client().get(reverse("bookings:board", args=[token]), query)


def test_given_a_busy_instrument_when_the_board_is_read_then_it_names_nobody(lab, token):
    sample = build.sample("Unobtainium", owner=lab.ben)
    session = run.sign_on(instrument=lab.instrument, by=lab.ben)
    stage = Place.objects.get(kind="stage", instrument=lab.instrument)
    now = timezone.now()
    book.book(place=stage, by=lab.ben, start=now + timedelta(hours=1), end=now + timedelta(hours=2))
    say.leave_running(
        session=session, by=lab.ben, what="depth profile of Unobtainium",
        until=now + timedelta(hours=9), phone="Ben Samphire, 41 22",
    )  # fmt: skip

    text = read(token).content.decode()

    assert "in use" in text
    assert "Left running" in text
    assert "Phone 41 22" in text
    for secret in ("Ben", "Samphire", sample.title, "coatings", "profile"):
        assert secret not in text


def test_given_no_news_when_polled_then_204_and_two_queries(lab, token, django_assert_num_queries):
    first = read(token)
    news = first.context["news"]

    with django_assert_num_queries(2):
        assert read(token, seen=news).status_code == 204
    run.sign_on(instrument=lab.instrument, by=lab.ben)

    assert read(token, seen=news).status_code == 200


def test_given_a_renewed_address_when_the_old_one_is_asked_then_it_is_not_here(lab, token):
    new = board.renew(instrument=lab.instrument, by=lab.ada)

    assert read(token).status_code == 404
    assert read(new).status_code == 200
    board.end(instrument=lab.instrument, by=lab.dee)
    assert read(new).status_code == 404


def test_given_a_user_when_they_renew_a_board_then_it_is_staffs(lab, token):
    with pytest.raises(PermissionDenied):
        board.renew(instrument=lab.instrument, by=lab.ben)

    assert read(token).status_code == 200


def test_given_staffs_word_when_it_is_down_then_the_board_says_so(lab, token):
    from facility import status

    status.say(instrument=lab.instrument, by=lab.dee, word="down", why="Ben broke the arm")

    text = read(token).content.decode()

    assert "down" in text
    assert "Ben" not in text
