"""Take the present calendar over from an iCalendar file: good lines kept, the others named by number."""

import uuid
from bisect import bisect_left, insort
from dataclasses import dataclass, field
from datetime import UTC, date, datetime, time, timedelta

from dateutil.rrule import rrulestr
from django.utils import timezone
from icalendar import Calendar

from bookings import planning
from bookings.book import here, in_turn, lock
from bookings.models import Booking
from facility import access
from facility.errors import Refused
from facility.models import Person

AT_MOST = 5000  # times in one file
BYTES = 5 * 1024 * 1024
AHEAD = timedelta(days=370)  # a repeating entry is followed so far
IDS = uuid.UUID("0d6b9e0e-5b1c-5c4e-8a53-6b1f6c1f0c55")  # of what came from calendars, ours


@dataclass
class Taken:
    """What an import did."""

    booked: int = 0
    held: int = 0  # for people whom nobody here knows by their address: held under their words
    before: int = 0
    over: int = 0
    refused: list = field(default_factory=list)  # (number in the file, why not)


@dataclass(frozen=True)
class Line:
    """One time of the file."""

    number: int
    uid: str
    start: datetime
    end: datetime
    summary: str
    address: str


def read(content, zone, now):
    """(lines, refused, how many are over) of an iCalendar file.

    Raises Refused where it is none, holds nothing, or more than can be taken at once.
    """
    if len(content) > BYTES:
        raise Refused(f"The file has {len(content) / 1e6:.1f} MB; at most 5 MB are read at once.")
    try:
        calendar = Calendar.from_ical(content)
    except (ValueError, IndexError, KeyError, TypeError, UnicodeDecodeError):
        raise Refused(
            "This is not an iCalendar file. Export the calendar as .ics and choose that file."
        ) from None
    events = calendar.walk("VEVENT")
    if not events:
        raise Refused("The file holds no events. Export the calendar with its events.")
    lines, refused, over = [], [], 0
    for number, event in enumerate(events, 1):
        if str(event.get("status", "")).upper() == "CANCELLED":
            continue
        try:
            found, past = _times(number, event, zone, now)
        except (ValueError, TypeError, AttributeError, OverflowError) as problem:
            refused.append((number, str(problem) or "its times cannot be read"))
            continue
        lines += found
        over += past
        if len(lines) > AT_MOST:
            raise Refused(
                f"The file holds {len(events):,} events with more than {AT_MOST:,} times to come. "
                "Export a shorter stretch and take it over in parts."
            )
    return lines, refused, over


def _times(number, event, zone, now):
    """The times of one event that are not over, and how many are."""
    if "DTSTART" not in event:
        raise ValueError("it has no start")
    begins = event.decoded("dtstart")
    start = _moment(begins, zone)
    length = _length(event, begins, start, zone)
    if length <= timedelta(0):
        raise ValueError("it ends before it starts")
    starts = _repeats(event, begins, start, zone, now) if "RRULE" in event else [start]
    summary = " ".join(str(event.get("summary", "")).split()) or "no words"
    address = str(event.get("organizer", "") or event.get("attendee", "")).lower()
    uid = str(event.get("uid", f"{summary}|{start.isoformat()}"))
    lines = [
        Line(number, uid, at, at + length, summary[:100], address.removeprefix("mailto:"))
        for at in starts
        if at + length > now
    ]
    return lines, len(starts) - len(lines)


def _moment(value, zone):
    """A date or time of the file; without a zone it is the facility's wall clock."""
    if not isinstance(value, datetime):
        value = datetime.combine(value, time())
    if value.tzinfo is None:
        return planning.moment_of(value, zone, "It starts at a time that")
    return value.astimezone(zone)


def _length(event, begins, start, zone):
    if "DTEND" in event:
        return _moment(event.decoded("dtend"), zone).astimezone(UTC) - start.astimezone(UTC)
    if "DURATION" in event:
        return event.decoded("duration")
    return timedelta(0) if isinstance(begins, datetime) else timedelta(days=1)


def _repeats(event, begins, start, zone, now):
    """The starts of a repeating event, by the wall clock, from the beginning until a year ahead."""
    rules = event["RRULE"] if isinstance(event["RRULE"], list) else [event["RRULE"]]
    text = rules[0].to_ical().decode()
    wall = start.replace(tzinfo=None)
    if "UNTIL" in rules[0]:
        last = rules[0]["UNTIL"][0]
        last = _moment(last, zone).replace(tzinfo=None) if isinstance(last, date) else last
        kept = [part for part in text.split(";") if not part.startswith("UNTIL")]
        text = ";".join([*kept, f"UNTIL={last:%Y%m%dT235959}"])
    horizon = (now + AHEAD).astimezone(zone).replace(tzinfo=None)
    left_out = _left_out(event, zone)
    found = []
    for at in rrulestr(text, dtstart=wall):
        if at > horizon or len(found) > AT_MOST:
            break
        if at in left_out:
            continue
        try:
            found.append(planning.moment_of(at, zone))
        except ValueError:
            continue  # an hour that the clocks leave out
    return found


def _left_out(event, zone):
    rows = event.get("EXDATE", [])
    rows = rows if isinstance(rows, list) else [rows]
    return {_moment(row.dt, zone).replace(tzinfo=None) for listed in rows for row in listed.dts}


@in_turn
def take_over(*, place, by, content):
    """Book what the file holds for `place`; what stands already or is over is only counted."""
    access.require(by, "closure.make")
    zone, now = here(), timezone.now()
    lines, refused, over = read(content, zone, now)
    lock(place.instrument_id)
    taken = Taken(over=over, refused=refused)
    people = {row.email.lower(): row for row in Person.objects.here().exclude(email="")}
    ids = [uuid.uuid5(IDS, f"{place.pk}|{row.uid}|{row.start.isoformat()}") for row in lines]
    known = set(
        Booking.objects.filter(place=place, ends_at__gt=now, sent_id__isnull=False).values_list(
            "sent_id", flat=True
        )
    )
    standing = sorted(
        Booking.objects.standing()
        .filter(place=place, ends_at__gt=now)
        .values_list("starts_at", "ends_at")
    )
    rows = []
    for line, sent_id in sorted(zip(lines, ids, strict=True), key=lambda pair: pair[0].start):
        if sent_id in known:
            taken.before += 1
        elif clash := _clash(standing, line):
            taken.refused.append(
                (line.number, f"{planning.stretch(*_local(clash, zone))} is held already")
            )
        else:
            insort(standing, (line.start, line.end))
            known.add(sent_id)
            person = people.get(line.address)
            taken.booked += person is not None
            taken.held += person is None
            rows.append(_row(place, by, line, person, sent_id, now, zone))
    Booking.objects.bulk_create(rows, batch_size=500)
    taken.refused.sort(key=lambda pair: pair[0])
    return taken


def _clash(standing, line):
    """What holds some of the line's time; `standing` is sorted and never overlaps."""
    after = bisect_left(standing, (line.start, line.start))
    near = standing[max(after - 1, 0) : after + 1]
    return next((row for row in near if row[0] < line.end and row[1] > line.start), None)


def _local(stretch, zone):
    return [at.astimezone(zone) for at in stretch]


def _row(place, by, line, person, sent_id, now, zone):
    """A booking of a known person, or time held under the file's own words."""
    return Booking(
        place=place,
        person=person,
        starts_at=line.start,
        ends_at=line.end,
        wall_start=planning.wall_of(line.start, zone),
        wall_end=planning.wall_of(line.end, zone),
        zone=str(zone),
        why="from the calendar" if person else f"held: {line.summary}",
        made_at=now,
        made_by=by,
        sent_id=sent_id,
    )
