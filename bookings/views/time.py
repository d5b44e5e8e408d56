"""Booked time: the list, a new booking or closure, cancelling."""

from django.contrib import messages
from django.shortcuts import get_object_or_404
from django.utils import timezone
from django.views.decorators.http import require_GET, require_POST

from bookings import book
from bookings.forms import BookingForm
from bookings.models import Booking
from facility.access import may, policy
from facility.errors import Refused
from facility.htmx import page, see

SHOWN = 100


@require_GET
@policy("booking.see")
def bookings(request):
    """What is booked from now on; a stranger sees only that the time is taken."""
    rows = (
        Booking.objects.standing()
        .filter(ends_at__gt=timezone.now())
        .select_related("place__instrument", "person__group")[:SHOWN]
    )
    context = {
        "rows": [
            {
                "booking": row,
                "whose": book.whose(row, request.user),
                "may_cancel": row.person_id == request.user.pk or may(request.user, "closure.make"),
            }
            for row in rows
        ]
    }
    return page(request, "bookings/bookings.html", context)


@policy("booking.make")
def book_time(request):
    """GET shows the form; POST books or says who has the time."""
    form = BookingForm(request.POST if request.method == "POST" else None)
    if not may(request.user, "closure.make"):
        del form.fields["closure"]
    if form.is_valid():
        try:
            book.book(by=request.user, **form.cleaned_data)
        except Refused as refusal:
            form.add_error(None, str(refusal))
        else:
            return see(request, "bookings:bookings")
    return page(
        request, "bookings/book_time.html", {"form": form}, status=422 if form.errors else 200
    )


@require_POST
@policy("booking.make")
def cancel_booking(request, pk):
    """POST frees the time."""
    row = get_object_or_404(Booking, pk=pk)
    try:
        book.cancel(booking=row, by=request.user)
    except Refused as refusal:
        messages.warning(request, str(refusal))
    return see(request, "bookings:bookings")
