"""Bakes and vents of the main chamber: begun, read, ended."""

import uuid

from django.contrib import messages
from django.shortcuts import get_object_or_404
from django.views.decorators.http import require_GET, require_POST

from bookings import jobs
from bookings.forms_health import EndJobForm, JobForm, JobReadingForm
from facility.access import may, policy
from facility.errors import Refused
from facility.htmx import page, see
from facility.models import Instrument, Job

SHOWN = 60


@policy("upkeep.do")
def begin_job(request, slug):
    """GET says what is inside; POST begins the bake or vent."""
    instrument = get_object_or_404(Instrument.objects.select_related("log"), slug=slug)
    form = JobForm(
        request.POST if request.method == "POST" else None, initial={"sent_id": uuid.uuid4()}
    )
    if form.is_bound and form.is_valid():
        try:
            return see(
                request, jobs.begin(instrument=instrument, by=request.user, **form.cleaned_data)
            )
        except Refused as refusal:
            form.add_error(None, str(refusal))
    context = {"instrument": instrument, "form": form, "inside": jobs.inside_now(instrument)}
    return page(request, "bookings/begin_job.html", context, status=422 if form.errors else 200)


def _job(pk):
    return get_object_or_404(Job.objects.select_related("instrument__log", "watch", "by"), pk=pk)


@require_GET
@policy("health.see")
def job(request, pk):
    """A bake or vent: its log, and how it ended."""
    row = _job(pk)
    context = {
        "job": row,
        "readings": row.readings.select_related("by").order_by("-at")[:SHOWN],
        "may_do": may(request.user, "upkeep.do") and not row.ended_at,
        "read": JobReadingForm(initial={"sent_id": uuid.uuid4()}),
        "end": EndJobForm(),
    }
    return page(request, "bookings/job.html", context)


@require_POST
@policy("upkeep.do")
def read_job(request, pk):
    """POST writes a temperature or pressure down."""
    return _posted(request, _job(pk), JobReadingForm(request.POST), jobs.read)


@require_POST
@policy("upkeep.do")
def end_job(request, pk):
    """POST ends it: a new phase, and checks come due."""
    return _posted(request, _job(pk), EndJobForm(request.POST), jobs.end)


def _posted(request, row, form, verb):
    if form.is_valid():
        try:
            verb(job=row, by=request.user, **form.cleaned_data)
        except Refused as refusal:
            messages.error(request, str(refusal))
    else:
        messages.error(request, " ".join(said for of in form.errors.values() for said in of))
    return see(request, row)
