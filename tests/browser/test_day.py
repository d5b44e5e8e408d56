"""The whole day by touch on the tablet: bench, instrument without a network, the night, Monday's review.

The clock of the house is moved on between the stages; what is typed and pressed is not.
DAY_PICTURES=1 keeps a picture of each stage for docs/guide/day.md.
"""

import io
import math
import os
import random
import re
import uuid
from dataclasses import replace
from datetime import datetime, timedelta
from pathlib import Path

import pytest
from django.core.management import call_command
from django.utils import timezone
from PIL import Image
from playwright.sync_api import expect

from bookings import clock, learning
from bookings.demo import curves
from bookings.models import Flag, Load, PumpDown, Reading, Review
from facility import log, verify
from facility.models import Gauge
from tests import build

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]

PICTURES = Path(__file__).parents[2] / "docs" / "guide" / "pictures"
TYPICAL_S, THRESHOLD_PA = 4200.0, 1.333e-4
WET = 1.6  # how much slower the last part of this load's pump-down is
PAST_LOADS = 30


class Clock:
    """The time of the house and of the tablet's own clock, moved by the test."""

    def __init__(self, monkeypatch, start):
        self.real, self.ahead, self.pages = timezone.now, timedelta(0), []
        monkeypatch.setattr(timezone, "now", lambda: self.real() + self.ahead)
        self.move_to(start)

    def move_to(self, moment):
        self.ahead = moment - self.real()
        for page in self.pages:
            page.clock.set_system_time(timezone.now())

    def move_on(self, **by):
        self.move_to(timezone.now() + timedelta(**by))


@pytest.fixture
def house(transactional_db, monkeypatch):
    """A laboratory on a Thursday afternoon, a month of pump-downs behind it."""
    here = timezone.get_default_timezone()
    day = timezone.localdate() - timedelta(days=14)
    day -= timedelta(days=(day.weekday() - 3) % 7)
    ticking = Clock(monkeypatch, datetime(day.year, day.month, day.day, 16, 10, tzinfo=here))
    lab = build.lab()
    lab.clock = ticking
    lab.instrument.threshold_pa = THRESHOLD_PA
    lab.instrument.save()
    lab.film = build.sample("TiN coating 01", owner=lab.ben, composition="TiN", wants="Ti 2p")
    lab.powder = build.sample(
        "Anatase A3", owner=lab.ben, form="porous powder", composition="TiO2", wants="Ti 2p",
        thickness_mm=0.2, mass_mg=2.0, surface_m2_g=60.0,
    )  # fmt: skip
    _past(lab)
    return lab


def _past(lab):
    """Pump-downs of the last month with films and powders, as a logger wrote them."""
    rng = random.Random(7)
    usual = curves.typical(THRESHOLD_PA, TYPICAL_S)
    chamber = lab.instrument.chambers.get(kind="introduction")
    gauge = Gauge.objects.get(code="quayside-intro")
    carrier = build.holder("R1", by=lab.dee)
    for n in range(PAST_LOADS):
        begun = timezone.now() - timedelta(days=PAST_LOADS - n, hours=3)
        form = ("film", "porous powder", "film", "bulk")[n % 4]
        curve = curves.draw(usual, rng, form=form, samples=2, vent_min=10, day_of_year=320)
        load = Load.objects.create(
            instrument=lab.instrument, holder=carrier, loaded_by=lab.ben, loaded_at=begun,
            taken_out_at=begun + timedelta(hours=8), transferred_at=begun + timedelta(hours=3),
            log=log.open_log(kind="load", instrument=lab.instrument, by=lab.ben),
        )  # fmt: skip
        ended = begun + timedelta(seconds=1.3 * curve.crosses_s(THRESHOLD_PA))
        PumpDown.objects.create(
            chamber=chamber, load=load, started_at=begun, ended_at=ended, ended_why="threshold",
            threshold_pa=THRESHOLD_PA, form=form, samples=2, vent_minutes=10, judged_at=ended,
        )  # fmt: skip
        times = [60 * 1.16**k for k in range(40) if 60 * 1.16**k < (ended - begun).seconds]
        Reading.objects.bulk_create(_logged(gauge, begun, curve, times, rng))
    learning.bring_up_to_date(chamber)


def _logged(gauge, begun, curve, times, rng):
    for t_s in times:
        pascal = curve.pressure_pa(t_s) * math.exp(rng.gauss(0, 0.03))
        at = begun + timedelta(seconds=t_s)
        yield Reading(
            gauge=gauge, at=at, pressure_pa=pascal, typed=f"{pascal / 133.322:.1e}", unit="torr",
            source="logger", recorded_at=at, sent_id=uuid.uuid4(),
        )  # fmt: skip


def keep(page, name):
    """A picture of the stage: 1180 by 820, few colours, small."""
    if os.environ.get("DAY_PICTURES"):
        picture = Image.open(io.BytesIO(page.screenshot(scale="css", caret="initial"))).convert(
            "RGB"
        )
        picture.quantize(128).save(PICTURES / f"day-{name}.png", optimize=True)


def done(page):
    before = page.locator(".step-says").inner_text()
    page.locator(".step").get_by_role("button", name=re.compile("Done|this one")).tap()
    expect(page.locator(".step-says")).not_to_have_text(before)


def write_pressure(page, torr):
    """On the pad made for gloves, as a finger does."""
    figure, power = f"{torr:.1e}".split("e")
    wanted = {"figure": figure[0], "tenth": figure[2], "power": str(int(power))}
    for name, value in wanted.items():
        key = page.locator(f"label.key:has(input[name={name}][value='{value}'])").first
        if not key.is_visible():
            page.get_by_text("other powers", exact=True).first.tap()
        key.tap()
    page.get_by_role("button", name="Write it down").first.tap()


def says(page, text):
    expect(page.locator("[data-outbox-word]")).to_contain_text(text)
    page.wait_for_load_state("networkidle")


def wet_curve():
    """This load's own pump-down: the volume part as ever, the slow part much slower."""
    usual = curves.typical(THRESHOLD_PA, TYPICAL_S)
    return replace(usual, stretch=1.6, wet=WET)


def test_given_a_laboratory_when_its_day_is_lived_by_touch_then_the_flag_stands_and_the_week_is_read(
    house, screen, sign_in, accessible, tmp_path
):
    lab, ticking = house, house.clock
    page = screen("tablet")
    ticking.pages.append(page)
    page.clock.set_system_time(timezone.now())
    sign_in(page, lab.ben)

    # Thursday 16:10, the bench
    page.locator("input[name=q]").fill("b7")
    page.keyboard.press("Enter")
    page.wait_for_url(f"**/holders/{lab.holder.code}/")
    page.get_by_role("link", name="Mount a sample").first.tap()
    page.get_by_role("button", name="TiN coating 01").first.tap()
    page.get_by_text("TiN coating 01 is on position 1.").wait_for()
    page.get_by_role("link", name="position 2, free").tap()
    page.get_by_role("button", name="Anatase A3").first.tap()
    page.get_by_role("button", name="Tapped off, upside down").tap()
    page.get_by_role("button", name="Tapped off, upside down").wait_for(state="detached")
    page.get_by_role("link", name="Done, to the bench steps").tap()
    page.get_by_role("button", name="Prepared as usual").tap()
    page.get_by_role("button", name="Passes 1 mm").tap()
    page.get_by_role("button", name="It agrees").tap()
    page.get_by_text("Picture and positions agree").wait_for()
    assert page.locator(".finding[data-is=stop]").count() == 0
    accessible(page)
    page.evaluate("scrollTo(0, 0)")
    keep(page, "1-bench")

    # 16:40, the instrument
    ticking.move_on(minutes=30)
    page.goto("/sessions/")
    page.get_by_role("button", name="Sign on to Quayside").tap()
    page.wait_for_url("**/sessions/*/")
    session = page.url
    page.get_by_role("button", name="I looked: it is so").tap()
    expect(page.locator("[name=look]")).to_have_count(0)
    page.fill("#id_holder", "B7")
    done(page)
    done(page)
    pumpdown = PumpDown.objects.running().get()
    curve = wet_curve()

    def torr_now():
        return curve.pressure_pa((timezone.now() - pumpdown.started_at).total_seconds()) / 133.322

    ticking.move_on(minutes=6)
    page.goto(session)
    write_pressure(page, torr_now())
    says(page, "nothing waits")
    ticking.move_on(minutes=10)
    page.goto(session)
    write_pressure(page, torr_now())
    says(page, "nothing waits")
    page.goto(session)
    forecast = page.locator("#pumpdown-said").inner_text()
    assert "ready about" in forecast.lower()
    assert "80 %" in forecast
    page.evaluate("scrollTo(0, 0)")
    keep(page, "2-instrument")

    # the network is gone for ten minutes: a third reading waits on the tablet
    page.context.set_offline(True)
    typed_at = timezone.now()
    write_pressure(page, torr_now())
    says(page, "1 entry waits")
    keep(page, "3-no-network")
    assert Reading.objects.filter(source="manual").count() == 2
    ticking.move_on(minutes=10)
    page.context.set_offline(False)
    page.evaluate("dispatchEvent(new Event('online'))")
    says(page, "nothing waits")
    page.complaints.clear()  # the console tells of requests that met no network
    third = Reading.objects.filter(source="manual").order_by("pk")[2]
    assert abs((third.at - typed_at).total_seconds()) < 60
    assert (third.recorded_at - third.at).total_seconds() > 9 * 60

    # the night: she is gone, the logger goes on
    gauge = Gauge.objects.get(code="quayside-intro")
    lines = ["time,pressure"]
    for minutes in range(30, 16 * 60, 10):
        at = pumpdown.started_at + timedelta(minutes=minutes)
        lines.append(f"{at.isoformat()},{curve.pressure_pa(60 * minutes) / 133.322:.2e}")
    table = tmp_path / "night.csv"
    table.write_text("\n".join(lines) + "\n")
    here = timezone.localtime(timezone.now())
    morning = (here + timedelta(days=1)).replace(hour=9, minute=0)
    ticking.move_to(morning)
    call_command("import_readings", str(table), gauge=gauge.code)
    clock.tick()

    # the next morning, in a new sign-in: unusual, not a leak, and the way is free
    flag = Flag.objects.waiting().get(rule="PMP-01")
    assert flag.evidence["cause"] == "outgassing"
    sign_in(page, lab.ben)
    page.goto(Load.objects.latest("loaded_at").get_absolute_url())
    assert "unusual" in page.locator("main").inner_text().lower()
    page.locator("h2", has_text="Pump-down from").evaluate("it => it.scrollIntoView()")
    keep(page, "4-morning")
    page.goto(session)
    page.get_by_role("button", name="I looked: it is so").tap()  # 16 hours are more than 12
    expect(page.locator("[name=look]")).to_have_count(0)
    with page.expect_navigation():  # the word still says that nothing waits before it is sent
        write_pressure(page, torr_now())
    says(page, "nothing waits")
    page.goto(session)
    page.get_by_text("A pressure of another gauge, or typed").tap()
    field = page.locator("#p-quayside-intro")
    field.fill("OFF")
    with page.expect_navigation():
        field.press("Enter")
    done(page)  # the transfer: the fresh reading is below the threshold
    done(page)
    assert Load.objects.latest("loaded_at").transferred_at
    page.get_by_role("button", name="Sign off").tap()
    page.wait_for_url("**/records/sessions/*/")

    # Monday 09:00, the instrument scientist reads the week
    ticking.move_to(morning + timedelta(days=3))
    clock.tick()
    staff = screen("tablet")
    ticking.pages.append(staff)
    staff.clock.set_system_time(timezone.now())
    sign_in(staff, lab.dee)
    staff.goto("/review/")
    staff.wait_for_url("**/review/quayside/*/")
    assert "outgassing" in staff.locator("main").inner_text().lower()
    accessible(staff)
    staff.evaluate("scrollTo(0, 0)")
    keep(staff, "5-monday")
    line = staff.locator("form.answer", has=staff.get_by_role("button", name="Seen")).first
    line.get_by_role("button", name="Seen").tap()
    staff.wait_for_timeout(500)
    flag.refresh_from_db()
    assert flag.answer == "seen"
    assert Review.objects.exists()
    assert verify.verify().broken == []
