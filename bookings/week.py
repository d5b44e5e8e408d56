"""Reads of the calendar: days as lines for tablet and desk, as a written list for phones.

The same few queries for any week: all bookings of seven days in one, whatever lies before them.
"""

from dataclasses import dataclass, replace
from datetime import date, datetime, timedelta

from django.db.models import Count
from django.urls import reverse
from django.utils import timezone

from bookings import planning
from bookings.book import INTRODUCTION, MAIN, here, whose
from bookings.models import Booking, Measurement
from facility import chart
from facility.models import Place

SHORT_HOURS = 3.2  # a slip below it has no room for long words


@dataclass(frozen=True)
class Lane:
    """One place's line of a day, drawn, and the same in words."""

    place: Place
    name: str
    drawing: object
    lines: list


@dataclass(frozen=True)
class Day:
    """One day of all places."""

    day: date
    is_today: bool
    is_past: bool
    lanes: list
    lines: list
    url: str


def hours_line():
    """The words of the hours alone, above a week."""
    line = chart.day_line([], says="hours of the day, 00 to 24")
    return replace(line, height=line.top)


def monday_of(text, today):
    """The Monday of a week written as 2026-W46, or of a date in it; of this week for anything else."""
    for pattern in ("%G-W%V-%u", "%Y-%m-%d"):
        wanted = f"{text}-1" if "W" in text else text
        try:
            day = datetime.strptime(wanted, pattern).date()
        except ValueError:
            continue
        if 2000 < day.year < 2200:
            return day - timedelta(days=day.weekday())
    return today - timedelta(days=today.weekday())


def places_of(kinds=(MAIN,)):
    """The places that are booked, instrument by instrument, the main chamber first."""
    rows = Place.objects.filter(instrument__isnull=False, kind__in=kinds)
    rows = rows.select_related("instrument")
    return sorted(rows, key=lambda row: (row.instrument_id, row.kind != MAIN, row.pk))


def days(first, count, person, now, *, kinds=(MAIN,)):
    """Days from `first` on, with what is held on each place as this person may know it."""
    zone = here()
    places = places_of(kinds)
    start, _ = planning.day_of(first, zone)
    _, end = planning.day_of(first + timedelta(days=count - 1), zone)
    rows = list(
        Booking.objects.standing()
        .filter(place__in=places)
        .touching(start, end)
        .shown()
        .order_by("starts_at")
    )
    measured = dict(
        Measurement.objects.filter(session__booking__in=[row.pk for row in rows])
        .values_list("session__booking")
        .annotate(Count("pk"))
    )
    alone = len({place.instrument_id for place in places}) == 1
    return [
        _day(first + timedelta(days=n), places, rows, measured, person, now, alone)
        for n in range(count)
    ]


def _day(day, places, rows, measured, person, now, alone):
    zone = here()
    start, end = planning.day_of(day, zone)
    today = timezone.localdate(now)
    lanes = []
    for place in places:
        lines = [
            _line(row, day, measured, person, now)
            for row in rows
            if row.place_id == place.pk and row.starts_at < end and row.ends_at > start
        ]
        hours = chart.day_line(
            [[line["slip"] for line in lines]],
            hours=False,
            now=planning.hour_in_day(now, day, zone) if day == today else None,
            says=_says(place, day, lines),
        )
        lanes.append(Lane(place, _name(place, alone), hours, lines))
    together = sorted(
        (line | {"where": _where(lane.place)} for lane in lanes for line in lane.lines),
        key=lambda line: line["booking"].starts_at,
    )
    return Day(
        day=day,
        is_today=day == today,
        is_past=day < today,
        lanes=lanes,
        lines=together,
        url=reverse("bookings:day", args=[day.isoformat()]),
    )


def _name(place, alone):
    if place.kind == INTRODUCTION:
        return "introduction"
    return "main" if alone else str(place.instrument)


def _where(place):
    """A place in a list, where the lane beside it does not say the instrument."""
    return f"{place.instrument}{', introduction' if place.kind == INTRODUCTION else ''}"


def _says(place, day, lines):
    held = "; ".join(f"{line['words']} {line['hours']}" for line in lines) or "free"
    return f"{day:%A} {day.day} {day:%B}, {place}: {held}"


def _line(row, day, measured, person, now):
    """One booking on one day: its slip on the line, and its words for a list."""
    zone = here()
    begins = planning.hour_in_day(row.starts_at, day, zone)
    ends = planning.hour_in_day(row.ends_at, day, zone)
    kind, words = _kind_and_words(row, person, now)
    second = _second(row, kind, ends, measured, person, now)
    return {
        "booking": row,
        "kind": kind,
        "words": words,
        "second": second,
        "hours": _hours(row, day),
        "slip": chart.Slip(
            max(begins, -1.0),
            max(min(ends, 25.0), begins + 0.01),
            kind,
            words,
            second,
            row.get_absolute_url(),
        ),
    }


def _kind_and_words(row, person, now):
    if row.is_closure:
        return "closed", "Closed"
    said = whose(row, person)
    words = {"you": "Yours", "another group": "Taken"}.get(said, said)
    if row.is_over(now):
        return "past", words
    return ("yours" if said == "you" else "booked"), words


def _second(row, kind, ends, measured, person, now):
    """What stands below: a closure's reason, what was measured, until when it goes on."""
    if kind == "closed":
        return row.why
    if row.held_for_id:
        return "loading"
    if kind == "past":
        return f"measured {measured[row.pk]}" if measured.get(row.pk) else ""
    at = timezone.localtime(row.ends_at)
    if ends > 24:
        return f"overnight, until {at:%H:%M}" if ends <= 48 else f"until {planning.words(at)}"
    if row.starts_at <= now or ends - planning.hour_in_day(row.starts_at, at.date(), here()) > 24:
        return f"until {at:%H:%M}"
    mine = row.person_id == person.pk or person.is_house_staff
    return row.why if mine else ""


def _hours(row, day):
    """When, on a day: 09:00 to 12:00, with until or from where it crosses midnight."""
    start, end = timezone.localtime(row.starts_at), timezone.localtime(row.ends_at)
    begins = f"{start:%H:%M}" if start.date() == day else "00:00"
    on_the_day = end.date() == day or (
        end.date() == day + timedelta(days=1) and f"{end:%H:%M}" == "00:00"
    )
    until = f"{end:%H:%M}" if on_the_day else f"{end:%a %H:%M}"
    return f"{begins} to {'24:00' if until == '00:00' else until}"


def free_on(day, place, rows, now):
    """Free stretches of a place on a day, from now on, with the hours at which one may begin."""
    zone = here()
    start, end = planning.day_of(day, zone)
    start = max(start, now.astimezone(zone))
    if start >= end:
        return []
    taken = [planning.Taken(row.starts_at, row.ends_at) for row in rows if row.place_id == place.pk]
    stretches = planning.free_stretches(taken, start, end, timedelta(minutes=30))
    return [
        {
            "start": since.astimezone(zone),
            "end": until.astimezone(zone),
            "to_midnight": until >= end,
            "hours": _starts(since.astimezone(zone), until),
        }
        for since, until in stretches
    ]


def _starts(since, until):
    """Presses of a free stretch: its begin on a quarter of an hour, then each whole hour."""
    first = since.replace(second=0, microsecond=0)
    if since.minute % 15 or since.second or since.microsecond:
        first = planning.later(first, timedelta(minutes=15 - first.minute % 15))
    found, at = [], first
    while planning.length_of(at, until) >= timedelta(minutes=30):
        found.append(at)
        at = planning.later(at.replace(minute=0), timedelta(hours=1))
    return found


def weeks_words(first):
    """9 to 15 November, or 30 November to 6 December."""
    last = first + timedelta(days=6)
    if first.month == last.month:
        return f"{first.day} to {last.day} {last:%B %Y}"
    return f"{first.day} {first:%B} to {last.day} {last:%B %Y}"


def week_name(day):
    """2026-W46."""
    return f"{day:%G-W%V}"
