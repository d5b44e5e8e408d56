"""Around booked time: load-by times, closures, waiting and offers, calendars in and out, rules."""

from datetime import timedelta

from django.contrib import messages
from django.http import Http404, HttpResponse
from django.shortcuts import get_object_or_404
from django.utils import timezone
from django.views.decorators.http import require_GET, require_POST

from bookings import ahead, book, calendar_file, closures, feed, planning, waiting
from bookings.forms_house import RulesForm
from bookings.forms_time import CalendarFileForm, CloseForm, PlanForm, WaitForm
from bookings.models import Booking, BookingRules, Feed, GroupQuota, Offer, Wish
from bookings.views.time import rules_words
from facility import access, publicly, qualify
from facility.access import may, policy
from facility.errors import Refused
from facility.htmx import page, see
from facility.models import Instrument


@require_GET
@policy("booking.make")
def plan_load(request):
    """When to load for measuring at a time, by the forecast for that load; and who is in the way."""
    first = _first_plan()
    asked = {"certainty": first["certainty"]} | request.GET.dict()
    form = PlanForm(asked if "measure_at" in request.GET else None, initial=first)
    now = timezone.now()
    plan = None
    if form.is_valid():
        words = form.cleaned_data
        plan = ahead.plan(
            instrument=words["instrument"],
            measure_at=words["measure_at"],
            person=request.user,
            certainty=words["certainty"] or 0.9,
            holder=words["holder"],
            form=words["form"],
            samples=words["samples"],
        )
    context = {
        "form": form,
        "plan": plan,
        "asked": form.cleaned_data if form.is_valid() else None,
        "queues": [
            {"instrument": row, **ahead.queue(row, request.user, now)}
            for row in Instrument.objects.all()
        ],
    }
    return page(request, "bookings/plan_load.html", context, status=422 if form.errors else 200)


def _first_plan():
    """Tomorrow at nine on the first instrument, nine times in ten."""
    first = Instrument.objects.first()
    at = timezone.localtime() + timedelta(days=1)
    return {
        "instrument": first.slug if first else None,
        "measure_at": at.replace(hour=9, minute=0, second=0, microsecond=0),
        "certainty": "0.9",
    }


@policy("closure.make")
def close_time(request):
    """GET shows the form and what is closed; POST closes, cancels and tells."""
    form = CloseForm(request.POST if request.method == "POST" else None)
    if form.is_valid():
        words = form.cleaned_data
        try:
            row = closures.close(by=request.user, **words)
        except Refused as refusal:
            form.add_error(None, str(refusal))
        else:
            count = Booking.objects.filter(
                place__instrument=words["instrument"],
                held_for=None,
                cancelled_why=Booking.Why.CLOSED,
                cancelled_at__gte=row.made_at - timedelta(seconds=10),
            ).count()
            told = (
                f" {count} booking{'s' if count != 1 else ''} cancelled and told." if count else ""
            )
            messages.success(request, f"{words['instrument']} is closed.{told}")
            return see(request, "bookings:day", timezone.localtime(row.starts_at).date())
    coming = (
        Booking.objects.standing()
        .closures()
        .on_main()
        .filter(ends_at__gt=timezone.now())
        .select_related("place__instrument")
        .order_by("starts_at")[:30]
    )
    context = {"form": form, "coming": coming}
    return page(request, "bookings/close_time.html", context, status=422 if form.errors else 200)


@require_POST
@policy("closure.make")
def open_again(request, pk):
    """POST takes a closure back."""
    row = get_object_or_404(Booking.objects.shown().closures(), pk=pk)
    closures.open_again(closure=row, by=request.user)
    messages.success(request, f"{row.place.instrument} is open again then.")
    return see(request, "bookings:close_time")


@require_POST
@policy("booking.make")
def wait(request):
    """POST puts one on the list for a stretch that others hold."""
    form = WaitForm(request.POST)
    if form.is_valid():
        try:
            waiting.want(by=request.user, **form.cleaned_data)
        except Refused as refusal:
            messages.warning(request, str(refusal))
        else:
            messages.success(request, "You are on the list, and are told when it is free.")
    else:
        messages.warning(request, "Choose a place and a stretch of time to wait for.")
    return see(request, "bookings:bookings")


@require_POST
@policy("booking.make")
def leave_waiting(request, pk):
    """POST leaves the list."""
    wish = get_object_or_404(Wish, pk=pk)
    try:
        waiting.leave(wish=wish, by=request.user)
    except Refused as refusal:
        messages.warning(request, str(refusal))
    return see(request, "bookings:bookings")


@policy("booking.make")
def offer(request, pk):
    """GET shows what is offered; POST takes it or leaves it."""
    row = get_object_or_404(Offer.objects.select_related("place__instrument"), pk=pk)
    if row.person_id != request.user.pk:
        raise Http404
    refusals = []
    if request.method == "POST":
        try:
            if request.POST.get("answer") == "leave":
                waiting.decline(offer=row, by=request.user)
                return see(request, "bookings:bookings")
            made = book.book(
                place=row.place,
                by=request.user,
                start=max(row.starts_at, timezone.now()),
                end=row.ends_at,
            )
        except Refused as refusal:
            refusals = [str(refusal)]
        else:
            return see(request, made)
    context = {
        "offer": row,
        "when": planning.stretch(
            timezone.localtime(row.starts_at), timezone.localtime(row.ends_at)
        ),
        "stands": row.answered_at is None and row.until > timezone.now(),
        "refusals": refusals,
    }
    return page(request, "bookings/offer.html", context, status=422 if refusals else 200)


@policy("closure.make")
def import_calendar(request):
    """GET asks for the file; POST takes it over and says what became of each line."""
    form = CalendarFileForm(
        request.POST if request.method == "POST" else None,
        request.FILES if request.method == "POST" else None,
    )
    taken = None
    if form.is_valid():
        try:
            taken = calendar_file.take_over(
                place=form.cleaned_data["place"],
                by=request.user,
                content=form.cleaned_data["file"].read(calendar_file.BYTES + 1),
            )
        except Refused as refusal:
            form.add_error("file", str(refusal))
    context = {"form": form, "taken": taken}
    return page(
        request, "bookings/import_calendar.html", context, status=422 if form.errors else 200
    )


@policy("booking.make")
def calendars(request):
    """GET lists the private addresses of one's calendars; POST renews or ends one."""
    address, chosen = "", None
    if request.method == "POST":
        asked = request.POST.get("instrument", "")
        chosen = next((row for row in Instrument.objects.all() if row.slug == asked), None)
        if chosen is None:
            messages.warning(request, "Choose the instrument whose calendar you want.")
        elif request.POST.get("answer") == "end":
            feed.end(person=request.user, instrument=chosen)
        else:
            token = feed.renew(person=request.user, instrument=chosen)
            address = publicly.address(request, "bookings:feed_file", token)
    standing = {
        row.instrument_id: row for row in Feed.objects.filter(person=request.user, ended_at=None)
    }
    rows = [{"instrument": row, "feed": standing.get(row.pk)} for row in Instrument.objects.all()]
    context = {"rows": rows, "address": address, "chosen": chosen}
    return page(request, "bookings/calendars.html", context)


@require_GET
@policy("page.public")
def feed_file(request, token):
    """The calendar under a private address."""
    found = feed.behind(token)
    if found is None or not access.may(found.person, "booking.make"):
        raise Http404
    body = feed.calendar_of(found, timezone.now())
    answer = HttpResponse(body, content_type="text/calendar; charset=utf-8")
    answer.headers["Cache-Control"] = "private, no-store"
    answer.headers["Content-Disposition"] = f'inline; filename="{found.instrument.slug}.ics"'
    return answer


feed_file.login_required = False


@require_GET
@policy("booking.see")
def booking_rules(request, slug):
    """How an instrument is booked, for this person and by level."""
    instrument = get_object_or_404(Instrument, slug=slug)
    context = {
        "instrument": instrument,
        "rules": rules_words(instrument, request.user),
        "levels": qualify.levels_of(instrument),
        "quotas": GroupQuota.objects.filter(instrument=instrument).select_related("group"),
        "may_change": may(request.user, "rules.change"),
    }
    return page(request, "bookings/booking_rules.html", context)


@policy("rules.change")
def change_rules(request, slug):
    """GET shows the rules as a form; POST changes them."""
    instrument = get_object_or_404(Instrument, slug=slug)
    row = book.rules_of(instrument)
    form = RulesForm(
        request.POST if request.method == "POST" else None,
        initial={name: getattr(row, name) for name in RulesForm.base_fields},
    )
    if form.is_valid():
        BookingRules.objects.update_or_create(instrument=instrument, defaults=form.cleaned_data)
        messages.success(request, "The rules are changed. They hold for bookings from now on.")
        return see(request, "bookings:booking_rules", slug)
    context = {"instrument": instrument, "form": form}
    return page(request, "bookings/change_rules.html", context, status=422 if form.errors else 200)
