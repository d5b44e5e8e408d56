"""Instrument health on one page; parts with their lives, upkeep done, what changed an instrument."""

import uuid

from django.contrib import messages
from django.shortcuts import get_object_or_404
from django.utils import timezone
from django.views.decorators.http import require_GET, require_POST

from bookings import check_charts, health, losses, source_signal
from bookings.forms_health import ChangePartForm, EventForm, LossForm
from bookings.models import Fault
from facility import keep_up
from facility.access import may, policy
from facility.errors import Refused
from facility.htmx import page, see
from facility.models import Instrument, Part, UpkeepTask

SHOWN = 12


@require_GET
@policy("health.see")
def health_of_all(request):
    """Every instrument's health, one line each."""
    rows = [
        {"instrument": row, "kinds": health.kinds_now(row), "tasks": keep_up.standings(row)}
        for row in Instrument.objects.all()[:SHOWN]
    ]
    for row in rows:
        row["due"] = [one for one in row["kinds"] if one.is_due]
        row["off"] = [
            one for one in row["kinds"] if one.last and one.last.verdict in ("warn", "staff")
        ]
        row["upkeep"] = [one for one in row["tasks"] if one.is_due]
    return page(request, "bookings/health_of_all.html", {"rows": rows})


@require_GET
@policy("health.see")
def health_page(request, slug):
    """U17: last errors, base pressure, drift, hours, dose, faults, what is overdue; on one page."""
    instrument = get_object_or_404(Instrument, slug=slug)
    now = timezone.now()
    kinds = health.kinds_now(instrument)
    for one in kinds:
        one.drawing = check_charts.drawings(one.series[0], small=True) if one.series else None
    drifts, tasks = health.drifts_of(instrument, now), keep_up.standings(instrument)
    lives = health.lives_of(instrument)
    context = {
        "instrument": instrument,
        "kinds": kinds,
        "off": [one for one in kinds if one.last and one.last.verdict in ("warn", "staff")],
        "due": [one for one in kinds if one.is_due or one.is_never],
        "drifts": [
            {"row": row, "ended": ended, "says": health.drift_in_words(row)}
            for row, _, ended in drifts[:4]
        ],
        "standing": [row for row, _, ended in drifts if not ended and not row.faded_at],
        "lives": [{"life": life, "use": health.use_in_words(life)} for life in lives],
        "tasks": tasks,
        "late": [row for row in tasks if row.is_due],
        "jobs": instrument.jobs.all()[:4],
        "events": health.events_of(instrument)[::-1][:SHOWN],
        "faults": Fault.objects.open().on(instrument)[:SHOWN],
        "may_enter": may(request.user, "check.enter"),
        "may_do": may(request.user, "upkeep.do"),
        "sent": uuid.uuid4(),
    }
    return page(request, "bookings/health.html", context)


@require_GET
@policy("health.see")
def part(request, pk):
    """A part: the life it is in, the earlier ones, and the press that changes it."""
    return _part_page(request, _part(pk), ChangePartForm(initial={"sent_id": uuid.uuid4()}))


def _part(pk):
    return get_object_or_404(Part.objects.select_related("instrument__log", "gauge"), pk=pk)


def _part_page(request, row, form, status=200):
    lives = list(row.lives.select_related("by", "ended_by")[:SHOWN])
    for life in lives:
        life.part = row
        life.seconds_then, life.dose_then = life.seconds, life.dose_pa_s
        life.use = health.use_in_words(life, life.ended_at)
    now_in = next((life for life in lives if life.ended_at is None), None)
    given = source_signal.of_source(row, now_in) if row.kind == Part.Kind.SOURCE and now_in else []
    context = {
        "part": row, "lives": lives, "form": form, "may_do": may(request.user, "upkeep.do"),
        "counts": [(one, source_signal.drawn(one)) for one in given],
        "is_source": row.kind == Part.Kind.SOURCE,
    }  # fmt: skip
    return page(request, "bookings/part.html", context, status=status)


@require_POST
@policy("upkeep.do")
def change_part(request, pk):
    """POST: the old piece out with its cause, a new one in."""
    row, form = _part(pk), ChangePartForm(request.POST)
    if form.is_valid():
        try:
            keep_up.change_part(part=row, by=request.user, **form.cleaned_data)
        except Refused as refusal:
            form.add_error(None, str(refusal))
        else:
            messages.success(request, f"{row} is changed: a new life begins, and checks come due.")
            return see(request, row)
    return _part_page(request, row, form, status=422)


@require_POST
@policy("upkeep.do")
def do_upkeep(request, pk):
    """POST: a task is done, with a sentence."""
    row = get_object_or_404(UpkeepTask.objects.select_related("instrument__log", "part"), pk=pk)
    try:
        sent = uuid.uuid5(uuid.UUID(request.POST.get("sent", "")), str(row.pk))
    except ValueError:
        sent = uuid.uuid4()
    try:
        keep_up.do_task(
            task=row, by=request.user, says=request.POST.get("says", "")[:300], sent_id=sent
        )
    except Refused as refusal:
        messages.error(request, str(refusal))
    else:
        messages.success(request, f"Done: {row}.")
    return see(request, "bookings:health", row.instrument.slug)


@policy("upkeep.do")
def note_event(request, slug):
    """GET asks what happened; POST begins a new phase."""
    instrument = get_object_or_404(Instrument.objects.select_related("log"), slug=slug)
    form = EventForm(
        request.POST if request.method == "POST" else None, initial={"sent_id": uuid.uuid4()}
    )
    if form.is_bound and form.is_valid():
        try:
            keep_up.note_event(instrument=instrument, by=request.user, **form.cleaned_data)
        except Refused as refusal:
            form.add_error(None, str(refusal))
        else:
            return see(request, "bookings:health", slug)
    context = {"instrument": instrument, "form": form}
    return page(request, "bookings/note_event.html", context, status=422 if form.errors else 200)


@policy("upkeep.do")
def note_loss(request):
    """GET asks what was lost, and where; POST tells every instrument once."""
    form = LossForm(
        request.POST if request.method == "POST" else None, initial={"sent_id": uuid.uuid4()}
    )
    if form.is_bound and form.is_valid():
        try:
            losses.lose(by=request.user, **form.cleaned_data)
        except Refused as refusal:
            form.add_error(None, str(refusal))
        else:
            return see(request, "bookings:health_of_all")
    return page(
        request, "bookings/note_loss.html", {"form": form}, status=422 if form.errors else 200
    )
