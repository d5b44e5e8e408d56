"""The calendar's pages: what each may know, the same few queries whatever lies behind."""

import re
import time
from datetime import timedelta

import pytest
from django.db import connection
from django.test import Client
from django.test.utils import CaptureQueriesContext
from django.urls import reverse
from django.utils import timezone

from bookings import book, planning, week
from bookings.models import Booking
from facility.models import Place
from tests import build

pytestmark = pytest.mark.django_db
H = timedelta(hours=1)


@pytest.fixture
def house(lab):
    lab.stage = Place.objects.get(kind="stage", instrument=lab.instrument)
    lab.nine = planning.day_of(timezone.localdate() + timedelta(days=1), book.here())[0] + 9 * H
    build.qualify(lab.chao, lab.instrument, by=lab.dee)
    return lab


def signed_in(person):
    browser = Client()
    browser.force_login(person)
    return browser


def fill(house, days):
    """Five bookings a day of one person behind, so many days back."""
    rows = []
    for day in range(2, days + 2):
        for hour in (0, 4, 8, 12, 16):
            start = house.nine - timedelta(days=day) - 9 * H + hour * H
            rows.append(
                Booking(
                    place=house.stage,
                    person=house.chao,
                    starts_at=start,
                    ends_at=start + 3 * H,
                    wall_start="",
                    wall_end="",
                    zone="Europe/London",
                    made_at=start,
                    made_by=house.chao,
                )
            )
    Booking.objects.bulk_create(rows, batch_size=1000)


def cost(browser):
    """Queries and the fastest of some looks at the week's page: other work only ever adds."""
    path = reverse("bookings:bookings")
    browser.get(path)
    with CaptureQueriesContext(
        connection,
    ) as asked:
        browser.get(path)
    seconds = []
    for _ in range(25):
        start = time.perf_counter()
        browser.get(path)
        seconds.append(time.perf_counter() - start)
    return len(asked), min(seconds)


def test_given_ten_years_behind_when_the_week_is_asked_then_queries_are_those_of_one_month(house):
    browser = signed_in(house.ben)
    fill(house, 30)
    month, _ = cost(browser)
    Booking.objects.all().delete()
    fill(house, 3650)

    years, _ = cost(browser)

    assert years == month <= 14


@pytest.mark.soak
def test_given_ten_years_behind_when_the_week_is_asked_then_it_costs_within_a_tenth(house):
    browser = signed_in(house.ben)
    fill(house, 30)
    _, month = cost(browser)
    Booking.objects.all().delete()
    fill(house, 3650)
    with connection.cursor() as cursor:
        cursor.execute("ANALYZE")

    _, years = cost(browser)

    assert years <= 1.1 * month


def test_given_anothers_time_when_a_stranger_looks_then_only_that_it_is_taken(house):
    row = book.book(place=house.stage, by=house.ben, start=house.nine, end=house.nine + 2 * H,
                    why="Unobtainium film")  # fmt: skip
    day = house.nine.date().isoformat()
    paths = [
        f"{reverse('bookings:bookings')}?week={week.week_name(house.nine)}",
        reverse("bookings:day", args=[day]),
        row.get_absolute_url(),
        reverse("bookings:plan_load"),
        "/",
    ]

    for path in paths:
        text = signed_in(house.chao).get(path).content.decode()
        assert "Samphire" not in text
        assert "Unobtainium" not in text
        assert "coatings" not in text
    for path in paths[:3]:
        assert "Taken" in signed_in(house.chao).get(path).content.decode()
        assert "Ben Samphire" in signed_in(house.gil).get(path).content.decode()
        assert "Unobtainium film" not in signed_in(house.gil).get(path).content.decode()
    assert "Unobtainium film" in signed_in(house.ben).get(paths[1]).content.decode()


def test_given_an_overnight_booking_when_drawn_then_it_lies_open_on_two_days(house):
    book.book(place=house.stage, by=house.ben, start=house.nine + 9 * H, end=house.nine + 23 * H)

    first, second = week.days(house.nine.date(), 2, house.ben, timezone.now())

    (one,), (other,) = (day.lanes[0].drawing.slips for day in (first, second))
    assert (one.x, one.has_corner, one.second) == ("75.000", False, "overnight, until 08:00")
    assert (other.x, other.has_corner) == ("0.000", True)
    assert [line["hours"] for line in first.lines] == [f"18:00 to {second.day:%a} 08:00"]


@pytest.mark.parametrize("asked", ["", "2026-W99", "nonsense", "9" * 400, "0001-W01"])
def test_given_a_week_that_is_none_when_asked_then_this_one_shows(house, asked):
    page = signed_in(house.ben).get(reverse("bookings:bookings"), {"week": asked})

    monday = timezone.localdate() - timedelta(days=timezone.localdate().weekday())
    assert page.context["monday"] == monday


@pytest.mark.parametrize("asked", ["2026-02-30", "2026-1-1", "1000-01-01", "x"])
def test_given_a_day_that_is_none_when_asked_then_nothing_is_here(house, asked):
    assert signed_in(house.ben).get(f"/bookings/days/{asked}/").status_code == 404


def test_given_free_hours_when_pressed_then_three_presses_book_and_the_loser_keeps_what_was_typed(
    house,
):
    path = reverse("bookings:day", args=[house.nine.date().isoformat()])
    link = re.search(r'href="(/bookings/new/\?[^"]+T09:00)"',
                     signed_in(house.ben).get(path).content.decode())  # fmt: skip
    form = signed_in(house.ben).get(link[1].replace("&amp;", "&")).context["form"]
    words = {
        "place": form.initial["place"],
        "start": form["start"].value(),
        "length": "120",
        "times": "1",
        "why": "my own words",
    }

    assert signed_in(house.ben).post("/bookings/new/", words).status_code == 302
    lost = signed_in(house.chao).post("/bookings/new/", words)

    assert lost.status_code == 422
    text = lost.content.decode()
    assert "is booked" in text
    assert "another group" in text
    assert 'value="my own words"' in text
    assert "Tell me first when it is free" in text
    assert Booking.objects.on_main().count() == 1


@pytest.mark.parametrize(
    ("start", "says"),
    [
        ("2027-03-28T01:30", "does not exist: the clocks go forward"),
        ("2027-10-31T01:30", "comes twice: the clocks go back"),
        ("2020-01-01T09:00", "That time is over"),
        ("tomorrow", "must be a date and time, such as 2026-03-02 09:00"),
        ("", "Enter the time: from"),
    ],
)
def test_given_a_time_that_cannot_be_booked_when_sent_then_the_sentence_stands_by_the_field(
    house, start, says
):
    words = {"place": house.stage.pk, "start": start, "length": "60", "times": "1"}

    page = signed_in(house.ben).post("/bookings/new/", words)

    assert page.status_code == 422
    assert says in page.content.decode()


def test_given_until_before_from_when_sent_then_it_is_said_beside_until(house):
    words = {"place": house.stage.pk, "start": "2027-03-01T09:00", "length": "", "times": "1",
             "end": "2027-03-01T08:00"}  # fmt: skip

    page = signed_in(house.ben).post("/bookings/new/", words)

    assert page.context["form"].errors["end"] == [
        "Until must be after the start, Mon 1 Mar, 09:00."
    ]


def test_given_the_home_page_when_holders_and_bookings_grow_then_its_queries_do_not(house):
    browser = signed_in(house.ben)
    browser.get("/")
    with CaptureQueriesContext(connection) as before:
        browser.get("/")
    fill(house, 400)
    for number in range(30):
        build.sample(owner=house.ben)
        build.holder(f"Q{number}", by=house.dee)
    with CaptureQueriesContext(connection) as after:
        browser.get("/")

    assert len(after) == len(before) <= 40
