"""Sessions at the instrument: sign on, one step at a time, pressures, notes, sign off."""

import uuid

from django.contrib import messages
from django.core.exceptions import PermissionDenied
from django.shortcuts import get_object_or_404
from django.views.decorators.http import require_GET, require_POST

from bookings import curve, gates, pump, run
from bookings.forms import NoteForm, PressureForm, SignOnForm, StepForm
from bookings.models import PumpDown, Session
from facility import access, interlocks, log
from facility.access import may, policy, require_or_404
from facility.errors import Refused, SetAside
from facility.htmx import no_news, page, see
from facility.models import DeviceState, Gauge, Instrument


@policy("session.open")
def sessions(request):
    """GET shows open sessions and where to sign on; POST signs on."""
    form = SignOnForm(request.POST if request.method == "POST" else None)
    if form.is_valid():
        try:
            return see(request, run.sign_on(by=request.user, **form.cleaned_data))
        except Refused as refusal:
            form.add_error(None, str(refusal))
    context = {
        "form": form,
        "instruments": [
            {"instrument": row, "may": may(request.user, "session.operate", row)}
            for row in Instrument.objects.all()
        ],
        "open": Session.objects.open()
        .select_related("instrument")
        .prefetch_related("parts__person"),
        "sent_id": uuid.uuid4(),
    }
    return page(request, "bookings/sessions.html", context, status=422 if form.errors else 200)


def _session(request, pk):
    row = get_object_or_404(
        Session.objects.select_related("instrument__log", "sheet", "log"), pk=pk
    )
    require_or_404(request.user, "session.see", row)
    return row


def _takes_part(request, session):
    """Who writes in a session: those who take part in it, and staff."""
    if may(request.user, "flag.answer"):
        return
    if not session.parts.filter(person=request.user, until=None).exists():
        raise PermissionDenied("those who signed on to this session, and staff")


@require_GET
@policy("session.see")
def session(request, pk):
    """The tablet page: one step at a time, the chamber, the curve, the pad."""
    row = _session(request, pk)
    if row.closed_at:
        return see(request, "bookings:session_record", row.pk)
    return page(request, "bookings/session.html", _session_context(request, row))


def _session_context(request, session, **more):
    instrument = session.instrument
    sheet = run.sheet_of(session)
    states = run.states_of(instrument, sheet)
    now = run.situation(session, request.user, states)
    steps = [_step_line(step, sheet, states, now) for step in sheet.steps if step.kind != "event"]
    current = run.current_step(session, sheet, states)
    gauges = pump.gauges_of(instrument)
    newest = pump.newest(gauges)
    pumpdown = PumpDown.objects.running().filter(chamber__instrument=instrument).first()
    return {
        "session": session,
        "instrument": instrument,
        "sheet": sheet,
        "states": states,
        "steps": steps,
        "current": next((line for line in steps if line["step"].id == current), None),
        "number": next((n for n, line in enumerate(steps, 1) if line["step"].id == current), None),
        "possible": [line for line in steps if line["open"] and line["step"].id != current],
        "load": now.load or run.load_inside(instrument),
        "gauges": [{"gauge": gauge, "reading": newest[gauge.pk]} for gauge in gauges],
        "pumpdown": pumpdown,
        "chart": curve.of_pumpdown(pumpdown) if pumpdown else None,
        "events": [step for step in sheet.steps if step.kind == "event"],
        "parts": session.parts.select_related("person"),
        "pressure_form": PressureForm(),
        "note_form": NoteForm(),
        "sent_id": uuid.uuid4(),
        "powers": pump.powers_near(newest.get(gauges[0].pk)) if gauges else [],
        **more,
    }


def _step_line(step, sheet, states, now):
    """A step with whether it is possible, and one sentence on why not."""
    why = interlocks.why_not(sheet, states, step)
    found = gates.look(step.gates, now)
    shut = next((gate for gate in found if not gate.open), None)
    return {
        "step": step,
        "gates": found,
        "why_not": why or (shut.says if shut else ""),
        "open": not why and shut is None,
        "asks_holder": "holder" in step.asks,
    }


def _refused(request, session, sentence, **more):
    """The tablet page again, with the sentence and what was typed."""
    context = _session_context(request, session, refusal=sentence, **more)
    return page(request, "bookings/session.html", context, status=422)


@require_POST
@policy("session.see")
def take_step(request, pk):
    """POST records a step that is possible now."""
    row = _session(request, pk)
    _takes_part(request, row)
    form = StepForm(request.POST)
    if not form.is_valid():
        return _refused(request, row, " ".join(_sentences(form)), typed=request.POST)
    try:
        run.take_step(
            session=row,
            by=request.user,
            step_id=form.cleaned_data["step"],
            holder=form.cleaned_data["holder"],
            sent_id=form.cleaned_data["sent_id"],
        )
    except SetAside as refusal:
        _keep(request, form.cleaned_data["sent_id"], refusal)
        return _refused(request, row, str(refusal))
    except Refused as refusal:
        return _refused(request, row, str(refusal), typed=request.POST)
    return see(request, row)


def _sentences(form):
    return [sentence for sentences in form.errors.values() for sentence in sentences]


def _keep(request, sent_id, refusal):
    """Set aside what was sent, word for word, for staff."""
    text = "&".join(
        f"{name}={value}" for name, value in request.POST.items() if name != "csrfmiddlewaretoken"
    )
    log.keep(sent_id=sent_id, by=request.user, text=f"{request.path}?{text}", reason=str(refusal))


@require_POST
@policy("session.see")
def anyway(request, pk):
    """POST stores what happened outside the sheet's order: never refused, no blame."""
    row = _session(request, pk)
    _takes_part(request, row)
    device, _, state = request.POST.get("what", "").partition("=")
    try:
        run.happened_anyway(
            session=row,
            by=request.user,
            sets={device: state},
            sentence=request.POST.get("sentence", "")[:1000],
        )
    except Refused as refusal:
        return _refused(request, row, str(refusal), typed=request.POST)
    messages.warning(request, "Written down. Staff see it; the way back to rest is below.")
    return see(request, row)


@require_POST
@policy("session.see")
def write_pressure(request, pk, gauge_code):
    """POST stores a typed pressure; what looks like a slip is asked back and stored all the same."""
    row = _session(request, pk)
    _takes_part(request, row)
    gauge = get_object_or_404(Gauge, code=gauge_code, chamber__instrument=row.instrument)
    form = PressureForm(request.POST)
    if not form.is_valid():
        return _refused(request, row, " ".join(_sentences(form)), typed=request.POST)
    cleaned = form.cleaned_data
    try:
        reading = pump.type_pressure(
            gauge=gauge, by=request.user, text=cleaned["pressure"], sent_id=cleaned["sent_id"]
        )
    except SetAside as refusal:
        _keep(request, cleaned["sent_id"], refusal)
        return _refused(request, row, str(refusal))
    except Refused as refusal:
        return _refused(request, row, str(refusal), typed=request.POST)
    if question := pump.doubt(reading):
        messages.warning(request, f"Written down. {question}")
    return see(request, row)


@require_POST
@policy("session.see")
def write_note(request, pk):
    """POST writes a person's own words into the session's log."""
    row = _session(request, pk)
    _takes_part(request, row)
    form = NoteForm(request.POST)
    if not form.is_valid():
        return _refused(request, row, " ".join(_sentences(form)), typed=request.POST)
    verb = run.report_fault if request.POST.get("fault") else run.note
    words = {"text": form.cleaned_data["text"], "sent_id": form.cleaned_data["sent_id"]}
    if verb is run.report_fault:
        words["instrument"] = row.instrument
    try:
        verb(session=row, by=request.user, **words)
    except SetAside as refusal:
        _keep(request, words["sent_id"], refusal)
        return _refused(request, row, str(refusal))
    return see(request, row)


@require_POST
@policy("session.see")
def sign_off(request, pk):
    """POST closes the session: never refused."""
    row = _session(request, pk)
    _takes_part(request, row)
    run.sign_off(session=row, by=request.user, handover=request.POST.get("handover", "")[:4000])
    return see(request, "bookings:session_record", row.pk)


@require_GET
@policy("readings.see")
def pumpdown_curve(request, pk):
    """The live curve: 204 while there is nothing new since `seen`."""
    pumpdown = get_object_or_404(
        PumpDown.objects.select_related("chamber__instrument", "load"), pk=pk
    )
    news = curve.newest_reading_id(pumpdown)
    if request.GET.get("seen") == str(news):
        return no_news()
    context = {"chart": curve.of_pumpdown(pumpdown), "pumpdown": pumpdown, "seen": news}
    return page(request, "bookings/pumpdown_curve.html", context)


@require_GET
@policy("page.everyone")
def instrument(request, slug):
    """One instrument: its word, its devices, its last loads."""
    row = get_object_or_404(Instrument, slug=slug)
    gauges = pump.gauges_of(row)
    newest = pump.newest(gauges)
    context = {
        "instrument": row,
        "devices": DeviceState.objects.filter(instrument=row),
        "gauges": [{"gauge": gauge, "reading": newest[gauge.pk]} for gauge in gauges],
        "pumpdowns": PumpDown.objects.filter(chamber__instrument=row).select_related(
            "load__holder"
        )[:12],
        "level": access.level_of(request.user, row),
    }
    return page(request, "bookings/instrument.html", context)
