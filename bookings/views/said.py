"""What people write down in a session: pressures, notes, settings, photographs, faults."""

from django.contrib import messages
from django.shortcuts import get_object_or_404
from django.utils import timezone
from django.utils.dateparse import parse_datetime
from django.views.decorators.http import require_POST

from bookings import awaited, inside, pump, say
from bookings.forms import NoteForm, PressureForm
from bookings.models import Fault
from bookings.views.sessions import (
    keep,
    refused,
    require_part,
    sentences,
    session_of,
    written,
)
from facility import photos
from facility.access import policy
from facility.errors import Refused, SetAside
from facility.htmx import see
from facility.models import Gauge
from samples.models import Mount


@require_POST
@policy("session.see")
def write_pressure(request, pk, gauge_code):
    """POST stores a typed pressure; what looks like a slip is asked back and stored all the same."""
    row = session_of(request, pk)
    require_part(request, row)
    gauge = get_object_or_404(
        Gauge.objects.select_related("chamber"),
        code=gauge_code,
        chamber__instrument=row.instrument,
    )
    form = PressureForm(request.POST)
    if not form.is_valid():
        return refused(request, row, sentences(form))
    cleaned = form.cleaned_data
    try:
        reading = awaited.write_pressure(
            session=row,
            by=request.user,
            gauge=gauge,
            text=cleaned["pressure"],
            sent_id=cleaned["sent_id"],
        )
    except SetAside as refusal:
        keep(request, cleaned["sent_id"], refusal)
        return refused(request, row, str(refusal))
    except Refused as refusal:
        return refused(request, row, str(refusal))
    if question := pump.doubt(reading):
        messages.warning(request, f"Written down. {question}")
    return see(request, row)


@require_POST
@policy("session.see")
def write_note(request, pk):
    """POST writes a person's own words into the session's log."""
    row = session_of(request, pk)
    require_part(request, row)
    form = NoteForm(request.POST)
    if not form.is_valid():
        return refused(request, row, sentences(form))
    return written(request, row, say.note, text=form.cleaned_data["text"])


@require_POST
@policy("session.see")
def report_fault(request, pk):
    """POST reports a fault: a number, a clock, and staff see it."""
    row = session_of(request, pk)
    require_part(request, row)
    return written(
        request,
        row,
        say.report_fault,
        instrument=row.instrument,
        text=request.POST.get("text", "")[:1000],
        forget_devices=bool(request.POST.get("devices_unknown")),
    )


@require_POST
@policy("session.see")
def end_fault(request, pk, fault_pk):
    """POST ends a fault's clock."""
    row = session_of(request, pk)
    require_part(request, row)
    fault = get_object_or_404(Fault, pk=fault_pk, instrument=row.instrument)
    say.end_fault(fault=fault, by=request.user, sentence=request.POST.get("sentence", "")[:1000])
    return see(request, row)


@require_POST
@policy("session.see")
def write_setting(request, pk):
    """POST writes down what a source, gun, analyser or stage was set to."""
    row = session_of(request, pk)
    require_part(request, row)
    return written(
        request,
        row,
        say.setting,
        device=request.POST.get("device", ""),
        values={name: text[:60] for name, text in request.POST.items()},
    )


@require_POST
@policy("session.see")
def write_measurement(request, pk):
    """POST writes down what was measured, and on which position."""
    row = session_of(request, pk)
    require_part(request, row)
    mount = None
    if (chosen := request.POST.get("mount", "")).isdigit():
        mount = get_object_or_404(Mount.objects.select_related("sample"), pk=chosen)
    load = inside.load_inside(row.instrument)
    return written(
        request,
        row,
        say.measurement,
        what=request.POST.get("what", "")[:120],
        load=load,
        mount=mount,
        file=request.POST.get("file", "")[:200],
    )


@require_POST
@policy("session.see")
def add_photograph(request, pk):
    """POST stores a photograph in the session's log."""
    row = session_of(request, pk)
    require_part(request, row)
    file = request.FILES.get("photograph")
    if file is None:
        return refused(request, row, "Choose or take a photograph first.")
    try:
        photo = photos.take(file=file, by=request.user)
    except Refused as refusal:
        return refused(request, row, str(refusal))
    says = request.POST.get("says", "")[:300]
    return written(request, row, say.photograph, photo=photo, says=says)


@require_POST
@policy("session.see")
def leave_running(request, pk):
    """POST marks that something goes on: what, until when, whom to phone."""
    row = session_of(request, pk)
    require_part(request, row)
    until = parse_datetime(request.POST.get("until", "")) if request.POST.get("until") else None
    if until is None:
        return refused(request, row, "Say until when it runs, such as 2026-03-02 09:00.")
    if timezone.is_naive(until):
        until = timezone.make_aware(until)
    return written(
        request,
        row,
        say.leave_running,
        what=request.POST.get("what", ""),
        until=until,
        phone=request.POST.get("phone", ""),
    )
