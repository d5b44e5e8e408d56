"""Hours of use by group, project and sample class; a group's own page; what staff say of instruments."""

import csv
from datetime import timedelta

from django.contrib import messages
from django.http import HttpResponse
from django.shortcuts import get_object_or_404
from django.utils import timezone
from django.views.decorators.http import require_GET, require_POST

from bookings import planning, tell, usage
from bookings.book import here
from bookings.forms_house import UsageForm, WordForm
from bookings.models import BookingRules, Fault, Session
from facility import status
from facility.access import may, policy, require_or_404
from facility.errors import Refused
from facility.htmx import page, see
from facility.models import Group, Instrument, Qualification
from samples.models import Sample


def _asked(request):
    """The period and what to count by: this month where nothing is asked; (form, words)."""
    today = timezone.localdate()
    first, last, words = today.replace(day=1), today, {}
    # an empty field shows what is counted where nothing is asked
    form = UsageForm({"start": first, "end": last} | request.GET.dict())
    if form.is_valid():
        words = form.cleaned_data
        first, last = words["start"] or first, words["end"] or last
        if last < first:
            form.add_error("end", f"Until must not be before {first:%d %b %Y}.")
        elif last - first > usage.LONGEST:
            form.add_error("end", f"At most {usage.LONGEST.days} days are counted at once.")
    if form.errors:
        first, last = today.replace(day=1), today
    start, _ = planning.day_of(first, here())
    _, end = planning.day_of(last, here())
    return form, {
        "first": first,
        "last": last,
        "start": start,
        "end": end,
        "by": words.get("by") or "group",
        "instrument": words.get("instrument"),
    }


def _group_of(person):
    """Whose hours somebody sees: None for all, else the lead's own group."""
    return None if may(person, "flag.see") else person.group


def _lines(request, words):
    if not may(request.user, "flag.see") and request.user.group is None:
        return []
    return usage.lines(
        words["start"],
        words["end"],
        by=words["by"],
        instrument=words["instrument"],
        group=_group_of(request.user),
    )


@require_GET
@policy("usage.see")
def hours(request):
    """Four clocks as a table: booked, present, source on, fault; and what was not used."""
    form, words = _asked(request)
    rows = _lines(request, words)
    totals = {clock: sum(getattr(row, clock) for row in rows) for clock in usage.KINDS}
    context = {
        "form": form,
        "words": words,
        "by_word": usage.BY[words["by"]],
        "rows": rows,
        "totals": totals,
        "prices": [
            rule
            for rule in BookingRules.objects.select_related("instrument")
            if rule.price is not None
        ],
        "unused": usage.unused_by_month(words["start"], words["end"], group=_group_of(request.user))
        if rows
        else [],
        "charges": BookingRules.objects.exclude(fault_is_charged=False).exists(),
        "group": _group_of(request.user),
        "query": f"start={words['first']}&end={words['last']}&by={words['by']}"
        + (f"&instrument={words['instrument'].slug}" if words["instrument"] else ""),
    }
    return page(request, "bookings/hours.html", context, status=422 if form.errors else 200)


@require_GET
@policy("usage.see")
def hours_csv(request):
    """The same table as CSV: hours with two decimals, no person's name."""
    _, words = _asked(request)
    answer = HttpResponse(content_type="text/csv; charset=utf-8")
    answer.headers["Content-Disposition"] = (
        f'attachment; filename="hours-by-{words["by"]}-{words["first"]}-to-{words["last"]}.csv"'
    )
    writer = csv.writer(answer)
    writer.writerow(
        [usage.BY[words["by"]], "from", "until", "booked_h", "present_h", "source_on_h", "fault_h",
         "charged_h", "unused_bookings", "late_cancelled_bookings"]
    )  # fmt: skip
    for row in _lines(request, words):
        clocks = [f"{getattr(row, clock):.2f}" for clock in usage.KINDS]
        writer.writerow(
            [_plain(row.name), words["first"], words["last"], *clocks, row.unused, row.late]
        )
    return answer


def _plain(text):
    """A cell that no spreadsheet takes for a formula."""
    return f"'{text}" if text[:1] in "=+-@\t\r" else text


@require_GET
@policy("group.see")
def group(request, pk):
    """A group's page for its lead: sessions, samples, faults, hours and cost, training that lapses."""
    row = get_object_or_404(Group, pk=pk)
    require_or_404(request.user, "group.see", row)
    _, words = _asked(request)
    today = timezone.localdate()
    start, end = words["start"], words["end"]
    people = row.people.filter(is_active=True)
    sessions = Session.objects.filter(parts__person__group=row, opened_at__range=(start, end))
    context = {
        "group": row,
        "words": words,
        "costs": _costs(row, start, end),
        "sessions": sessions.select_related("instrument").distinct()[:12],
        "session_count": sessions.distinct().count(),
        "samples": Sample.objects.filter(group=row).kept().count(),
        "faults": Fault.objects.of_group(row)
        .filter(began_at__range=(start, end))
        .select_related("instrument")[:12],
        "people": people,
        "levels": Qualification.objects.standing()
        .filter(person__in=people)
        .select_related("person", "instrument"),
        "today": today,
        "soon": today + timedelta(days=30),
    }
    return page(request, "bookings/group.html", context)


def _costs(group, start, end):
    """Hours and cost on each instrument that the group used."""
    prices = {row.instrument_id: row.price for row in BookingRules.objects.exclude(price=None)}
    found = []
    for instrument in Instrument.objects.all():
        lines = usage.lines(start, end, by="group", instrument=instrument, group=group)
        if lines:
            price = prices.get(instrument.pk)
            cost = None if price is None else price * lines[0].charged
            found.append({"instrument": instrument, "line": lines[0], "price": price, "cost": cost})
    return found


@require_POST
@policy("instrument.say")
def say_word(request, slug):
    """POST sets what staff say of an instrument: usable, with care, down."""
    instrument = get_object_or_404(Instrument, slug=slug)
    form = WordForm(request.POST)
    if form.is_valid():
        try:
            status.say(instrument=instrument, by=request.user, **form.cleaned_data)
        except Refused as refusal:
            messages.warning(request, str(refusal))
        else:
            said = instrument.Word(form.cleaned_data["word"]).label
            messages.success(request, f"{instrument}: {said}.")
    else:
        messages.warning(request, "Press one of: usable, with care, down.")
    back = "bookings:today" if request.POST.get("back") == "today" else instrument
    return see(request, back)


@require_POST
@policy("page.everyone")
def read_messages(request):
    """POST: what was told is read."""
    tell.see(person=request.user, now=timezone.now())
    return see(request, "bookings:today")
