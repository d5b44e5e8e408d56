"""A fault reported from anywhere by anyone: no session is needed to say that something is wrong."""

from django.contrib import messages
from django.shortcuts import get_object_or_404
from django.views.decorators.http import require_POST

from bookings import say
from bookings.forms import FaultForm
from bookings.models import Booking, Fault
from bookings.views.sessions import keep
from facility.access import policy
from facility.errors import Refused, SetAside
from facility.htmx import page, see
from facility.models import Instrument

SHOWN = 6


@policy("fault.report")
def report_fault_here(request, slug):
    """GET asks what is wrong with this instrument; POST stores it once, however often it arrives."""
    instrument = get_object_or_404(Instrument, slug=slug)
    form = FaultForm(request.POST if request.method == "POST" else None)
    if form.is_valid():
        words = form.cleaned_data
        try:
            row = say.report_fault_here(
                instrument=instrument,
                by=request.user,
                text=words["text"],
                forget_devices=words["devices_unknown"],
                sent_id=words["sent_id"],
            )
        except SetAside as refusal:
            keep(request, words["sent_id"], refusal)
            form.add_error(None, str(refusal))
        except Refused as refusal:
            form.add_error(None, str(refusal))
        else:
            messages.success(request, _written(row, request.user))
            return see(request, instrument)
    context = {
        "instrument": instrument,
        "form": form,
        "faults": Fault.objects.open().on(instrument).select_related("by")[:SHOWN],
    }
    return page(request, "bookings/report_fault.html", context, status=422 if form.errors else 200)


@require_POST
@policy("instrument.say")
def end_fault_here(request, slug, fault_pk):
    """POST by staff ends a fault's clock without a session, for on one that is down none opens."""
    fault = get_object_or_404(Fault, pk=fault_pk, instrument__slug=slug)
    say.end_fault(fault=fault, by=request.user, sentence=request.POST.get("sentence", "")[:1000])
    messages.success(request, f"Fault {fault.pk} is over.")
    return see(request, fault.instrument)


def _written(row, person):
    """The number to say, what the instrument is now, and what becomes of the reporter's own time."""
    instrument = Instrument.objects.get(pk=row.instrument_id)
    said = f"Written down as fault {row.pk}. Staff are told; {instrument}: "
    said += f"{instrument.get_word_display()}."
    if Booking.objects.on_main().theirs_at(person, instrument, row.began_at).exists():
        said += " Your booked time counts as fault time until it works again."
    return said
