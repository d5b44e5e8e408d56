"""A tablet that loses its network keeps what is written and sends it once."""

import pytest
from playwright.sync_api import expect

from bookings import run, steps
from bookings.models import Reading
from facility import verify
from facility.models import Entry, KeptItem
from tests import build

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]


@pytest.fixture
def cast(transactional_db):
    made = build.lab()
    made.session = run.sign_on(instrument=made.instrument, by=made.ben)
    sheet_looks = (
        "look_arm",
        "look_gate",
        "look_door",
        "look_pump_valve_shut",
        "look_introduction",
    )
    for look in sheet_looks:
        steps.take_step(session=made.session, by=made.ben, step_id=look)
    steps.take_step(session=made.session, by=made.ben, step_id="load", holder=made.holder)
    return made


def write_pressure(page, figure, tenth, power):
    for name, value in (("figure", figure), ("tenth", tenth), ("power", power)):
        page.locator(f"label.key:has(input[name={name}][value='{value}'])").first.tap()
    page.get_by_role("button", name="Write it down").first.tap()


def says(page, text):
    """Wait until the tray says so."""
    expect(page.locator("[data-outbox-word]")).to_contain_text(text)


def test_given_no_network_when_writing_then_it_is_kept_shown_sent_once_and_in_order(
    cast, screen, sign_in
):
    page = screen("tablet")
    sign_in(page, cast.ben)
    page.goto(f"/sessions/{cast.session.pk}/")
    says(page, "nothing waits")

    page.context.set_offline(True)
    page.locator(".step").get_by_role("button", name="Done").tap()
    says(page, "1 entry waits")
    assert "Wait for the threshold" in page.locator(".step-says").inner_text()
    write_pressure(page, 3, 4, -2)
    says(page, "2 entries wait")
    page.get_by_text("A note", exact=True).tap()
    page.locator("#id_text").fill("No network here.")
    page.locator("form[data-outbox=note] button").tap()
    says(page, "3 entries wait")
    assert not Reading.objects.exists()

    page.context.set_offline(False)
    page.evaluate("dispatchEvent(new Event('online'))")
    says(page, "nothing waits")
    page.complaints.clear()  # the console tells of requests that met no network

    assert Reading.objects.get().typed == "3.4e-2"
    assert Entry.objects.filter(kind="step").count() == 2
    assert Entry.objects.filter(kind="note").count() == 1  # under an id of its own
    assert verify.verify().broken == []
    assert not KeptItem.objects.exists()


def test_given_an_answer_that_is_lost_when_it_is_sent_again_then_it_is_stored_once(
    cast, screen, sign_in
):
    page = screen("tablet")
    sign_in(page, cast.ben)
    page.goto(f"/sessions/{cast.session.pk}/")
    lost = []

    def lose_the_answer(route):
        if not lost:
            lost.append(route.request.url)
            route.fetch()  # the server commits
            route.abort()  # and the tablet never hears of it
        else:
            route.continue_()

    page.route("**/pressure/**", lose_the_answer)
    write_pressure(page, 7, 0, -3)
    says(page, "nothing waits")
    page.wait_for_timeout(500)
    page.complaints.clear()

    assert lost
    assert Reading.objects.count() == 1


def test_given_no_network_when_the_page_is_opened_again_then_the_worker_brings_it(
    cast, screen, sign_in
):
    page = screen("tablet")
    sign_in(page, cast.ben)
    page.goto(f"/sessions/{cast.session.pk}/")
    page.evaluate("navigator.serviceWorker.ready.then(() => true)")
    page.reload()

    page.context.set_offline(True)
    page.reload()

    assert "of 5" in page.locator(".step").inner_text()
    page.context.set_offline(False)
    page.complaints.clear()
