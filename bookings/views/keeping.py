"""What is kept of an instrument: parts whose use counts, tasks that come due."""

from django.contrib import messages
from django.shortcuts import get_object_or_404
from django.views.decorators.http import require_POST

from bookings.forms_upkeep import PartForm, TaskForm
from facility import keep_up
from facility.access import policy
from facility.errors import Refused
from facility.htmx import page, see
from facility.models import Instrument, UpkeepTask


def _kept(request, slug, form_of, verb, **words):
    """GET asks; POST keeps it and goes back to the health page, or says what is missing."""
    instrument = get_object_or_404(Instrument.objects.select_related("sheet"), slug=slug)
    form = form_of(request.POST if request.method == "POST" else None, instrument=instrument)
    if form.is_valid():
        try:
            row = verb(instrument=instrument, by=request.user, **form.about())
        except Refused as refusal:
            form.add_error(None, str(refusal))
        else:
            messages.success(request, f"{row} is kept.")
            return see(request, "bookings:health", slug)
    context = {"instrument": instrument, "form": form, **words}
    return page(request, "bookings/keep_up.html", context, status=422 if form.errors else 200)


@policy("upkeep.do")
def keep_part(request, slug):
    """A part that wears, with the piece that is in now."""
    return _kept(
        request, slug, PartForm, keep_up.add_part, title="Keep a part",
        hint="its hours or dose are counted from now on",
    )  # fmt: skip


@policy("upkeep.do")
def keep_task(request, slug):
    """Something to be done again and again."""
    return _kept(
        request, slug, TaskForm, keep_up.add_task, title="Plan upkeep",
        hint="due by days, hours, dose or an event, whichever comes first",
    )  # fmt: skip


@require_POST
@policy("upkeep.do")
def end_task(request, pk):
    """POST takes a task off the list; what was done stays."""
    task = get_object_or_404(UpkeepTask.objects.select_related("instrument"), pk=pk)
    keep_up.end_task(task=task, by=request.user)
    messages.success(request, f"{task} is off the list; what was done stays.")
    return see(request, "bookings:health", task.instrument.slug)
