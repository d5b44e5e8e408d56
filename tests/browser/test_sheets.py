"""Run sheets in the browser: rehearsed by touch, edited with the proof beside, with and without script."""

import pytest

from facility import publish, sheet_proof
from facility.models import Entry, RunSheet, SheetDraft

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]


@pytest.fixture
def cast(transactional_db):
    from tests import build

    return build.lab()


@pytest.fixture
def draft(cast):
    return publish.begin(instrument=cast.instrument, by=cast.dee, source="short")


def no_overflow(page):
    return page.evaluate("document.documentElement.scrollWidth <= window.innerWidth")


@pytest.mark.parametrize(("name", "light"), [("phone", "light"), ("tablet", "dark")])
def test_given_empty_hands_when_a_sheet_is_rehearsed_by_touch_then_one_comes_through(
    cast, screen, sign_in, accessible, name, light
):
    entries = Entry.objects.count()
    page = screen(name, light=light)
    sign_in(page, cast.eve)
    page.goto(f"/sheets/{cast.instrument.sheet_id}/rehearse/")
    accessible(page)

    page.get_by_text("Try a wrong order").tap()
    wrong = page.locator("details.wrong li", has_text="open the gate valve, move the holder")
    wrong.get_by_role("button", name="Do it all the same").tap()
    damage = page.get_by_role("alert")
    damage.wait_for()
    assert "pressure is not known fresh" in damage.inner_text()
    accessible(page)
    presses = 0
    while not page.get_by_text("You are through.").count():
        with page.expect_navigation():
            page.get_by_role("button", name="Done", exact=True).tap()
        presses += 1
        assert presses < 12
    assert "this was damaged on the way" in page.inner_text("main")
    assert no_overflow(page)
    assert Entry.objects.count() == entries


@pytest.mark.parametrize("script", [True, False])
def test_given_staff_when_a_condition_goes_and_comes_back_then_the_proof_follows_beside_the_steps(
    cast, draft, screen, sign_in, accessible, script
):
    page = screen("tablet", java_script_enabled=script)
    sign_in(page, cast.dee)
    page.goto("/sheets/drafts/quayside/")
    if script:
        page.get_by_text("With any device lost at any moment: safe").wait_for()
        accessible(page)

    page.get_by_role("link", name="Switch the gauge off, open the gate valve").tap()
    needs = page.locator("fieldset", has_text="Introduction must be")
    needs.get_by_label("below").uncheck()
    page.get_by_role("button", name="Write it into the draft").tap()
    page.get_by_text("Not safe: 2 of its 5 hazards can happen.").wait_for()
    page.get_by_role("button", name="Take the last one back").tap()
    page.get_by_text("Safe against these 5 hazards, 19 states.").wait_for()
    page.get_by_role("button", name="I stand by these reasons").tap()
    if not script:
        page.get_by_role("button", name="Prove it wholly").tap()
    page.get_by_text("With any device lost at any moment: safe").wait_for()
    page.reload()
    page.get_by_text("ready to be published").wait_for()
    page.get_by_role("button", name="Publish it").tap()

    page.get_by_text("Version 2 is in force for Quayside.").wait_for()
    assert RunSheet.objects.get(version=2).published_by == cast.dee
    assert not SheetDraft.objects.exists()


@pytest.mark.parametrize("light", ["light", "dark"])
@pytest.mark.parametrize("name", ["tablet", "phone", "desk"])
def test_given_each_page_of_run_sheets_when_opened_then_nothing_serious_and_nothing_runs_off(
    cast, draft, screen, sign_in, accessible, name, light
):
    sheet_proof.prove(draft)
    page = screen(name, light=light)
    sign_in(page, cast.dee)
    pk = cast.instrument.sheet_id

    for path in (
        "/sheets/",
        f"/sheets/{pk}/",
        f"/sheets/{pk}/paper/",
        "/sheets/compare/quayside/?old=1&new=draft",
        "/sheets/drafts/headland/",
        "/sheets/drafts/quayside/",
        "/sheets/drafts/quayside/step/?step=load",
        "/sheets/drafts/quayside/device/?device=door",
        "/sheets/drafts/quayside/hazard/?hazard=gate_open_at_air",
        "/sheets/drafts/quayside/text/",
    ):
        page.goto(path)
        accessible(page)
        assert no_overflow(page), path


def test_given_the_paper_when_printed_then_the_head_of_the_page_is_the_sheet_itself(
    cast, screen, sign_in
):
    page = screen("desk")
    sign_in(page, cast.ben)
    page.goto(f"/sheets/{cast.instrument.sheet_id}/paper/")

    page.emulate_media(media="print")

    assert not page.get_by_role("banner").is_visible()
    assert not page.get_by_role("button", name="Print it").is_visible()
    box = page.locator(".tick-box").first.bounding_box()
    assert box["width"] >= 5.9 * 96 / 25.4  # six millimetres on paper, big enough for a pen
