"""The first page of each role: on now, needs you, yours."""

from django.utils import timezone
from django.views.decorators.http import require_GET

from bookings import home
from bookings.models import Session
from facility.access import may, policy
from facility.htmx import page
from facility.models import Instrument


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
        "unread": home.unread(person).exists(),
        "sessions": Session.objects.open().with_person(person).select_related("instrument")[:6],
        "may_book": may(person, "booking.make"),
        "may_say": may(person, "instrument.say"),
        "words": Instrument.Word.choices,
        "sees_review": may(person, "review.see"),
        "sees_people": may(person, "person.list"),
        "sees_hours": may(person, "usage.see"),
        "group": person.group if person.group and may(person, "group.see", person.group) else None,
        **home.yours(person, now),
    }
    return page(request, "bookings/today.html", context)
