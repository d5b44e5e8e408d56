"""The first page of each role: on now, needs you, yours; and finding anything by its code."""

from django.contrib import messages
from django.utils import timezone
from django.views.decorators.http import require_GET

from bookings import home
from bookings.models import Message, Session
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
    person, now = request.user, timezone.now()
    needs, need_count = home.needs(person, now)
    context = {
        "day": timezone.localdate(now),
        "instruments": home.on_now(person, now),
        "day_lines": home.day_lines(person, now),
        "needs": needs,
        "need_count": need_count,
        "unread": Message.objects.unread().filter(person=person).exists(),
        "sessions": Session.objects.open().with_person(person).select_related("instrument")[:6],
        "may_book": may(person, "booking.make"),
        "may_say": may(person, "instrument.say"),
        "words": Instrument.Word.choices,
        "sees_people": may(person, "person.list"),
        "sees_hours": may(person, "usage.see"),
        "group": person.group if person.group and may(person, "group.see", person.group) else None,
        **home.yours(person, now),
    }
    return page(request, "bookings/today.html", context)


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
