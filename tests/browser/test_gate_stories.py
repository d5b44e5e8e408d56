"""U10, U11 and U12 of the user stories: no network, three taps, and a gate that waits.

U10, a session without network (kept, sent later, the same id twice is one record), is walked in
tests/browser/test_outbox.py, with a bad day of 200 entries in tests/bookings/test_outbox.py.
"""

import re
from datetime import timedelta

import pytest
from django.utils import timezone
from playwright.sync_api import expect

from bookings import devices, pump, run, steps
from bookings.models import Reading
from facility.models import Chamber, Gauge, RunSheet
from tests import build

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]


@pytest.fixture
def cast(transactional_db):
    """Ben's load is being pumped: 5 L before a main chamber of 50 L at 1e-9 torr."""
    lab = build.lab()
    Chamber.objects.filter(instrument=lab.instrument, kind="introduction").update(volume_l=5.0)
    document = lab.instrument.sheet.document
    gate = next(row for row in document["steps"] if row["id"] == "transfer")
    gate["gates"] = ["below_threshold_and_fresh", "burst_within_limit", "findings_answered"]
    lab.instrument.sheet = RunSheet.objects.create(
        name="Short sheet", instrument=lab.instrument, version=2, document=document,
        published_at=timezone.now(), published_by=lab.dee,
    )  # fmt: skip
    lab.instrument.threshold_pa = 2e-4  # 1.5e-6 torr, so that 1.0e-6 is surely below
    lab.instrument.save()
    lab.session = run.sign_on(instrument=lab.instrument, by=lab.ben)
    sheet = devices.sheet_of(lab.session)
    due = steps.looks_due(sheet, devices.states_of(lab.instrument, sheet))
    steps.confirm_looks(session=lab.session, by=lab.ben, step_ids=[step.id for step in due])
    steps.take_step(session=lab.session, by=lab.ben, step_id="load", holder=lab.holder)
    steps.take_step(session=lab.session, by=lab.ben, step_id="pump_down")
    main = Gauge.objects.select_related("chamber").get(code="quayside-main")
    pump.type_pressure(gauge=main, by=lab.ben, text="1e-9")
    return lab


def write(page, figure, tenth, power):
    """Three taps at most, the press that writes not counted; the keys lie under a glove."""
    for name, value in (("figure", figure), ("tenth", tenth), ("power", power)):
        key = page.locator(f"label.key:has(input[name={name}][value='{value}'])").first
        if not key.is_visible():
            page.get_by_text("other powers").first.tap()
        key.tap()
    with page.expect_navigation():
        page.locator(".pad button.press").first.tap()


def test_given_a_load_when_a_pressure_is_tapped_then_time_unit_and_curve_stand(
    cast, screen, sign_in
):
    """U11: three taps; time and unit by themselves, a curve, and when it is ready, with its band.

    What is wanted, where to write it and when it is ready stand in the first screen.
    """
    page = screen("tablet")
    sign_in(page, cast.ben)
    page.goto(f"/sessions/{cast.session.pk}/")

    expect(page.locator(".pad button.press")).to_be_in_viewport(ratio=1)
    write(page, 1, 2, -3)

    row = Reading.objects.get(gauge__code="quayside-intro")
    assert (row.typed, row.unit, row.person) == ("1.2e-3", "torr", cast.ben)
    assert timezone.now() - row.at < timedelta(minutes=1)
    curve = page.locator(".charted .chart:visible").first
    expect(curve).to_be_visible()
    expect(curve.locator("path.bracket")).to_have_count(1)
    ready = page.locator("#pumpdown-said")
    expect(ready).to_contain_text("Ready about")
    expect(ready).to_contain_text(re.compile(r"80 % between \d\d:\d\d and \d\d:\d\d"))
    for found in (ready, page.locator(".step-says"), page.locator(".pad > fieldset .key").last):
        expect(found).to_be_in_viewport(ratio=1)


def test_given_too_much_gas_when_the_gate_is_wanted_then_the_burst_is_told_and_at_less_it_opens(
    cast, screen, sign_in
):
    """U12: 1e-3 torr of 5 L into 50 L is 9.1e-5 torr and waits; 1e-6 is 9.2e-8 and opens."""
    page = screen("tablet")
    sign_in(page, cast.ben)
    page.goto(f"/sessions/{cast.session.pk}/")

    write(page, 1, 0, -3)
    main = page.locator("main")
    expect(main).to_contain_text(
        "opening brings the main chamber to about 9.1 × 10⁻⁵ torr", ignore_case=True
    )
    assert not page.get_by_role("button", name="open the gate valve").count()

    write(page, 1, 0, -6)
    expect(page.locator(".step-says")).to_contain_text("open the gate valve")
    expect(page.locator(".step")).to_contain_text(
        "opening brings the main chamber to about 9.2 × 10⁻⁸ torr"
    )
    expect(page.locator(".step button.press")).to_have_count(1)
