"""Booked time: week, day, one booking; book, move, cancel."""

import re
from datetime import date, timedelta

from django.contrib import messages
from django.http import Http404
from django.shortcuts import get_object_or_404
from django.utils import timezone
from django.views.decorators.http import require_GET, require_POST

from bookings import book, duty, planning, series, week
from bookings.forms_time import BookForm, MoveForm
from bookings.models import Booking, Fault, Offer, Wish
from facility import qualify
from facility.access import may, policy
from facility.errors import Refused
from facility.htmx import page, see
from facility.models import Instrument, Place

SHIFTS = (("an hour earlier", -60), ("half an hour earlier", -30), ("half an hour later", 30), ("an hour later", 60))  # fmt: skip


@require_GET
@policy("booking.see")
def bookings(request):
    """A week as day lines; on a phone the same as a written list."""
    now = timezone.now()
    monday = week.monday_of(request.GET.get("week", ""), timezone.localdate(now))
    days = week.days(monday, 7, request.user, now)
    mine = [line["booking"] for day in days for line in day.lines if line["kind"] == "yours"]
    context = {
        "monday": monday,
        "number": f"{monday:%V}".lstrip("0"),
        "words": week.weeks_words(monday),
        "before": week.week_name(monday - timedelta(days=7)),
        "after": week.week_name(monday + timedelta(days=7)),
        "days": days,
        "hours": week.hours_line(),
        "mine": list(
            dict.fromkeys(f"{timezone.localtime(row.starts_at):%a %H:%M}" for row in mine)
        ),
        "this_week": monday <= timezone.localdate(now) < monday + timedelta(days=7),
        "past": [day for day in days if day.is_past and not all(row.is_past for row in days)],
        "coming": [day for day in days if not day.is_past or all(row.is_past for row in days)],
        "offers": Offer.objects.standing(now)
        .filter(person=request.user)
        .select_related("place__instrument"),
        "wishes": Wish.objects.waiting()
        .filter(person=request.user, ends_at__gt=now)
        .select_related("place__instrument"),
        "may_book": may(request.user, "booking.make"),
        "may_close": may(request.user, "closure.make"),
    }
    return page(request, "bookings/bookings.html", context)


@require_GET
@policy("booking.see")
def day(request, day):
    """One day with both chambers of each instrument, and presses for what is free."""
    shown, now = _day_of(day), timezone.now()
    (row,) = week.days(shown, 1, request.user, now, kinds=(week.MAIN, week.INTRODUCTION))
    held = [line["booking"] for line in row.lines]
    context = {
        "row": row,
        "hours": week.hours_line(),
        "before": shown - timedelta(days=1),
        "after": shown + timedelta(days=1),
        "week": week.week_name(shown),
        "free": [
            {"place": lane.place, "stretches": week.free_on(shown, lane.place, held, now)}
            for lane in row.lanes
            if lane.place.kind == week.MAIN
        ],
        "duties": duty.lines(
            [lane.place.instrument for lane in row.lanes if lane.place.kind == week.MAIN],
            shown,
            request.user,
            timezone.localdate(now),
        ),
        "may_book": may(request.user, "booking.make"),
        "may_close": may(request.user, "closure.make"),
    }
    return page(request, "bookings/day.html", context)


def _day_of(text):
    """The day of an address, or 404."""
    if not re.fullmatch(r"\d{4}-\d{2}-\d{2}", text):
        raise Http404
    try:
        day = date.fromisoformat(text)
    except ValueError:
        raise Http404 from None
    if not 2000 < day.year < 2200:
        raise Http404
    return day


@require_POST
@policy("duty.take")
def take_duty(request, slug, day):
    """POST: this person leaves the instrument at rest on that day."""
    return _after_duty(request, slug, day, duty.take, "You leave {} at rest on {}.")


@require_POST
@policy("booking.make")
def give_back_duty(request, slug, day):
    """POST gives a shut-down back to whose time ends last."""
    return _after_duty(request, slug, day, duty.give_back, "Given back: the shut-down of {} on {}.")


def _after_duty(request, slug, day, verb, said):
    instrument, shown = get_object_or_404(Instrument, slug=slug), _day_of(day)
    try:
        verb(instrument=instrument, day=shown, by=request.user)
    except Refused as refusal:
        messages.warning(request, str(refusal))
    else:
        messages.success(request, said.format(instrument, f"{shown:%a} {shown.day} {shown:%B}"))
    if request.POST.get("back") == "today":
        return see(request, "bookings:today")
    return see(request, "bookings:day", shown)


@policy("booking.make")
def book_time(request):
    """GET shows the form; POST books once or every week, or says who has the time."""
    asked = request.POST if request.method == "POST" else None
    form = BookForm(asked, person=request.user, initial=_wanted(request))
    if form.is_valid():
        words = dict(form.cleaned_data)
        words.pop("length")
        times = words.pop("times") or 1
        try:
            made = _book(request, times, words)
        except Refused as refusal:
            form.add_error(None, str(refusal))
        else:
            return see(request, "bookings:day", timezone.localtime(made.starts_at).date())
    context = {
        "form": form,
        "rules": [rules_words(row, request.user) for row in Instrument.objects.all()],
        "wish": _wish_of(form) if form.errors else None,
    }
    return page(request, "bookings/book_time.html", context, status=422 if form.errors else 200)


def _book(request, times, words):
    """Once, or a series; what of a series could not be booked is told."""
    if times == 1:
        made = book.book(by=request.user, **words)
        messages.success(request, f"Booked: {book.where(made.place)}, {_when(made)}.")
        return made
    zone = book.here()
    start, end = words.pop("start"), words.pop("end")
    _, made, refused = series.book_series(
        by=request.user,
        wall_start=start.astimezone(zone).replace(tzinfo=None),
        wall_end=end.astimezone(zone).replace(tzinfo=None),
        count=times,
        **words,
    )
    messages.success(request, f"Booked {len(made)} of {times} weeks, from {_when(made[0])} on.")
    for number, why_not in refused[:8]:
        messages.warning(request, f"Week {number} is not booked: {why_not}")
    return made[0]


def _when(booking):
    zone = book.here()
    return planning.stretch(booking.starts_at.astimezone(zone), booking.ends_at.astimezone(zone))


def _wanted(request):
    """What a press on the day page asks for: place and start; else the next whole hour."""
    initial = {"length": "120", "times": 1}
    main = Place.objects.filter(kind=week.MAIN, instrument__isnull=False).first()
    initial["place"] = main.pk if main else None
    if re.fullmatch(r"[0-9]{1,9}", request.GET.get("place", "")):
        initial["place"] = int(request.GET["place"])
    now = timezone.localtime().replace(minute=0, second=0, microsecond=0)
    initial["start"] = planning.later(now, timedelta(hours=1))
    for name in ("start", "end"):
        if re.fullmatch(r"\d{4}-\d\d-\d\dT\d\d:\d\d", request.GET.get(name, "")):
            initial[name] = request.GET[name]
            initial["length"] = "until" if name == "end" else initial["length"]
    return initial


def _wish_of(form):
    """Where the time is taken, the stretch for which one may wait."""
    words = getattr(form, "cleaned_data", {})
    if not all(words.get(name) for name in ("place", "start", "end")):
        return None
    held = Booking.objects.standing().filter(place=words["place"])
    held = held.touching(words["start"], words["end"])
    return words if held.of_people().exists() and not held.closures().exists() else None


def rules_words(instrument, person):
    """What holds for this person on an instrument, as sentences beside the form."""
    rules, hours = book.rules_of(instrument), book.hours_for(person, instrument)
    if person.is_house_staff:
        level = "Staff book at any hour."
    elif hours is None:
        level = "You have no standing qualification here. Ask staff for a training or a refresher."
    elif not hours.may_book:
        level = f"At the level {hours.word} you come along with somebody who has booked."
    else:
        level = f"You may work here {hours.word}: {_hours_words(hours)}."
    law = book.as_law(rules)
    lines = [
        level,
        f"One booking lasts {planning.span(law.shortest)} to {planning.span(law.longest)}, "
        f"at most {law.horizon.days} days ahead"
        + (f" and at least {planning.span(law.notice)} before." if law.notice else "."),
    ]
    if rules.loading_min:
        lines.append(
            f"It holds the introduction chamber too, for its first {rules.loading_min} min."
        )
    if rules.release_min:
        lines.append(
            f"If nobody has come {rules.release_min} min after its start, it is free again."
        )
    if person.group and (quota := book.quota_of(instrument, person.group, rules)) is not None:
        lines.append(f"{person.group} has {quota:g} h a week here.")
    own = [line.strip() for line in rules.standing.splitlines() if line.strip()]
    found = None if person.is_house_staff else qualify.standing(person, instrument)
    return {
        "instrument": instrument,
        "lines": lines + own,
        "last_day": found.last_day if found else None,
    }


def _hours_words(hours):
    days = "on working days" if hours.weekdays_only else "on any day"
    if hours.opens_at is None:
        return f"{days}, at any hour"
    return f"{days} from {hours.opens_at:%H:%M} to {hours.shuts_at:%H:%M}"


def _booking(pk):
    return get_object_or_404(Booking.objects.shown().select_related("held_for", "series"), pk=pk)


@require_GET
@policy("booking.see")
def booking(request, pk):
    """One booking: theirs to move and cancel, or a stretch to wait for."""
    return _booking_page(request, _booking(pk))


def _booking_page(request, row, form=None, refusals=()):
    now = timezone.now()
    theirs, rules = book.may_change(row, request.user), book.rules_of(row.place.instrument)
    changes = theirs and not row.cancelled_at and not row.is_over(now) and not row.held_for_id
    context = {
        "booking": row,
        "start": timezone.localtime(row.starts_at),
        "end": timezone.localtime(row.ends_at),
        "when": _when(row),
        "whose": book.whose(row, request.user),
        "where": book.where(row.place),
        "rest": _rest(row, now, request.user) if changes else "",
        "faults": _faults(row) if theirs else [],
        "cancelling": _cancelling(row, rules, now),
        "offer_hours": rules.offer_hours,
        "theirs": theirs,
        "may_change": changes,
        "form": form or MoveForm(initial={"start": row.starts_at, "end": row.ends_at}),
        "refusals": refusals,
        "shifts": _shifts(row, now) if changes and not row.is_closure else [],
        "may_wait": not theirs
        and not row.cancelled_at
        and not row.is_over(now)
        and not row.is_closure
        and may(request.user, "booking.make"),
        "more_of_series": row.series
        and theirs
        and row.series.bookings.standing().filter(starts_at__gt=now, held_for=None).count(),
    }
    bad = refusals or (form and form.errors)
    return page(request, "bookings/booking.html", context, status=422 if bad else 200)


def _faults(row):
    """What was wrong with the instrument in the time that a booking held."""
    found = Fault.objects.on(row.place.instrument).during(row.starts_at, row.ends_at)
    return found[:6] if row.person_id else []


def _rest(row, now, person):
    """Who leaves the instrument at rest on the day on which a booking ends, where it is they."""
    day = timezone.localdate(row.ends_at - timedelta(minutes=1))
    found = duty.owner(row.place.instrument, day)
    mine = found is not None and found.person.pk == row.person_id
    return duty.words(row.place.instrument, found, person) if mine else ""


def _cancelling(row, rules, now):
    """What cancelling means: free again at once, and from when on it is counted as late."""
    late = timezone.localtime(row.starts_at - timedelta(hours=rules.late_cancel_hours))
    if row.is_closure:
        return ""
    if now < late:
        return f"Cancelled before {planning.words(late)}, it is not counted as late."
    return (
        f"It begins within {rules.late_cancel_hours} h, so cancelling is counted as late for the "
        "group. Cancel all the same: somebody else can use it."
    )


def _shifts(row, now):
    """Presses that move a booking a little; none before now."""
    if row.starts_at <= now:
        return []
    found = []
    for words, minutes in SHIFTS:
        by = timedelta(minutes=minutes)
        start = timezone.localtime(row.starts_at + by)
        if start > now:
            found.append((words, start, timezone.localtime(row.ends_at + by)))
    return found


@require_POST
@policy("booking.make")
def move_booking(request, pk):
    """POST brings a booking to another time, or says who has it."""
    row = _booking(pk)
    form = MoveForm(request.POST)
    if not form.is_valid():
        return _booking_page(request, row, form)
    try:
        moved = book.move(booking=row, by=request.user, **form.cleaned_data)
    except Refused as refusal:
        return _booking_page(request, _booking(pk), form, [str(refusal)])
    messages.success(request, f"Moved: {_when(moved)}.")
    return see(request, moved)


@require_POST
@policy("booking.make")
def cancel_booking(request, pk):
    """POST frees the time; with `series` all of the series that is still to come."""
    row = _booking(pk)
    try:
        if request.POST.get("series") and row.series and book.may_change(row, request.user):
            count = series.cancel_rest(series=row.series, by=request.user)
            messages.success(request, f"Cancelled: {count} of the series.")
        else:
            book.cancel(booking=row, by=request.user)
            messages.success(request, f"Cancelled: {book.where(row.place)}, {_when(row)}.")
    except Refused as refusal:
        messages.warning(request, str(refusal))
    return see(request, "bookings:day", timezone.localtime(row.starts_at).date())
