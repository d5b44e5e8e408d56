"""The first page of each role: on now, needs you, yours; and finding anything by its code."""

from django.contrib import messages
from django.utils import timezone
from django.views.decorators.http import require_GET

from bookings import pump
from bookings.models import Booking, Flag, Load, PumpDown, Session
from facility.access import may, policy
from facility.htmx import page, see
from facility.models import Instrument
from samples.codes import read_code
from samples.models import Holder, Sample

FOUND_AT_MOST = 20


@require_GET
@policy("page.everyone")
def today(request):
    """What is on now, what needs this person, and what is theirs."""
    staff = may(request.user, "flag.see")
    context = {
        "day": timezone.localdate(),
        "instruments": [_on_now(instrument) for instrument in Instrument.objects.all()],
        "flags": Flag.objects.waiting().by_severity().select_related("holder", "instrument")[:12]
        if staff
        else [],
        "flag_count": Flag.objects.waiting().count() if staff else 0,
        "sees_flags": staff,
        "sessions": Session.objects.open()
        .with_person(request.user)
        .select_related("instrument")[:6],
        "holders": Holder.objects.carrying_samples_of(request.user)[:6],
        "samples": Sample.objects.of(request.user).kept().unmounted()[:6],
    }
    return page(request, "bookings/today.html", context)


def _on_now(instrument):
    """One instrument's line: its word, newest pressures, holder inside, who is on, who is next."""
    now = timezone.now()
    gauges = pump.gauges_of(instrument)
    newest = pump.newest(gauges)
    rows = [{"gauge": gauge, "reading": newest[gauge.pk]} for gauge in gauges]
    return {
        "instrument": instrument,
        "readings": rows,
        "load": Load.objects.inside()
        .filter(instrument=instrument)
        .select_related("holder")
        .first(),
        "session": Session.objects.open().filter(instrument=instrument).first(),
        "pumpdown": PumpDown.objects.running().filter(chamber__instrument=instrument).first(),
        "next": Booking.objects.standing()
        .filter(place__instrument=instrument, ends_at__gt=now)
        .select_related("person__group", "place")
        .first(),
    }


@require_GET
@policy("page.everyone")
def scan(request):
    """Find a holder or sample by code, short name or title; one hit goes straight to it."""
    text = request.GET.get("q", "").strip()
    problem = ""
    if text:
        if holder := Holder.objects.called(text).first():
            return see(request, holder)
        try:
            code = read_code(text)
        except ValueError as sentence:
            problem = str(sentence)
        else:
            return see(request, f"bookings:{'holder' if code[0] == 'H' else 'sample'}", code)
    titled = Sample.objects.of(request.user).titled(text)[:FOUND_AT_MOST] if text else []
    if len(titled) == 1:
        return see(request, titled[0])
    if text and not titled and problem:
        messages.warning(request, problem)
    context = {"q": text, "samples": titled, "nothing": bool(text) and not titled}
    return page(request, "bookings/scan.html", context, status=200)
