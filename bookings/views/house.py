"""The house: where everything else stands, for whom it is; and what tablets sent that was set aside."""

from django.shortcuts import get_object_or_404
from django.urls import reverse
from django.views.decorators.http import require_GET, require_POST

from bookings import aside
from facility.access import may, policy
from facility.htmx import page, see
from facility.models import KeptItem

SHOWN = 50

# heading, then: word, what it is for, URL name, policy
ROOMS = (
    (
        "For everyone",
        (
            ("Your samples", "describe, find, follow", "bookings:samples", "page.everyone"),
            ("In vacuum now", "every holder that is inside", "bookings:in_vacuum", "page.everyone"),
            (
                "Health",
                "checks, upkeep, parts of each instrument",
                "bookings:health_of_all",
                "health.see",
            ),
            ("Stores", "what is left, what to order, gas bottles", "bookings:stores", "stock.see"),
            ("Rooms", "oxygen, if every bottle emptied", "bookings:rooms", "stock.see"),
            ("Run sheets", "read and rehearse them", "bookings:sheets", "page.everyone"),
            (
                "Your calendars",
                "addresses for a calendar program",
                "bookings:calendars",
                "booking.make",
            ),
            ("Your PIN", "for paired tablets", "bookings:choose_pin", "tablet.sign_on"),
            (
                "Incidents",
                "report one, or a near miss; what follows from them",
                "bookings:incidents",
                "page.everyone",
            ),
            ("Marks and words", "the sheet for the wall", "facility:marks", "page.everyone"),
            ("Who may do what", "the table the program reads", "facility:policy", "page.everyone"),
        ),
    ),
    (
        "For those who answer for the house",
        (
            ("People", "invite, train, let go", "bookings:people", "person.list"),
            (
                "Does the tool help?",
                "flags and what was missed",
                "bookings:does_it_help",
                "flag.see",
            ),
            ("Tracing", "where something may have gone", "bookings:trace", "trace.see"),
            ("Hours", "booked, present, source on, fault", "bookings:hours", "usage.see"),
            ("Limits of rules", "with their history", "samples:limits", "limit.set"),
            ("Tablets", "pair one with an instrument", "bookings:tablet_list", "tablet.pair"),
            ("Wall boards", "a screen in the corridor", "bookings:boards", "board.keep"),
            ("Weekly review", "what needs a person", "bookings:newest_review", "review.see"),
            (
                "Set aside",
                "what a tablet sent and could not be recorded",
                "bookings:set_aside",
                "flag.see",
            ),
            ("Hazards", "every hazardous sample in the building", "bookings:hazards", "hazard.see"),
        ),
    ),
)


@require_GET
@policy("page.everyone")
def house(request):
    """Where everything else stands, as far as this person may open it."""
    rooms = [
        {
            "heading": heading,
            "places": [
                {"word": word, "says": says, "url": reverse(name)}
                for word, says, name, needed in places
                if may(request.user, needed)
            ],
        }
        for heading, places in ROOMS
    ]
    return page(request, "bookings/house.html", {"rooms": [row for row in rooms if row["places"]]})


@require_GET
@policy("flag.see")
def set_aside(request):
    """What tablets sent that could not be recorded as it was, word for word."""
    rows = KeptItem.objects.unseen().select_related("person")[:SHOWN]
    context = {
        "rows": [{"item": row, "said": aside.read(row.text)} for row in rows],
        "may_answer": may(request.user, "flag.answer"),
    }
    return page(request, "bookings/set_aside.html", context)


@require_POST
@policy("flag.answer")
def see_set_aside(request, pk):
    """POST says that staff looked at it; the text stays."""
    aside.see(item=get_object_or_404(KeptItem, pk=pk), by=request.user)
    return see(request, "bookings:set_aside")
