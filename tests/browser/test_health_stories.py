"""The instrument scientist's Monday, walked: U17 to U20, U25; and the house's: U29, U32, U33.

HEALTH_PICTURES=folder keeps a picture of where each walk ends.
"""

import os
import re
from datetime import timedelta
from pathlib import Path

import pytest
from django.utils import timezone
from playwright.sync_api import expect

from bookings import checking, inside, run, say, stores
from bookings.models import Message
from facility import check, keep_up
from facility.models import Check
from samples import mount
from tests import build

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]

LINES = {"Au 4f7/2": "83.97 83.96", "Ag 3d5/2": "368.23 368.22", "Cu 2p3/2": "932.63 932.62"}


@pytest.fixture
def lab(transactional_db):
    return build.lab()


@pytest.fixture
def at(screen, sign_in):
    """`at("tablet", person)` is that person's page on that screen."""

    def of(name, person):
        page = screen(name)
        sign_in(page, person)
        return page

    return of


def keep(page, name):
    if folder := os.environ.get("HEALTH_PICTURES"):
        page.screenshot(path=Path(folder) / f"{name}.png", full_page=True)


def main(page):
    return page.locator("main").inner_text()


def backdated(row, minutes):
    """A rise that was begun so long ago."""
    Check.objects.filter(pk=row.pk).update(at=timezone.now() - timedelta(minutes=minutes))
    return Check.objects.get(pk=row.pk)


def test_given_a_monday_when_the_instrument_scientist_looks_then_one_page_leads_to_the_rows(
    lab, at, accessible
):
    """U17: errors of the lines, base pressure, hours, faults, what is overdue; each a link."""
    energy = build.check_kind(lab.instrument, by=lab.dee)
    row = checking.enter(kind=energy, by=lab.dee, typed=LINES)
    gauge = lab.instrument.chambers.get(kind="main").gauges.first()
    base = build.check_kind(
        lab.instrument, by=lab.dee, sort="base", name="Base pressure", gauge=gauge,
        chamber=gauge.chamber,
    )  # fmt: skip
    checking.enter(kind=base, by=lab.dee, typed={"pressure": "7.4e-10"})
    keep_up.add_task(
        instrument=lab.instrument, by=lab.dee, name="Chiller: filter", every_days=60,
    )  # fmt: skip
    say.report_fault(instrument=lab.instrument, by=lab.ben, text="The arm is stiff.")
    page = at("tablet", lab.dee)

    page.get_by_role("link", name="House", exact=True).first.tap()
    page.get_by_role("link", name=re.compile("^Health")).first.tap()
    page.get_by_role("link", name="Quayside").first.tap()

    shown = main(page)
    assert "Energy scale within 0.1 eV" in shown
    assert "7.4 × 10⁻¹⁰" in shown
    assert "Chiller: filter" in shown
    assert "The arm is stiff." in shown
    assert "Al Kα source" in shown
    accessible(page)
    keep(page, "u17")
    page.locator(f"a[href='{row.get_absolute_url()}']").first.tap()
    expect(page.get_by_role("cell", name="368.225 eV")).to_be_visible()


def test_given_three_lines_when_typed_then_errors_and_verdict_stand_and_a_slip_is_asked_back(
    lab, at, accessible
):
    """U18: a check in a minute; a line 5 eV off is asked back and stored; 0.03 eV is refused."""
    kind = build.check_kind(lab.instrument, by=lab.dee)
    page = at("tablet", lab.dee)
    taps = 0

    page.goto(f"/instruments/{lab.instrument.slug}/health/")
    page.get_by_role("link", name="Enter").first.tap()
    taps += 1
    for line, text in (LINES | {"Au 4f7/2": "88.97 83.96"}).items():
        page.get_by_label(line).fill(text)
        taps += 1
    page.get_by_role("button", name="Write it down").tap()
    expect(page.get_by_role("heading", name="Stored, but look again")).to_be_visible()
    keep(page, "u18-asked-back")
    page.goto(f"/checks/kinds/{kind.pk}/enter/")
    for line, text in LINES.items():
        page.get_by_label(line).fill(text)
    page.get_by_role("button", name="Write it down").tap()

    expect(page.get_by_text("Energy scale within 0.1 eV")).to_be_visible()
    shown = main(page)
    assert "83.965 eV" in shown
    assert "0.005 eV" in shown
    assert taps + 1 <= 6
    accessible(page)
    keep(page, "u18")
    page.goto(f"/instruments/{lab.instrument.slug}/checks/new/")
    page.get_by_label("What is checked").select_option("energy")
    page.get_by_label("Name").fill("Energy scale, 10 eV")
    page.get_by_label(re.compile("^Tolerance")).fill("0.03")
    page.get_by_label("X-ray source").select_option(index=1)
    page.get_by_role("button").filter(has_text=re.compile("Keep")).first.tap()
    expect(page.locator(".refusal").first).to_contain_text("0.03")
    page.complaints.clear()  # the 422 that was asked for


def test_given_a_steady_rise_when_read_for_ten_minutes_then_the_page_says_leak(lab, at):
    """U19: the rate of the second half over that of the first."""
    gauge = lab.instrument.chambers.get(kind="introduction").gauges.first()
    kind = build.check_kind(
        lab.instrument, by=lab.dee, sort="rise", name="Rise", gauge=gauge, chamber=gauge.chamber
    )
    page = at("tablet", lab.dee)
    page.goto(f"/checks/kinds/{kind.pk}/enter/")
    page.get_by_role("button", name="It is isolated now").tap()
    page.get_by_text("Nothing yet").wait_for()
    row = backdated(Check.objects.get(), minutes=12)
    for minute in (0.2, 2, 4, 6, 8, 10):
        moment = row.at + timedelta(minutes=minute)
        check.read_rise_pressure(
            check=row, by=lab.dee, text=f"{1e-6 * (1 + minute):.2e}", at=moment
        )

    page.goto(f"/checks/{row.pk}/read/")
    keep(page, "u19-reading")
    for name, value in (("figure", "1"), ("tenth", "3"), ("power", "-5")):
        key = page.locator(f"label.key:has(input[name={name}][value='{value}'])").first
        if not key.is_visible():
            page.get_by_text("other powers").first.tap()
        key.tap()
    page.locator(".pad button.press").first.tap()
    page.get_by_text("1.3e-5").first.wait_for()
    page.get_by_role("button", name="End the rise").tap()

    expect(page.locator("main")).to_contain_text(re.compile("leak", re.IGNORECASE))
    expect(page.locator("main")).to_contain_text(re.compile(r"second half rose [01]\.\d\d times"))
    keep(page, "u19")


def test_given_tin_on_a_holder_when_traced_by_element_and_day_then_later_loads_are_ranked(
    lab, at, accessible
):
    """U20: from an element and a day to loads, neighbours and people, and what speaks against."""
    tin = build.sample(owner=lab.ben, composition="SnO2", title="Tin oxide", form="powder")
    mount.mount(holder=lab.holder, sample=tin, by=lab.ben)
    session = run.sign_on(instrument=lab.instrument, by=lab.ben)
    inside.open_load(session=session, holder=lab.holder, by=lab.ben, moment=timezone.now())
    page = at("tablet", lab.dee)

    page.get_by_role("link", name="House", exact=True).first.tap()
    page.get_by_role("link", name=re.compile("^Tracing")).first.tap()
    page.get_by_label("Element", exact=True).fill("Sn")
    page.locator("input[type=date]").fill(f"{timezone.localdate():%Y-%m-%d}")
    page.get_by_role("button", name="Trace it").tap()

    expect(page.get_by_role("heading", name="Where Sn may have gone")).to_be_visible()
    assert "B7" in main(page)
    accessible(page)
    keep(page, "u20")


@pytest.mark.soak
def test_given_falling_counts_when_the_source_is_read_then_hours_counts_and_earlier_lives_stand(
    lab, at, accessible
):
    """U25: no guess at the end, but what it gave, what it gives, and how long earlier ones lasted."""
    part = build.source(lab.instrument, by=lab.dee)
    keep_up.change_part(part=part, by=lab.dee, cause="Counts down by a third, anode worn.")
    part.lives.filter(ended_at=None).update(began_at=timezone.now() - timedelta(days=30))
    kind = build.check_kind(lab.instrument, by=lab.dee, sort="intensity", name="Copper")
    for day, area in ((9, 100_000), (5, 92_000), (1, 81_000)):
        check.enter(
            kind=kind, by=lab.dee, typed={"Cu 2p3/2": str(area), "Cu 3p": str(area / 4)},
            at=timezone.now() - timedelta(days=day),
        )  # fmt: skip
    page = at("tablet", lab.dee)

    page.goto(f"/instruments/{lab.instrument.slug}/health/")
    page.get_by_role("link", name="Al Kα source").first.tap()

    expect(page.get_by_text("Cu 2p3/2 counts 19 % less than on")).to_be_visible()
    shown = main(page)
    assert "Counts down by a third, anode worn." in shown
    assert "in now" in shown
    accessible(page)
    keep(page, "u25")


@pytest.mark.soak
def test_given_tape_below_its_point_when_days_pass_then_one_letter_goes_and_the_order_ends_it(
    lab, at, accessible
):
    """U29: mailed once, not daily; ordered in the desk's page in a few presses."""
    lot = build.tape(lab, minimum=200)
    now = timezone.now()
    for day in range(3):
        stores.watch_stores(now + timedelta(days=day))
    page = at("desk", lab.ada)

    page.goto("/stores/")
    assert "Order today." in main(page)
    keep(page, "u29")
    page.get_by_role("link", name=re.compile("^Copper tape")).first.click()
    page.get_by_text("Order", exact=False).first.wait_for()

    urls = list(Message.objects.filter(url=lot.consumable.get_absolute_url()).values_list("person"))
    assert urls
    assert len(urls) == len(set(urls))
    accessible(page)


@pytest.mark.soak
@pytest.mark.parametrize("name", ["desk", "tablet"])
def test_given_ten_cubic_metres_in_sixty_when_the_safety_officer_looks_then_17_4_percent_and_a_no(
    lab, at, accessible, name
):
    """U32."""
    build.nitrogen(lab, volume_l=52.2)  # 10.0 m³ at 200 bar and 20 °C, by the real gas
    page = at(name, lab.fay)

    page.goto("/rooms/")

    shown = main(page)
    assert "17.4 %" in shown
    assert "below 19.5 %: a competent person must assess this room" in shown
    accessible(page)
    keep(page, f"u32-{name}")


def test_given_four_kinds_of_incident_when_the_safety_officer_reviews_then_none_asks_for_blame(
    lab, at, accessible
):
    """U33: at once done, cause, follow-up, closed by; on the phone."""
    for kind in ("near miss", "contamination", "defeat", "exposure"):
        build.incident(by=lab.ben, kind=kind, instrument=lab.instrument)
    page = at("phone", lab.fay)

    page.goto("/incidents/")
    keep(page, "u33-list")
    shown = main(page).lower()
    for word in ("near miss", "contamination", "interlock", "exposure"):
        assert word in shown
    page.get_by_role("link", name=re.compile("near miss", re.IGNORECASE)).first.tap()
    page.get_by_text("Change what is written").tap()
    page.get_by_label("Cause").fill("The stop was loose.")
    page.get_by_role("button", name="Change it").tap()
    page.get_by_text("Close it").first.tap()
    page.locator("form[action$='/close/'] textarea, form[action$='/close/'] input[type=text]").fill(
        "The stop was fastened and tried."
    )
    page.get_by_role("button", name="Close it").tap()

    expect(page.locator("dl.facts")).to_contain_text("The stop was loose.")
    expect(page.locator("dl.facts")).to_contain_text("Fay Eelgrass")
    assert not re.search("blame|fault of|who did", main(page), re.IGNORECASE)
    accessible(page)
    keep(page, "u33")
