"""What an instrument's chambers remember, and the record of their cleanings."""

from django.contrib import messages
from django.shortcuts import get_object_or_404
from django.views.decorators.http import require_GET, require_POST

from bookings import chambers as memory
from bookings import run
from bookings.at_bench import seen_by
from bookings.forms_keep import ChamberForm
from facility.access import may, policy
from facility.errors import Refused
from facility.htmx import page, see
from facility.models import Instrument
from samples import keep
from samples.models import Cleaning

SHOWN = 24


@require_GET
@policy("page.everyone")
def chambers(request, slug):
    """What the chambers remember, and when they were cleaned."""
    return _page(request, get_object_or_404(Instrument, slug=slug), ChamberForm())


@require_POST
@policy("holder.keep")
def clean_chamber(request, slug):
    """POST records that a chamber was cleaned, and lets the holders that waited for it go on."""
    row = get_object_or_404(Instrument, slug=slug)
    form = ChamberForm(request.POST)
    if not form.is_valid():
        return _page(request, row, form)
    chamber = get_object_or_404(row.chambers, kind=form.cleaned_data["chamber"])
    try:
        keep.clean(
            chamber=chamber,
            by=request.user,
            method=form.cleaned_data["method"],
            blank=form.blank(),
            sent_id=form.cleaned_data["sent_id"],
        )
    except Refused as refusal:
        form.add_error(None, str(refusal))
        return _page(request, row, form)
    for holder in memory.holders_that_wait():
        run.refresh_flags(holder)
    messages.success(request, f"Written down: the {chamber} was cleaned.")
    return see(request, "bookings:chambers", row.slug)


def _page(request, row, form):
    context = {
        "instrument": row,
        "form": form,
        "methods": keep.CHAMBER_METHODS,
        "remembered": memory.remembered(row, seen=seen_by(request.user)),
        "cleanings": Cleaning.objects.of_chambers(row).select_related("by", "chamber")[:SHOWN],
        "may_keep": may(request.user, "holder.keep"),
    }
    return page(request, "bookings/chambers.html", context, status=422 if form.errors else 200)
