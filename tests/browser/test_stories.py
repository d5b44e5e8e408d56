"""What people want of the bench, walked by touch on the tablet, one short test a story."""

from datetime import timedelta

import pytest
from django.utils import timezone
from playwright.sync_api import expect

from bookings import inside, run
from bookings.models import Flag, Load
from facility import photos
from samples import keep, mount
from samples.models import BenchStep, Cleaning, HolderPhoto, Mount, Sample
from tests import build
from tests.walk import _picture

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]


@pytest.fixture
def lab(transactional_db):
    return build.lab()


@pytest.fixture
def tablet(screen, sign_in):
    """`tablet(person)` is that person's page on the tablet at the bench."""

    def of(person):
        page = screen("tablet")
        sign_in(page, person)
        return page

    return of


def describe(page, **fields):
    page.goto("/samples/describe/")
    known = {"title": "Foil", "composition": "Zn", "width_mm": "4", "height_mm": "4"}
    known |= {"thickness_mm": "0.2", "hazards": "none", "history": "cut and rinsed"}
    for name, text in (known | fields).items():
        page.locator(f"[name={name}]").fill(text)
    page.locator("[name=form]").select_option("bulk")


def test_given_a_visitor_when_a_sample_is_declared_then_what_is_missing_is_asked_and_a_number_given(
    lab, tablet, accessible
):
    """U01."""
    page = tablet(lab.eve)
    page.goto("/samples/describe/")

    page.get_by_role("button", name="Write it down").tap()
    page.locator(".refusal").wait_for()

    asked = page.locator(".refusal").inner_text()
    for sentence in (
        "Enter a name for the sample.",
        "Choose the form: powder, film, bulk",
        "Enter what it is made of",
        "Enter the width in mm.",
        "Name the hazards, or write none.",
        "Say how it was made, washed, dried and kept.",
    ):
        assert sentence in asked
    accessible(page)
    page.complaints.clear()  # the 422 that was asked for
    describe(page, title="Zinc foil")
    page.get_by_role("button", name="Write it down").tap()
    page.wait_for_url("**/samples/S*/")
    assert "1.7 × 10⁻¹⁴ torr" in page.locator("main").inner_text()
    assert Sample.objects.get().owner == lab.eve


@pytest.mark.parametrize(
    ("composition", "celsius", "word", "number"),
    [
        ("Zn", "", "May come", "1.7 × 10⁻¹⁴ torr, passes"),
        ("Zn", "150", "Ask staff first", "9.5 × 10⁻⁸ torr, ask staff"),
        ("Hg", "", "Not yet", "torr, stop"),
    ],
)
def test_given_a_metal_when_asked_about_today_then_the_verdict_stands_with_its_pressure(
    lab, tablet, composition, celsius, word, number
):
    """U02."""
    page = tablet(lab.eve)
    describe(page, composition=composition, max_temperature_c=celsius)

    page.get_by_role("button", name="What would the rules say?").tap()

    expect(page.locator("#ve")).to_have_text(word)
    assert number in page.locator("section[aria-labelledby=ve]").inner_text()
    assert not Sample.objects.exists()


def measured(lab, title="Old film", days=90):
    """A sample of Chao's that was measured three months ago beside one of Ben's."""
    theirs = build.sample(title, owner=lab.chao, composition="Cu70Ni30")
    ours = build.sample("Secret powder", owner=lab.ben, form="powder", composition="NiO")
    stood = [
        mount.mount(holder=lab.holder, sample=sample, by=lab.dee, x_mm=x, y_mm=0.0)
        for sample, x in ((theirs, -4.0), (ours, 4.0))
    ]
    HolderPhoto.objects.create(
        holder=lab.holder,
        photo=photos.take(file=_picture(), by=lab.chao),
        at=timezone.now(),
        by=lab.chao,
    )
    session = run.sign_on(instrument=lab.instrument, by=lab.dee)
    inside.open_load(session=session, holder=lab.holder, by=lab.dee, moment=timezone.now())
    past = timezone.now() - timedelta(days=days)
    Mount.objects.filter(pk__in=[row.pk for row in stood]).update(since=past)
    HolderPhoto.objects.update(at=past + timedelta(hours=1))
    Load.objects.update(loaded_at=past + timedelta(hours=2))
    return theirs, ours


def test_given_a_code_after_three_months_when_looked_for_then_holder_load_and_photo_are_two_taps_away(
    lab, tablet
):
    """U03, U04: and what lay beside it is told by its form and gap, not by its name."""
    theirs, ours = measured(lab)
    page = tablet(lab.chao)
    page.goto("/holders/")

    page.locator("input[name=q]").fill(theirs.code)
    page.keyboard.press("Enter")  # the first tap
    page.wait_for_url(f"**/samples/{theirs.code}/")

    said = page.locator("main").inner_text()
    assert "position 1" in said
    assert page.locator("main").get_by_role("link", name="B7").count() >= 1
    assert page.locator(".pictures img").count() == 1
    assert "another group’s powder, 4.0 mm away on holder B7" in said
    assert ours.title not in said
    assert "NiO" not in said
    page.get_by_role("link", name="Quayside, on B7").tap()  # the second
    page.wait_for_url("**/records/loads/*/")


def test_given_two_samples_too_near_when_looked_at_then_a_warning_names_both(lab, tablet):
    """U07."""
    for n, x in ((1, -2.6), (2, 2.6)):
        sample = build.sample(f"Coupon {n}", owner=lab.ben, form="bulk", composition="Fe")
        mount.mount(holder=lab.holder, sample=sample, by=lab.ben, x_mm=x, y_mm=0.0)
    page = tablet(lab.ben)
    page.goto(f"/holders/{lab.holder.code}/")

    near = page.locator(".finding[data-is=warn]", has_text="XCN-01").inner_text()

    assert "Coupon 1" in near
    assert "Coupon 2" in near
    assert "1.2 mm" in near
    assert "3 mm" in near


def test_given_powder_by_scanner_and_gloves_when_mounted_then_nothing_is_typed_and_how_is_asked(
    lab, tablet
):
    """U06, U08."""
    build.sample("Anatase A3", owner=lab.ben, form="powder", composition="TiO2")
    page = tablet(lab.ben)
    page.goto("/holders/")
    expect(page.locator("input[name=q]").first).to_be_focused()
    page.keyboard.type(lab.holder.code, delay=2)  # the scanner's one scan
    page.keyboard.press("Enter")
    page.wait_for_url(f"**/holders/{lab.holder.code}/")

    page.get_by_role("link", name="Mount a sample").first.tap()
    page.get_by_role("button", name="Anatase A3").first.tap()
    page.get_by_text("Anatase A3 is on position 1.").wait_for()
    assert Mount.objects.get().mounting == "copper tape"
    page.get_by_role("link", name="Done, to the bench steps").tap()
    question = page.locator(".bench li[data-is=stop]")
    expect(question).to_contain_text("how was loose powder removed?")
    presses = question.get_by_role("button")
    for n in range(presses.count()):
        assert presses.nth(n).bounding_box()["height"] >= 44
    assert "PWD-01" in page.locator(".finding[data-is=stop]").inner_text()
    question.get_by_role("button", name="Pressed again").tap()

    expect(page.locator(".bench li[data-is=stop]")).to_have_count(0)
    assert Mount.objects.get().loose_powder == "pressed"


def test_given_a_thickness_and_a_gauge_when_they_disagree_then_it_is_asked_again_and_z_is_shown(
    lab, tablet
):
    """U09."""
    sample = build.sample("Coupon", owner=lab.ben, form="bulk", thickness_mm=0.5, composition="Fe")
    mount.mount(holder=lab.holder, sample=sample, by=lab.ben, mounting="copper tape")
    page = tablet(lab.ben)
    page.goto(f"/holders/{lab.holder.code}/")

    height = page.locator("section[aria-labelledby=he]").inner_text()
    assert "20 + 8 − 1.5 − 0.58 = 25.92 mm" in height
    assert "free distance" in height
    page.get_by_role("button", name="Does not pass").first.tap()
    stop = page.locator(".finding[data-is=stop]", has_text="HGT-02")
    stop.wait_for()
    assert "Nobody overrides this" in stop.inner_text() or "measure" in stop.inner_text().lower()
    page.get_by_text("Measured, or another gauge").tap()
    page.locator("#measured").fill("0,58")
    page.locator("#gauge").select_option("1")
    page.get_by_role("button", name="Passes", exact=True).tap()

    expect(page.locator(".finding[data-is=stop]")).to_have_count(0)
    height = page.locator("section[aria-labelledby=he]").inner_text()
    assert "Never raise the stage past Z 25.50 mm." in height  # 20 + 8 - 1.5 - 1.0 of the gauge
    assert BenchStep.objects.latest("at").passes


def test_given_a_quarantined_holder_when_released_then_a_blank_or_a_named_reason_is_needed(
    lab, tablet
):
    """U21."""
    page = tablet(lab.dee)
    page.goto(f"/holders/{lab.holder.code}/")
    page.get_by_text("Quarantine it").tap()
    page.locator("#quarantine-text").fill("silicone on its rim")
    page.get_by_role("button", name="Quarantine", exact=True).tap()
    page.get_by_text("Quarantined: silicone on its rim").first.wait_for()
    assert page.get_by_role("link", name="Mount a sample").count() == 0

    page.get_by_role("button", name="Release").tap()
    page.get_by_text("has no cleaning with a blank since its quarantine").wait_for()
    page.get_by_text("Cleaned", exact=True).tap()
    page.get_by_text("With a blank, measured after").tap()
    page.locator("#id_blank_says").fill("nothing but C and O")
    page.get_by_role("button", name="Wiped with isopropanol").tap()
    page.get_by_text("Written down: B7 was cleaned.").wait_for()
    page.get_by_role("button", name="Release").tap()

    expect(page.get_by_role("link", name="Mount a sample").first).to_be_visible()
    assert lab.holder.notes.filter(kind="released", by=lab.dee).get().text.startswith("cleaned (")


def test_given_a_verdict_when_staff_override_it_then_a_reason_is_asked_and_stands_on_the_holder(
    lab, tablet
):
    """U22."""
    zinc = build.sample("Zinc foil", owner=lab.ben, composition="Zn", max_temperature_c=150.0)
    mount.mount(holder=lab.holder, sample=zinc, by=lab.ben)
    run.refresh_flags(lab.holder)
    page = tablet(lab.dee)
    page.goto("/")
    line = page.locator("section[aria-labelledby=needs] li", has_text="zinc evaporates")
    line.get_by_role("link", name="Answer").tap()
    page.get_by_role("button", name="Seen").tap()
    page.locator(".refusal, .asks").first.wait_for()
    assert "Write a sentence" in page.locator("main").inner_text()
    page.complaints.clear()  # the 422 that was asked for

    page.locator("input[name=sentence]").fill("Heated on its own, others out.")
    with page.expect_navigation():
        page.get_by_role("button", name="Seen").tap()
    page.goto(f"/holders/{lab.holder.code}/")

    said = page.locator("#findings").inner_text()
    assert "Heated on its own, others out." in said
    assert "Dee Sealavender" in said
    assert Flag.objects.get(rule="VOL-01").answered_by == lab.dee


def test_given_a_wrong_entry_when_corrected_then_the_old_value_stays_with_who_and_why(lab, tablet):
    """U23."""
    sample = build.sample(
        "Coupon", owner=lab.ben, composition="Fe", hazards="none", history="cut", thickness_mm=0.5
    )
    page = tablet(lab.dee)
    page.goto(f"/samples/{sample.code}/")
    page.get_by_role("link", name="Correct").tap()
    page.locator("[name=thickness_mm]").fill("0.8")
    page.locator("#why").fill("measured again")
    page.get_by_role("button", name="Correct it").tap()
    page.wait_for_url(f"**/samples/{sample.code}/")

    history = page.locator("section", has_text="Everything that happened to it").last.inner_text()
    assert "0.5" in history
    assert "0.8" in history
    assert "measured again" in history
    assert "Dee Sealavender" in history


def test_given_hazards_when_the_safety_officer_looks_then_place_owner_and_since_stand_there_to_print(
    lab, tablet, accessible
):
    """U31."""
    nano = build.sample("Nano silver", owner=lab.ben, form="powder", hazards="nano, toxic")
    mount.mount(holder=lab.holder, sample=nano, by=lab.ben)
    gone = build.sample("Gone", owner=lab.chao, hazards="toxic")
    keep.send_away(sample=gone, how=keep.GONE[0], by=lab.dee)
    page = tablet(lab.fay)
    page.goto("/hazards/")

    lists = {
        part.get_attribute("aria-label"): part.inner_text()
        for part in page.locator("section.part").all()
    }
    assert set(lists) == {"nano", "toxic"}
    for text in ("Nano silver", "holder B7, rack", "Ben Samphire", f"{timezone.localdate():%Y}"):
        assert text in lists["toxic"]
    assert "Gone" not in lists["toxic"]
    page.evaluate("window.print = () => { window.printed = true }")
    page.get_by_role("button", name="Print it").tap()
    assert page.evaluate("window.printed")
    accessible(page)


def test_given_a_chamber_when_it_was_cleaned_then_two_taps_from_its_instrument_write_it_down(
    lab, tablet, accessible
):
    page = tablet(lab.dee)
    page.goto("/instruments/quayside/")

    page.get_by_role("link", name="Cleanings of the chambers").tap()
    page.wait_for_url("**/chambers/")
    accessible(page)
    page.get_by_role("button", name="Baked").tap()

    page.get_by_text("Written down: the introduction chamber of Quayside was cleaned.").wait_for()
    row = Cleaning.objects.get()
    assert (row.chamber.kind, row.method, row.by) == ("introduction", "baked", lab.dee)
