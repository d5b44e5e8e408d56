"""The whole job once, by touch on the tablet: bench, label, session, pressures, flag, log."""

import io
import re

import pytest
import zxingcpp
from django.core.management import call_command
from django.db import DatabaseError, connection
from PIL import Image
from playwright.sync_api import expect

from bookings.models import Flag, Load, Reading
from tests import build

pytestmark = [pytest.mark.browser, pytest.mark.both, pytest.mark.django_db(transaction=True)]

TYPED = ["2.0e1", "1,2E-02", "3.4 x 10^-4", "8.1 × 10⁻⁶", "OFF", "9.0e-7"]


@pytest.fixture
def cast(transactional_db):
    made = build.lab()
    build.sample("Anatase A3", owner=made.ben, form="powder", composition="TiO2", thickness_mm=0.2)
    return made


def done(page):
    """Press the step's own press and wait until the page says the next one."""
    before = page.locator(".step-says").inner_text()
    page.locator(".step").get_by_role("button", name=re.compile("Done|this one")).tap()
    expect(page.locator(".step-says")).not_to_have_text(before)


def test_given_a_powder_when_the_day_is_walked_by_touch_then_staff_see_it_first_and_the_log_holds(
    cast, screen, sign_in, accessible, settings
):
    settings.PUBLIC_URL = "https://holdfast.example.org"
    page = screen("tablet")
    sign_in(page, cast.ben)

    # scan and mount: exactly the planted finding
    page.fill("input[name=q]", f"{cast.holder.code}")
    page.keyboard.press("Enter")
    page.wait_for_url(f"**/holders/{cast.holder.code}/")
    page.goto(f"/holders/{cast.holder.code}/mount/")
    page.get_by_role("button", name="Anatase A3").first.tap()
    page.get_by_text("How was loose powder removed?").wait_for()
    page.goto(f"/holders/{cast.holder.code}/")
    stops = page.locator(".finding[data-is=stop]")
    assert stops.count() == 1
    assert "PWD-01" in stops.first.inner_text()
    accessible(page)

    # a label that an independent decoder reads
    page.goto(f"/holders/{cast.holder.code}/label/")
    picture = page.locator(".box-label").first.screenshot()
    read = zxingcpp.read_barcodes(Image.open(io.BytesIO(picture)).convert("L"))
    assert [code.text for code in read] == [f"HTTPS://HOLDFAST.EXAMPLE.ORG/H/{cast.holder.code}"]

    # sign on: the load is refused while powder is loose, then it goes in
    page.goto("/sessions/")
    page.get_by_role("button", name="Sign on to Quayside").tap()
    page.wait_for_url("**/sessions/*/")
    address = page.url
    page.get_by_role("button", name="I looked: it is so").tap()
    expect(page.locator("[name=look]")).to_have_count(0)
    page.fill("#id_holder", "B7")
    page.locator(".step").get_by_role("button", name=re.compile("Done|this one")).tap()
    page.wait_for_selector(".refusal")
    assert "loose powder" in page.locator(".refusal").inner_text()
    page.complaints.clear()  # the 422 that was asked for
    page.goto(f"/holders/{cast.holder.code}/")
    page.get_by_role("button", name="Tapped").first.tap()
    expect(page.locator(".finding[data-is=stop]")).to_have_count(0)

    page.goto(address)
    page.fill("#id_holder", "B7")
    done(page)
    done(page)
    for text in TYPED:
        page.get_by_text("A pressure of another gauge, or typed").tap()
        field = page.locator("#p-quayside-intro")
        field.fill(text)
        with page.expect_navigation():
            field.press("Enter")
    assert list(Reading.objects.order_by("pk").values_list("typed", flat=True)) == TYPED
    accessible(page)
    done(page)  # transfer
    done(page)  # arm home, gate closed
    page.get_by_role("button", name="Sign off").tap()
    page.wait_for_url("**/records/sessions/*/")
    assert Load.objects.get().transferred_at

    # staff: a flag is first on the screen and is answered
    powder = build.sample("Rutile R2", owner=cast.ben, form="powder", composition="TiO2")
    from bookings import run
    from samples import mount as bench

    other = build.holder("A4", by=cast.dee)
    bench.mount(holder=other, sample=powder, by=cast.ben)
    run.refresh_flags(other)
    desk = screen("desk")
    sign_in(desk, cast.dee)
    first = desk.locator("[data-is=stop]").first
    assert first.bounding_box()["y"] < 900
    desk.get_by_role("link", name="Answer").first.click()
    desk.fill("input[name=sentence]", "Told Ben; he taps it off today.")
    desk.get_by_role("button", name="Seen").click()
    desk.wait_for_load_state()
    assert not Flag.objects.waiting().filter(rule="PWD-01").exists()

    call_command("verify_log")
    with pytest.raises(DatabaseError), connection.cursor() as cursor:
        cursor.execute("UPDATE facility_entry SET kind = 'x'")
