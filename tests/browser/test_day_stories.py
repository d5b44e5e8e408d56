"""Hand over, report a fault, plan what the beam spoils, count hours, book every week: as users do."""

from datetime import UTC, datetime, timedelta

import pytest
from django.utils import timezone

from bookings import book, planning, run, say
from bookings.models import Booking, BookingRules, Fault
from facility import log
from facility.models import Instrument, Person, Place
from samples import mount
from tests import build

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]
H = timedelta(hours=1)
# the phone walks the same way once more in the long run
PHONE = pytest.param("phone", marks=pytest.mark.soak)
BOTH = pytest.mark.parametrize("name", ["tablet", PHONE])


@pytest.fixture
def house(transactional_db):
    lab = build.lab()
    lab.rules = BookingRules.objects.create(instrument=lab.instrument, loading_min=0)
    lab.stage = Place.objects.get(kind="stage", instrument=lab.instrument)
    lab.now = timezone.now()
    return lab


def fits(page):
    return page.evaluate("document.documentElement.scrollWidth <= window.innerWidth")


@BOTH
def test_given_an_end_checklist_when_signed_off_then_the_next_user_reads_the_word_at_sign_on(
    house, screen, sign_in, accessible, name
):
    build.qualify(house.chao, house.instrument, by=house.dee)
    session = run.sign_on(instrument=house.instrument, by=house.ben)
    say.report_fault(
        instrument=house.instrument, by=house.ben, text="the stage sticks", session=session
    )
    page = screen(name)
    sign_in(page, house.ben)
    page.goto(session.get_absolute_url())
    ends = page.locator(".ends li")
    assert "look" in ends.first.inner_text()  # what is not as it should be stands first
    assert ends.filter(has_text="the stage sticks").count() == 1
    assert ends.filter(has_text="No holder inside").count() == 1
    page.get_by_label("A word to the next person").fill("Sources idle, stage at load height.")
    page.get_by_role("button", name="Sign off").tap()
    page.get_by_text("Handed over").first.wait_for()

    following = screen(name)
    sign_in(following, house.chao)
    following.goto("/sessions/")
    accessible(following)
    assert fits(following)
    following.get_by_text("Sources idle, stage at load height.").wait_for()
    following.get_by_role("button", name="Sign on to Quayside").tap()
    following.get_by_role("heading", name="Handed over to you").wait_for()

    assert following.get_by_text("Sources idle, stage at load height.").count() == 1


@BOTH
def test_given_no_session_when_a_fault_is_reported_from_today_then_two_taps_and_words_do(
    house, screen, sign_in, accessible, name
):
    page = screen(name)
    sign_in(page, house.chao)
    page.get_by_role("link", name="Report a fault of Quayside").tap()
    page.get_by_role("heading", name="What is wrong with Quayside?").wait_for()
    accessible(page)
    assert fits(page)
    page.get_by_label("What is wrong").fill("The chiller is silent")
    page.get_by_role("button", name="Report it").tap()
    page.get_by_role("status").get_by_text("Written down as fault").wait_for()

    fault = Fault.objects.get()
    assert page.get_by_role("status").get_by_text(f"fault {fault.pk}").is_visible()
    assert page.get_by_text("The chiller is silent").first.is_visible()
    assert Instrument.objects.get(pk=house.instrument.pk).word == "careful"
    staff = screen(name)
    sign_in(staff, house.dee)
    staff.get_by_text(f"fault {fault.pk}").first.wait_for()


@BOTH
def test_given_a_fluoropolymer_when_its_load_is_planned_then_key_region_first_and_again_last(
    house, screen, sign_in, accessible, name
):
    sample = build.sample("Membrane 3", owner=house.ben, composition="PTFE", wants="F 1s, C 1s")
    mount.mount(holder=house.holder, sample=sample, by=house.ben)
    page = screen(name)
    sign_in(page, house.ben)
    page.goto("/bookings/plan/")
    page.get_by_label("Holder").fill("B7")
    page.get_by_role("button", name="Count back").tap()
    page.get_by_role("heading", name="Spoiled by X-rays").wait_for()
    accessible(page)

    order = "F 1s, then C 1s, then survey, then F 1s again, to see what the beam did"
    assert page.get_by_text(order).is_visible()
    assert fits(page)


@BOTH
def test_given_a_session_with_a_fault_when_hours_are_counted_then_four_clocks_and_a_csv_of_no_names(
    house, screen, sign_in, accessible, name
):
    start = house.now - 30 * H
    book.made(house.stage, house.ben, start, start + 4 * H, person=house.ben)
    session = run.sign_on(instrument=house.instrument, by=house.ben)
    for at, state in ((1, "xrays"), (2.5, "idle")):
        log.write(
            log=session.log,
            kind="step",
            by=house.ben,
            data={"sets": {"sources": state}},
            happened_at=start + at * H,
        )
    type(session).objects.filter(pk=session.pk).update(
        opened_at=start + H / 2, closed_at=start + 3.5 * H
    )
    fault = say.report_fault(
        instrument=house.instrument, by=house.ben, text="arc", happened_at=start + 2 * H
    )
    say.end_fault(fault=fault, by=house.dee, ended_at=start + 3 * H)
    page = screen(name)
    sign_in(page, house.ada)
    day = timezone.localdate()
    page.goto(f"/hours/?start={day - timedelta(days=4)}&end={day}&by=group")
    accessible(page)
    assert fits(page)

    row = page.locator("tr", has=page.get_by_role("rowheader", name="coatings"))
    assert row.locator("td").all_inner_texts()[:5] == ["4.0", "3.0", "1.5", "1.0", "2.0"]
    with page.expect_download() as coming:
        page.get_by_role("link", name="As CSV").tap()
    text = coming.value.path().read_text()
    assert "booked_h,present_h,source_on_h,fault_h" in text
    assert "4.00,3.00,1.50,1.00,2.00" in text
    for person in Person.objects.all():
        assert person.full_name not in text


def next_change(after):
    """The first day after `after` on which the clocks of the house change."""
    zone = book.here()
    for n in range(2, 400):
        noon = datetime.combine(after + timedelta(days=n), datetime.min.time(), UTC) + 12 * H
        if noon.astimezone(zone).utcoffset() != (noon - 24 * H).astimezone(zone).utcoffset():
            return noon.astimezone(zone).date()
    raise AssertionError("the clocks of this zone never change")


@BOTH
def test_given_nine_every_week_when_the_clocks_change_either_way_then_it_stays_nine(
    house, screen, sign_in, name
):
    house.rules.horizon_days = 420
    house.rules.save()
    page = screen(name)
    sign_in(page, house.ben)
    first = next_change(timezone.localdate() + timedelta(days=4))
    offsets = []
    for change in (first, next_change(first)):
        before = change - timedelta(days=3)
        page.goto(f"/bookings/new/?place={house.stage.pk}&start={before}T09:00")
        page.get_by_label("3 h", exact=True).tap()
        page.get_by_text("Every week, project").tap()
        page.get_by_label("How often, every week").fill("2")
        page.get_by_role("button", name="Book it").tap()
        page.get_by_text("Booked").first.wait_for()
        for day in (before, before + timedelta(days=7)):
            row = Booking.objects.on_main().get(wall_start=f"{day}T09:00")
            local = row.starts_at.astimezone(book.here())
            assert (local.date(), local.hour) == (day, 9)
            assert row.starts_at == planning.day_of(day, book.here())[0] + 9 * H
            offsets.append(local.utcoffset())
            page.goto(row.get_absolute_url())
            assert page.get_by_text("09:00 to 12:00").first.is_visible()

    assert offsets[0] != offsets[1]
    assert offsets[2] != offsets[3]
    assert offsets[0] == offsets[3]
