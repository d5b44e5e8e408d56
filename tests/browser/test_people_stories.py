"""People and bookings walked as their users do: duty, faults, levels, hours, a group, leaving."""

from datetime import timedelta

import pytest
from django.utils import timezone

from bookings import book, run, usage
from bookings.models import Booking, BookingRules, Duty, Fault
from facility.models import Instrument, Place
from samples.models import Sample
from tests import build

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True), pytest.mark.soak]
H = timedelta(hours=1)
BOTH = pytest.mark.parametrize("name", ["tablet", "phone"])


@pytest.fixture
def house(transactional_db):
    lab = build.lab()
    BookingRules.objects.create(instrument=lab.instrument, loading_min=0, price=38.0)
    lab.stage = Place.objects.get(kind="stage", instrument=lab.instrument)
    lab.now = timezone.now()
    return lab


def fits(page):
    return page.evaluate("document.documentElement.scrollWidth <= window.innerWidth")


@BOTH
def test_given_a_colleagues_shut_down_when_taken_over_then_one_tap_does_it(
    house, screen, sign_in, accessible, name
):
    start = house.now + 26 * H
    row = book.book(place=house.stage, by=house.ben, start=start, end=start + H)
    day = timezone.localdate(row.ends_at - timedelta(minutes=1))
    page = screen(name)
    sign_in(page, house.dee)
    page.goto(f"/bookings/days/{day}/")
    accessible(page)
    assert fits(page)

    page.get_by_role("button", name="I take it over: Quayside").tap()
    page.get_by_text("You leave Quayside at rest: taken over.").wait_for()

    assert Duty.objects.standing().get().person == house.dee


@BOTH
def test_given_a_fault_at_23_when_it_is_reported_then_number_word_and_time_follow(
    house, screen, sign_in, name
):
    book.book(place=house.stage, by=house.ben, start=house.now, end=house.now + 2 * H)
    session = run.sign_on(instrument=house.instrument, by=house.ben)
    page = screen(name)
    sign_in(page, house.ben)
    page.goto(session.get_absolute_url())

    form = page.locator(f"form[action='/sessions/{session.pk}/fault/']")
    form.evaluate("one => one.closest('details') && (one.closest('details').open = true)")
    form.locator("textarea, input[name=text]").first.fill("The stage does not move")
    form.get_by_role("button").first.tap()
    page.get_by_text("The stage does not move").first.wait_for(state="attached")

    fault = Fault.objects.get()
    assert Instrument.objects.get(pk=house.instrument.pk).word == "careful"
    (line,) = usage.lines(
        house.now - H, timezone.now() + H, by="group", instrument=house.instrument
    )
    assert line.booked > 0
    assert line.fault > 0
    staff = screen(name)
    sign_in(staff, house.dee)
    staff.get_by_text(f"fault {fault.pk}").first.wait_for()


@BOTH
def test_given_a_trained_person_when_they_open_their_levels_then_level_and_last_day_stand(
    house, screen, sign_in, accessible, name
):
    page = screen(name)
    sign_in(page, house.ben)
    page.get_by_role("link", name="Your levels").first.tap()

    page.get_by_role("heading", name="What you may do").wait_for()
    accessible(page)
    assert fits(page)
    assert page.get_by_text("Renewed by:").first.is_visible()


@BOTH
def test_given_unused_and_late_time_when_hours_are_counted_then_group_and_month_show(
    house, screen, sign_in, accessible, name
):
    for hours, why in ((2, Booking.Why.NOT_USED), (4, Booking.Why.PERSON)):
        start = house.now - hours * H
        row = book.made(house.stage, house.ben, start, start + H, person=house.ben)
        row.cancelled_at, row.cancelled_why = start + H / 2, why
        row.save()
    page = screen(name)
    sign_in(page, house.ada)
    first = timezone.localdate() - timedelta(days=2)
    page.goto(f"/hours/?start={first}&end={timezone.localdate()}")
    accessible(page)

    page.get_by_role("heading", name="Not used").wait_for()
    assert page.get_by_text("Ben Samphire").count() == 0
    assert fits(page)


@BOTH
def test_given_a_lead_when_they_open_their_group_then_hours_cost_and_levels_show(
    house, screen, sign_in, accessible, name
):
    session = run.sign_on(instrument=house.instrument, by=house.ben)
    page = screen(name)
    sign_in(page, house.gil)
    page.get_by_role("link", name="Your group").tap()

    page.get_by_role("heading", name="Hours and cost").wait_for()
    accessible(page)
    assert fits(page)
    assert page.locator(f"a[href='{session.get_absolute_url()}']").count() == 1
    assert page.get_by_text("38.00").count() == 1


@BOTH
def test_given_somebody_who_leaves_when_staff_let_them_go_then_a_colleague_owns_their_samples(
    house, screen, sign_in, name
):
    sample = build.sample(owner=house.ben)
    page = screen(name)
    sign_in(page, house.dee)
    page.goto(f"/people/{house.ben.pk}/")

    page.get_by_text("Hand over samples, or leave for good").tap()
    page.get_by_label("Samples go to").select_option(label=str(house.gil))
    page.get_by_role("button", name="leaves for good").tap()
    page.get_by_text(", left").first.wait_for()

    house.ben.refresh_from_db()
    assert not house.ben.is_active
    assert Sample.objects.get(pk=sample.pk).owner == house.gil
