"""Bookings at the same wall time every week: 09:00 stays 09:00 when the clocks change."""

from django.db import transaction
from django.utils import timezone

from bookings import book, planning
from bookings.models import Booking, Series
from facility import access
from facility.errors import Refused

AT_MOST = 26


def book_series(*, place, by, wall_start, wall_end, count, weeks_apart=1, sent_id=None, **more):
    """Book each week that is free and name the others: (series, bookings, [(number, why not)]).

    Takes:   wall_start, wall_end, without a zone, of the first time.
    Raises:  Refused where not one of them could be booked.
    """
    access.require(by, "booking.make")
    if not 2 <= count <= AT_MOST:
        raise Refused(f"A series has 2 to {AT_MOST} times.")
    if sent_id and (before := Series.objects.filter(sent_id=sent_id).first()):
        return before, list(before.bookings.standing().on_main()), []
    made, refused = [], []
    with transaction.atomic():
        book.lock(place.instrument_id)
        series = Series.objects.create(
            person=by,
            weeks_apart=weeks_apart,
            count=count,
            made_at=timezone.now(),
            sent_id=sent_id,
        )
        times = planning.weekly(
            wall_start, wall_end, book.here(), count=count, weeks_apart=weeks_apart
        )
        for number, start, end, why_not in times:
            if why_not:
                refused.append((number, why_not))
                continue
            try:
                made.append(
                    book.book(place=place, by=by, start=start, end=end, series=series, **more)
                )
            except Refused as refusal:
                refused.append((number, str(refusal)))
        if not made:
            raise Refused(f"None of the {count} times could be booked. The first: {refused[0][1]}")
    return series, made, refused


def cancel_rest(*, series, by):
    """Cancel what is still to come of a series; returns how many."""
    rows = Booking.objects.standing().filter(
        series=series, held_for=None, starts_at__gt=timezone.now()
    )
    count = 0
    for row in rows.select_related("place__instrument"):
        book.cancel(booking=row, by=by)
        count += 1
    return count
