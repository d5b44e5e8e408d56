"""Calendar files as they are posted to the page: one, none, not one, too many."""

from datetime import timedelta

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.test import Client
from django.urls import reverse
from django.utils import timezone

from bookings.models import Booking
from facility.models import Place

pytestmark = pytest.mark.django_db
HEAD = "BEGIN:VCALENDAR\r\nVERSION:2.0\r\nPRODID:-//tests//EN\r\n"


def calendar(count, days=2):
    """A file of so many events, each an hour on a day of its own from `days` on."""
    first = timezone.localtime() + timedelta(days=days)
    events = [
        f"BEGIN:VEVENT\r\nUID:e{n}@tests\r\nSUMMARY:time {n}\r\n"
        f"DTSTART:{first + timedelta(hours=2 * n):%Y%m%dT%H0000}\r\n"
        f"DTEND:{first + timedelta(hours=2 * n + 1):%Y%m%dT%H0000}\r\nEND:VEVENT\r\n"
        for n in range(count)
    ]
    return (HEAD + "".join(events) + "END:VCALENDAR\r\n").encode()


@pytest.fixture
def posted(lab):
    """`posted(content)` sends a file as staff do; answers with the page's status and text."""
    stage = Place.objects.get(kind="stage", instrument=lab.instrument)
    browser = Client()
    browser.force_login(lab.dee)

    def post(content, name="calendar.ics"):
        answer = browser.post(
            reverse("bookings:import_calendar"),
            {"place": stage.pk, "file": SimpleUploadedFile(name, content, "text/calendar")},
        )
        return answer.status_code, answer.content.decode()

    return post


def test_given_a_file_of_three_events_when_posted_twice_then_each_is_held_once(posted):
    status, text = posted(calendar(3))
    posted(calendar(3))

    assert status == 200
    assert "Taken over" in text
    assert Booking.objects.standing().count() == 3


def test_given_ten_thousand_events_when_posted_then_the_number_is_said_and_nothing_is_held(posted):
    status, text = posted(calendar(10_000))

    assert status == 422
    assert "10,000 events" in text
    assert Booking.objects.count() == 0


@pytest.mark.parametrize(
    ("content", "says"),
    [
        (calendar(0), "The file holds no events"),
        (b"name,when\r\nBen,Monday\r\n", "This is not an iCalendar file"),
        (b"\x89PNG\r\n\x1a\n\x00\x00", "This is not an iCalendar file"),
        (b"", "That file is empty"),
    ],
    ids=["none", "a table", "a picture", "empty"],
)
def test_given_a_file_without_a_calendar_in_it_when_posted_then_a_sentence_says_so(
    posted, content, says
):
    status, text = posted(content)

    assert status == 422
    assert says in text
    assert Booking.objects.count() == 0


def test_given_only_what_is_over_when_posted_then_it_is_counted_and_nothing_is_held(posted):
    status, text = posted(calendar(3, days=-9))

    assert status == 200
    assert "Over" in text
    assert Booking.objects.count() == 0


def test_given_anybody_but_staff_when_they_post_a_file_then_it_is_refused(lab):
    browser = Client()
    for person in (lab.ben, lab.gil, lab.eve, lab.fay):
        browser.force_login(person)
        assert browser.post(reverse("bookings:import_calendar")).status_code == 403
