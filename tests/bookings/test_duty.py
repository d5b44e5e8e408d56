"""Who leaves an instrument at rest: computed from the bookings, taken over with one press (BKG-02)."""

from datetime import datetime, timedelta

import pytest
from django.core.exceptions import PermissionDenied
from django.test import Client
from django.urls import reverse
from django.utils import timezone

from bookings import book, duty
from bookings.models import BookingRules, Flag, Message
from facility.errors import Refused
from facility.models import DeviceState, Entry, Place
from tests import build

pytestmark = pytest.mark.django_db
H = timedelta(hours=1)


@pytest.fixture
def house(lab):
    """Ben has tomorrow morning, Mina of his group the afternoon; Chao of another group is trained."""
    BookingRules.objects.create(instrument=lab.instrument, loading_min=0)
    lab.stage = Place.objects.get(kind="stage", instrument=lab.instrument)
    lab.mina = build.person("Mina Campion", group=lab.ben.group)
    for person in (lab.mina, lab.chao):
        build.qualify(person, lab.instrument, by=lab.dee)
    lab.day = timezone.localdate() + timedelta(days=1)
    lab.nine = timezone.make_aware(datetime.combine(lab.day, datetime.min.time())) + 9 * H
    lab.first = book.book(place=lab.stage, by=lab.ben, start=lab.nine, end=lab.nine + 3 * H)
    lab.last = book.book(place=lab.stage, by=lab.mina, start=lab.nine + 4 * H, end=lab.nine + 7 * H)
    return lab


def owner(house):
    return duty.owner(house.instrument, house.day)


def said_to(person):
    return [row.says for row in Message.objects.filter(person=person, key__startswith="duty|")]


def test_given_two_bookings_when_the_last_is_cancelled_then_the_duty_passes_on_and_is_told(house):
    assert owner(house).person == house.mina

    book.cancel(booking=house.last, by=house.mina)

    assert owner(house).person == house.ben
    (told,) = said_to(house.ben)
    assert "your time is the last on" in told
    assert told.startswith("Quayside")


def test_given_two_bookings_when_the_first_moves_behind_the_last_then_who_moved_is_not_told(house):
    book.move(booking=house.first, by=house.ben, start=house.nine + 8 * H, end=house.nine + 9 * H)

    assert owner(house).person == house.ben
    assert said_to(house.ben) == []


def test_given_a_duty_when_a_colleague_takes_it_then_they_own_it_and_who_had_it_is_told(house):
    row = duty.take(instrument=house.instrument, day=house.day, by=house.ben)
    again = duty.take(instrument=house.instrument, day=house.day, by=house.ben)

    assert again == row
    assert (owner(house).person, owner(house).taken) == (house.ben, True)
    assert len(said_to(house.mina)) == 1
    assert "you need not" in said_to(house.mina)[0]
    assert Entry.objects.filter(kind="duty").count() == 1
    book.cancel(booking=house.last, by=house.mina)  # it stays with whoever took it
    assert owner(house).person == house.ben


def test_given_a_duty_taken_when_given_back_then_it_is_theirs_whose_time_ends_last(house):
    duty.take(instrument=house.instrument, day=house.day, by=house.dee)
    with pytest.raises(Refused, match="Only they, or staff"):
        duty.give_back(instrument=house.instrument, day=house.day, by=house.ben)

    duty.give_back(instrument=house.instrument, day=house.day, by=house.dee)
    duty.give_back(instrument=house.instrument, day=house.day, by=house.dee)

    assert (owner(house).person, owner(house).taken) == (house.mina, False)
    assert any("after all" in says for says in said_to(house.mina))


@pytest.mark.parametrize(
    ("who", "refused"), [("eve", PermissionDenied), ("gil", PermissionDenied), ("chao", None)]
)
def test_given_a_duty_when_each_asks_then_only_who_works_there_alone_takes_it(house, who, refused):
    person = getattr(house, who)
    if refused is None:
        duty.take(instrument=house.instrument, day=house.day, by=person)
        assert owner(house).person == person
        return

    with pytest.raises(refused):
        duty.take(instrument=house.instrument, day=house.day, by=person)


def test_given_a_day_that_is_over_or_taken_when_taken_then_it_is_said_why_not(house):
    with pytest.raises(Refused, match="is over"):
        duty.take(instrument=house.instrument, day=house.day - timedelta(days=9), by=house.ben)
    duty.take(instrument=house.instrument, day=house.day, by=house.ben)
    with pytest.raises(Refused, match="Ben Samphire took this over already"):
        duty.take(instrument=house.instrument, day=house.day, by=house.chao)


def test_given_somebody_who_took_it_and_left_when_looked_at_then_it_is_open_again(house):
    duty.take(instrument=house.instrument, day=house.day, by=house.chao)
    house.chao.is_active = False
    house.chao.save()

    assert owner(house).person == house.mina
    duty.take(instrument=house.instrument, day=house.day, by=house.ben)
    assert owner(house).person == house.ben


@pytest.fixture
def evening(house):
    """Today, some minutes past 17:00, and the gate valve stands open."""
    now = timezone.now()
    DeviceState.objects.create(
        instrument=house.instrument, device="gate_valve", state="open", since=now, looked_at=now
    )
    at = timezone.make_aware(datetime.combine(timezone.localdate(), datetime.min.time()))
    return at + 17.2 * H


def test_given_nobody_at_17_when_the_clock_looks_then_staff_are_told_once(house, evening):
    duty.watch_shut_down(evening)
    duty.watch_shut_down(evening + H)

    told = Message.objects.filter(person=house.dee, key__startswith="BKG-02")
    assert told.count() == 1
    assert "nobody has the shut-down duty tonight" in told.get().says
    assert Flag.objects.waiting().filter(rule="BKG-02").count() == 1


def test_given_the_flag_of_the_evening_when_somebody_takes_the_duty_then_it_clears(house, evening):
    duty.watch_shut_down(evening)
    browser = Client()
    browser.force_login(house.ben)
    today = timezone.localdate().isoformat()
    path = reverse("bookings:take_duty", args=[house.instrument.slug, today])
    home = browser.get("/").content.decode()
    assert path in home
    assert "I take it over" in home

    answer = browser.post(path, {"back": "today"})

    assert answer.url == "/"
    assert not Flag.objects.waiting().filter(rule="BKG-02").exists()
    duty.watch_shut_down(evening + H)
    assert not Flag.objects.waiting().filter(rule="BKG-02").exists()
    duty.give_back(instrument=house.instrument, day=timezone.localdate(), by=house.ben)
    duty.watch_shut_down(evening + 2 * H)
    assert Flag.objects.waiting().filter(rule="BKG-02").count() == 1


def test_given_a_stranger_when_they_open_the_day_then_no_name_of_another_group_shows(house):
    browser = Client()
    browser.force_login(house.chao)

    page = browser.get(reverse("bookings:day", args=[house.day.isoformat()])).content.decode()

    assert "Somebody of another group leaves Quayside at rest" in page
    assert "Mina" not in page
    browser.force_login(house.ben)
    page = browser.get(reverse("bookings:day", args=[house.day.isoformat()])).content.decode()
    assert "Mina Campion leaves Quayside at rest: their time ends last" in page


def test_given_many_instruments_and_days_of_bookings_when_the_owners_are_asked_then_two_queries(
    house, django_assert_num_queries
):
    for number in range(4):
        start = house.nine + timedelta(hours=8 + number)
        book.book(place=house.stage, by=house.dee, start=start, end=start + H)

    with django_assert_num_queries(2):
        duty.owners([house.instrument, house.other_instrument], house.day)


def test_given_staff_who_book_move_and_cancel_for_somebody_when_done_then_that_person_is_told(
    house,
):
    row = book.book(
        place=house.stage, by=house.dee, person=house.ben,
        start=house.nine + 10 * H, end=house.nine + 11 * H,
    )  # fmt: skip
    book.move(booking=row, by=house.dee, start=house.nine + 11 * H, end=house.nine + 12 * H)
    row.refresh_from_db()
    book.cancel(booking=row, by=house.dee)

    told = Message.objects.filter(person=house.ben, key__startswith="booking|").order_by("pk")
    assert [row.says.split(" ", 2)[2][:9] for row in told] == [
        "booked fo",
        "moved you",
        "cancelled",
    ]
    assert all(row.direct for row in told)
