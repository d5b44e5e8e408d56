"""Booking by touch, moving, waiting, training and a home of each role, on tablet and phone."""

from datetime import timedelta

import pytest
from django.utils import timezone

from bookings import book, planning, visits
from bookings.models import Booking, Wish
from facility import qualify
from facility.models import Instrument, Place
from tests import build

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]
H = timedelta(hours=1)


@pytest.fixture
def house(transactional_db):
    """The day after tomorrow is free; Chao may book Quayside too."""
    lab = build.lab()
    build.qualify(lab.chao, lab.instrument, by=lab.dee)
    lab.stage = Place.objects.get(kind="stage", instrument=lab.instrument)
    lab.day = timezone.localdate() + timedelta(days=2)
    lab.nine = planning.day_of(lab.day, book.here())[0] + 9 * H
    return lab


@pytest.mark.both
def test_given_a_tablet_when_a_day_and_hour_are_tapped_then_three_taps_book(
    house, screen, sign_in, accessible
):
    page = screen("tablet")
    sign_in(page, house.ben)
    page.goto(f"/bookings/days/{house.day}/")
    accessible(page)

    page.get_by_role("link", name="Book Quayside from 09:00").tap()
    page.get_by_label("3 h", exact=True).tap()
    accessible(page)
    page.get_by_role("button", name="Book it").tap()

    page.get_by_role("status").get_by_text("Booked: Quayside").wait_for()
    row = Booking.objects.on_main().get()
    assert (row.starts_at, row.ends_at) == (house.nine, house.nine + 3 * H)


def test_given_a_booking_when_tapped_then_it_moves_by_one_press_and_is_cancelled_by_another(
    house, screen, sign_in, accessible
):
    row = book.book(place=house.stage, by=house.ben, start=house.nine, end=house.nine + 2 * H)
    page = screen("tablet")
    sign_in(page, house.ben)
    page.goto(f"/bookings/days/{house.day}/")

    page.get_by_role("link", name="Yours").first.tap()
    page.get_by_role("button", name="an hour later", exact=True).tap()
    page.get_by_text("Moved:").wait_for()
    row.refresh_from_db()
    assert row.starts_at == house.nine + H
    accessible(page)
    page.get_by_role("button", name="Cancel it").tap()
    page.get_by_text("Cancelled:").wait_for()

    row.refresh_from_db()
    assert row.cancelled_at


def test_given_a_phone_when_the_week_is_opened_then_days_are_written_and_taken_time_can_be_waited_for(
    house, screen, sign_in, accessible
):
    book.book(place=house.stage, by=house.ben, start=house.nine, end=house.nine + 2 * H)
    page = screen("phone")
    sign_in(page, house.chao)
    page.goto(f"/bookings/?week={house.nine:%G-W%V}")
    accessible(page)

    assert not page.locator(".week").is_visible()
    page.get_by_role("link", name="Taken").first.tap()
    page.get_by_role("button", name="Tell me first when it is free").tap()
    page.get_by_text("You are on the list").wait_for()

    assert Wish.objects.get().person == house.chao
    assert page.evaluate("document.documentElement.scrollWidth <= window.innerWidth")


@pytest.mark.parametrize("name", ["tablet", "phone"])
def test_given_each_role_when_it_comes_home_then_the_page_fits_and_nothing_serious_is_found(
    house, screen, sign_in, accessible, name
):
    today = timezone.localdate()
    visits.arrange(
        person=house.eve,
        host=house.gil,
        by=house.dee,
        arrives_on=today,
        leaves_on=today,
    )
    for person in (house.ben, house.dee, house.gil, house.eve, house.fay):
        page = screen(name, light="dark" if person is house.dee else "light")
        sign_in(page, person)
        page.goto("/")
        accessible(page)
        assert page.evaluate("document.documentElement.scrollWidth <= window.innerWidth")
        page.context.close()


def test_given_staff_when_they_change_the_word_on_the_first_page_then_everybody_reads_it(
    house, screen, sign_in
):
    page = screen("tablet")
    sign_in(page, house.dee)
    page.get_by_text("Change").first.tap()
    page.get_by_label("Why, unless usable").first.fill("the stage sticks")
    page.get_by_role("button", name="with care").first.tap()
    page.get_by_text("the stage sticks").wait_for()

    assert Instrument.objects.get(name="Quayside").word == "careful"


@pytest.mark.parametrize("name", ["tablet", "phone"])
def test_given_a_training_when_every_step_is_seen_then_the_level_is_granted(
    house, screen, sign_in, accessible, name
):
    training = qualify.begin_training(
        person=house.chao, instrument=house.other_instrument, level=2, by=house.dee
    )
    page = screen(name)
    sign_in(page, house.dee)
    page.goto(f"/trainings/{training.pk}/")
    accessible(page)
    assert page.evaluate("document.documentElement.scrollWidth <= window.innerWidth")

    for number, (step, _) in enumerate(qualify.checklist(training)):
        page.get_by_role("button", name=f"Yes: {step.words}").tap()
        page.locator(".ledger small").nth(number).wait_for()
    page.get_by_text("all seen").wait_for()
    page.get_by_role("button", name="Grant assisted").tap()
    page.get_by_text("assisted, granted").wait_for()

    assert qualify.standing(house.chao, house.other_instrument).level == 2
