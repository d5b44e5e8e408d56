"""Monday by touch: a full week answered and signed, timed by taps; and its two sheets of paper."""

import re
import time

import pytest

from bookings import review, reviewing, watchers
from bookings.lines import HEADINGS, Line
from bookings.models import Review

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]

# How long a person takes: own proposal. A tap with a look before it; a letter on a tablet's
# keyboard; reading one line with its evidence and deciding.
TAP_S, LETTER_S, READ_S = 2.0, 0.35, 9.0
FIVE_MINUTES = 300
SENTENCE = "Looked at it with Kit; repeated on Tuesday."


@pytest.fixture
def cast(transactional_db):
    from tests import build

    return build.lab()


@pytest.fixture
def full_week(monkeypatch):
    """Nine lines with everything that a line may carry: more than page one holds."""
    lines = [
        Line(
            key=f"matter {n}",
            heading=list(HEADINGS)[n % len(HEADINGS)],
            says=f"Matter {n}: Cu 2p3/2 reads 0.14 eV high, after four rising weeks, while Au "
            "and Ag agree within 0.03 eV.",
            severity=["staff", "warn", "stop", "note"][n % 4],
            do="Look at the linearity first, then at the foil; repeat with the neutraliser off "
            "and write down what was found, before anybody measures.",
            rule="CAL-01",
            source="limit 0.10 eV, twelve checks shown",
            evidence=(("found", "932.76 eV"), ("limit", "0.10 eV"), ("before", "+0.10, +0.06 eV")),
            url="/flags/",
        )
        for n in range(9)
    ]
    monkeypatch.setattr(watchers, "sources", lambda: [(lambda *_: lines, ("order",))])
    return lines


class Touch:
    """Taps and letters counted, seconds summed; a target below 44 px is a failure."""

    def __init__(self, page):
        self.page, self.taps, self.letters, self.began = page, 0, 0, time.monotonic()

    def tap(self, found):
        found.scroll_into_view_if_needed()
        box = found.bounding_box()
        assert box["height"] >= 43.9, box
        self.taps += 1
        found.tap()

    def write(self, field, text):
        self.tap(field)
        self.letters += len(text)
        field.fill(text)

    def seconds(self, read):
        page_time = time.monotonic() - self.began
        return self.taps * TAP_S + self.letters * LETTER_S + read * READ_S + page_time


def test_given_a_full_week_when_answered_and_signed_by_touch_then_five_minutes_suffice(
    cast, full_week, screen, sign_in, accessible
):
    monday = review.newest_monday()
    reviewing.gather(instrument=cast.instrument, monday=monday)
    page = screen("tablet")
    sign_in(page, cast.dee)
    touch = Touch(page)

    touch.tap(page.get_by_role("link", name="Review", exact=True).first)
    page.locator("#first").wait_for()
    assert page.get_by_role("button", name=re.compile("Sign week")).get_attribute("aria-disabled")
    accessible(page)
    due = [line for line in full_week if line.severity in ("staff", "stop")]
    for line in due:
        row = page.locator("li.flag", has_text=line.says)
        touch.write(row.locator("input[name=sentence]"), SENTENCE)
        touch.tap(row.get_by_role("button", name="Seen"))
        page.locator("li.flag", has_text=line.says).locator(".answered").wait_for()
    touch.tap(page.get_by_role("button", name=re.compile("Seen: the")))
    page.get_by_text("answered: seen").wait_for()
    touch.write(page.get_by_label("Your password"), "four plain words here")
    touch.tap(page.get_by_role("button", name=re.compile("Sign week")))
    page.get_by_text("is signed and frozen").wait_for()

    took = touch.seconds(read=len(full_week))
    print(f"{touch.taps} taps, {touch.letters} letters, {took:.0f} s in all")
    assert Review.objects.signed().count() == 1
    assert took <= FIVE_MINUTES
    accessible(page)


def pages_of(pdf):
    return len(re.findall(rb"/Type\s*/Page\b(?!s)", pdf))


@pytest.mark.parametrize("signed", [False, True])
def test_given_a_full_or_an_empty_week_when_printed_then_it_is_two_sheets(
    cast, full_week, screen, sign_in, signed
):
    monday = review.newest_monday()
    page = screen("desk")
    sign_in(page, cast.dee)
    if signed:
        for line in full_week:
            reviewing.answer(
                instrument=cast.instrument, monday=monday, key=line.key, by=cast.dee,
                answer="seen", sentence=SENTENCE * 5,
            )  # fmt: skip
        reviewing.sign(instrument=cast.instrument, monday=monday, by=cast.dee)

    page.goto(f"/review/quayside/{review.name_of(monday)}/")
    assert pages_of(page.pdf(prefer_css_page_size=True)) == 2
    full_week.clear()
    page.goto(f"/review/headland/{review.name_of(monday)}/")
    assert pages_of(page.pdf(prefer_css_page_size=True)) == 2
