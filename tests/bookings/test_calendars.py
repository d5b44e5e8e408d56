"""Calendars out and in: the feed read by a second reader of RFC 5545, the import of files."""

import re
from datetime import UTC, date, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest
from django.utils import timezone

from bookings import book, calendar_file, feed, planning
from bookings.models import Booking, BookingRules, Feed
from facility.errors import Refused
from facility.models import Place
from tests import build

pytestmark = pytest.mark.django_db
H = timedelta(hours=1)
LONDON = ZoneInfo("Europe/London")


def read_calendar(content):
    """Events as dicts of name to (parameters, value), and the offsets of each VTIMEZONE.

    A reader of our own after RFC 5545, sections 3.1 (unfolding) and 3.2 (parameters).
    """
    text = content.decode().replace("\r\n ", "").replace("\r\n\t", "")
    events, zones, stack = [], {}, []
    for line in filter(None, text.split("\r\n")):
        left, _, value = re.match(r'((?:[^":]|"[^"]*")+)(:)(.*)', line).groups()
        name, *parameters = left.split(";")
        if name == "BEGIN":
            stack.append((value, {}))
        elif name == "END":
            kind, row = stack.pop()
            if kind == "VEVENT":
                events.append(row)
            if kind in ("STANDARD", "DAYLIGHT"):
                offsets = zones.setdefault(stack[-1][1]["TZID"][1], set())
                offsets.add(row["TZOFFSETTO"][1])
        else:
            stack[-1][1][name] = (dict(part.split("=", 1) for part in parameters), value)
    assert stack == []
    return events, zones


def instant(event, name, zones):
    """The moment of a date-time with TZID, which a VTIMEZONE of the same file must describe."""
    parameters, value = event[name]
    assert parameters["TZID"] in zones
    wall = datetime.strptime(value, "%Y%m%dT%H%M%S")
    return wall.replace(tzinfo=ZoneInfo(parameters["TZID"])).astimezone(UTC)


@pytest.fixture
def house(lab):
    lab.stage = Place.objects.get(kind="stage", instrument=lab.instrument)
    BookingRules.objects.create(instrument=lab.instrument, horizon_days=500, loading_min=0)
    build.qualify(lab.chao, lab.instrument, by=lab.dee)
    return lab


def changes_of_clocks():
    """The next Sundays on which London's clocks change."""
    day, found = timezone.localdate() + timedelta(days=2), []
    while len(found) < 2:
        start, end = planning.day_of(day, LONDON)
        if planning.length_of(start, end) != 24 * H:
            found.append(day)
        day += timedelta(days=1)
    return found


def test_given_bookings_round_both_changes_of_clocks_when_read_back_then_each_moment_is_the_same(
    house,
):
    made = {}
    for sunday in changes_of_clocks():
        for shift in (-1, 0, 1):
            wall = datetime.combine(sunday + timedelta(days=shift), datetime.min.time())
            start = planning.moment_of(wall.replace(hour=9), LONDON)
            row = book.book(place=house.stage, by=house.ben, start=start, end=start + 3 * H,
                            why="Unobtainium on glass")  # fmt: skip
            made[f"{row.uid}@holdfast"] = row
    token = feed.renew(person=house.ben, instrument=house.instrument)

    content = feed.calendar_of(feed.behind(token), timezone.now())

    events, zones = read_calendar(content)
    assert {"+0000", "+0100"} <= zones["Europe/London"]
    assert {event["UID"][1] for event in events} == set(made)
    for event in events:
        row = made[event["UID"][1]]
        assert instant(event, "DTSTART", zones) == row.starts_at
        assert instant(event, "DTEND", zones) == row.ends_at
        assert event["DTSTART"][1].endswith("T090000")
        assert event["STATUS"][1] == "CONFIRMED"
    assert b"Unobtainium" not in content


def test_given_a_booking_moved_and_cancelled_when_read_then_uid_stays_and_sequence_grows(house):
    start = timezone.now() + 30 * H
    row = book.book(place=house.stage, by=house.ben, start=start, end=start + H)
    found = feed.behind(feed.renew(person=house.ben, instrument=house.instrument))
    seen = []
    for change in (
        None,
        lambda: book.move(booking=row, by=house.ben, start=start + H, end=start + 2 * H),
        lambda: book.cancel(booking=row, by=house.ben),
    ):
        if change:
            change()
        (event,), _ = read_calendar(feed.calendar_of(found, timezone.now()))
        seen.append(tuple(event[name][1] for name in ("UID", "SEQUENCE", "STATUS")))

    assert len({uid for uid, _, _ in seen}) == 1
    assert [int(sequence) for _, sequence, _ in seen] == [0, 1, 2]
    assert [status for *_, status in seen] == ["CONFIRMED", "CONFIRMED", "CANCELLED"]


def test_given_others_time_when_read_then_it_is_only_taken_and_their_cancellations_are_gone(house):
    start = timezone.now() + 30 * H
    row = book.book(place=house.stage, by=house.chao, start=start, end=start + H, why="secret")
    found = feed.behind(feed.renew(person=house.ben, instrument=house.instrument))

    content = feed.calendar_of(found, timezone.now())
    assert b"taken by another group" in content
    assert b"Chao" not in content
    assert b"secret" not in content
    book.cancel(booking=row, by=house.chao)
    assert read_calendar(feed.calendar_of(found, timezone.now()))[0] == []


def test_given_an_address_when_renewed_ended_or_its_person_gone_then_the_old_one_is_not_here(
    house, client
):
    old = feed.renew(person=house.ben, instrument=house.instrument)
    new = feed.renew(person=house.ben, instrument=house.instrument)

    assert client.get(f"/calendars/{old}.ics").status_code == 404
    assert client.get(f"/calendars/{new}.ics").status_code == 200
    assert old not in str(list(Feed.objects.values()))
    house.ben.is_active = False
    house.ben.save()
    assert client.get(f"/calendars/{new}.ics").status_code == 404


# Files


def event(uid, start, hours=2, more=""):
    """One VEVENT on London's wall clock."""
    until = start + timedelta(hours=hours)
    return (
        f"BEGIN:VEVENT\r\nUID:{uid}\r\nDTSTART;TZID=Europe/London:{start:%Y%m%dT%H%M%S}\r\n"
        f"DTEND;TZID=Europe/London:{until:%Y%m%dT%H%M%S}\r\nSUMMARY:lines of {uid}\r\n{more}"
        "END:VEVENT\r\n"
    )


def calendar(*events):
    return ("BEGIN:VCALENDAR\r\nVERSION:2.0\r\n" + "".join(events) + "END:VCALENDAR\r\n").encode()


def wall(days, hour=9):
    return datetime.combine(date.today() + timedelta(days=days), datetime.min.time()).replace(
        hour=hour
    )


def test_given_a_calendar_when_taken_over_twice_then_each_time_stands_once(house):
    house.ben.email = "ben@example.org"
    house.ben.save()
    content = calendar(
        event("known", wall(3), more="ORGANIZER:mailto:Ben@Example.org\r\n"),
        event("unknown", wall(4)),
        event("over", wall(-9)),
        event("clash", wall(4, 10)),
        event("backwards", wall(5), hours=-1),
    )

    first = calendar_file.take_over(place=house.stage, by=house.dee, content=content)
    again = calendar_file.take_over(place=house.stage, by=house.dee, content=content)

    assert (first.booked, first.held, first.over) == (1, 1, 1)
    assert [number for number, _ in first.refused] == [4, 5]
    assert "ends before it starts" in first.refused[1][1]
    assert (again.booked, again.held, again.before) == (0, 0, 2)
    assert Booking.objects.get(person=house.ben).wall_start[-5:] == "09:00"


def test_given_a_weekly_event_when_taken_over_then_nine_stays_nine_over_the_change_of_clocks(house):
    change = changes_of_clocks()[0]
    first = datetime.combine(change - timedelta(days=4), datetime.min.time()).replace(hour=9)
    out = first + timedelta(weeks=2)
    content = calendar(
        event("weekly", first,
              more="RRULE:FREQ=WEEKLY;COUNT=4\r\n"
              f"EXDATE;TZID=Europe/London:{out:%Y%m%dT%H%M%S}\r\n"),
    )  # fmt: skip

    calendar_file.take_over(place=house.stage, by=house.dee, content=content)

    rows = list(Booking.objects.standing().order_by("starts_at"))
    assert [row.wall_start[-5:] for row in rows] == ["09:00"] * 3
    assert len({row.starts_at.hour for row in rows}) == 2


@pytest.mark.parametrize(
    ("content", "says"),
    [
        (b"", "not an iCalendar file|holds no events"),
        (b"\x00\xff rubbish", "not an iCalendar file"),
        (calendar(), "holds no events"),
    ],
)
def test_given_a_file_that_is_none_when_taken_over_then_a_sentence_says_so(house, content, says):
    with pytest.raises(Refused, match=says):
        calendar_file.take_over(place=house.stage, by=house.dee, content=content)


def test_given_ten_thousand_events_when_taken_over_then_refused_with_the_number(house):
    content = calendar(*(event(f"e{n}", wall(2 + n // 10)) for n in range(10_000)))

    with pytest.raises(Refused, match="10,000 events with more than 5,000"):
        calendar_file.take_over(place=house.stage, by=house.dee, content=content)
    assert not Booking.objects.exists()
