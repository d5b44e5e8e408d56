"""Sessions at the instrument: sign on, one step at a time, say what happened anyway, sign off."""

import uuid
from contextlib import suppress
from dataclasses import replace

from django.contrib import messages
from django.core.exceptions import PermissionDenied
from django.shortcuts import get_object_or_404
from django.views.decorators.http import require_GET, require_POST

from bookings import curve, devices, gates, inside, pump, run, steps, tablet
from bookings.forms import SignOnForm, StepForm
from bookings.models import Fault, PumpDown, Session, SessionPart
from bookings.say import SETTINGS
from facility import interlocks, log
from facility.access import may, policy, require_or_404
from facility.errors import Refused, SetAside
from facility.htmx import page, see
from facility.models import Instrument

PAD_POWERS = 7


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
            {
                "instrument": row,
                "may": may(request.user, "session.operate", row),
                "before": Session.objects.handed_over(row).first(),
            }
            for row in Instrument.objects.all()
        ],
        "open": Session.objects.open()
        .select_related("instrument")
        .prefetch_related("parts__person"),
        "parts": SessionPart.Part.choices,
        "sent_id": uuid.uuid4(),
    }
    return page(request, "bookings/sessions.html", context, status=422 if form.errors else 200)


def session_of(request, pk):
    """The session, where this person may see it."""
    row = get_object_or_404(
        Session.objects.select_related("instrument__log", "sheet", "log"), pk=pk
    )
    require_or_404(request.user, "session.see", row)
    if request.session.get("by_pin") not in (None, row.instrument_id):
        raise PermissionDenied("the tablet of that instrument, or your password")
    return row


def writes_in(request, session):
    """Whether this person writes in a session: those who take part in it, and staff."""
    return may(request.user, "flag.answer") or session.parts.filter(person=request.user).exists()


def require_part(request, session):
    """Refuse who only looks on."""
    if not writes_in(request, session):
        raise PermissionDenied("those who signed on to this session, and staff")


@require_GET
@policy("session.see")
def session(request, pk):
    """The tablet page: one step at a time, the chamber, the curve, the pad."""
    row = session_of(request, pk)
    if row.closed_at or not writes_in(request, row):
        return see(request, "bookings:session_record", row.pk)
    return page(request, "bookings/session.html", session_context(request, row))


def session_context(request, session, **more):
    """All that the tablet page shows."""
    instrument = session.instrument
    sheet = devices.sheet_of(session)
    states = devices.states_of(instrument, sheet)
    gauges = pump.gauges_of(instrument)
    newest = pump.newest(gauges)
    pumpdown = PumpDown.objects.running().filter(chamber__instrument=instrument).first()
    situation = steps.situation(session, request.user, states)
    faults = Fault.objects.open().filter(instrument=instrument)[:6]
    return {
        "session": session,
        "instrument": instrument,
        "sheet": sheet,
        "states": states,
        **_looks_context(session, sheet, states),
        **_steps_context(request, session, sheet, situation),
        **_chambers_context(situation, gauges, newest, states),
        "pumpdown": pumpdown,
        "chart": curve.of_pumpdown(pumpdown) if pumpdown else None,
        "parts": session.parts.select_related("person"),
        "settings": tablet.setting_fields(SETTINGS),
        "mounts": situation.measured.mounts_inside() if situation.measured else [],
        "open_faults": faults,
        "typed_gauges": [
            *gauges,
            *filter(None, [pump.gun_gauge_of(instrument)]),
        ],
        "handover": tablet.handover(session, states, situation),
        "ends": tablet.end_checklist(sheet, states, situation, faults),
        "before": Session.objects.handed_over(instrument).first(),
        "sent_id": uuid.uuid4(),
        "offline": _for_offline(request, session, states),
        **more,
    }


def _for_offline(request, session, states):
    """What the page needs to go on without a network: the sheet, where things stand, who types."""
    return {
        "session": session.pk,
        "sign_on": request.session.get("sign_on", ""),
        "last_step": session.last_step,
        "states": states,
        "steps": session.sheet.document["steps"],
    }


def _looks_context(session, sheet, states):
    """Looks that are due, as the round they are, and whether they are what to do now."""
    due = steps.looks_due(sheet, states)
    return {
        "looks": [
            {"id": step.id, "says": tablet.look_words(step), "sent_id": uuid.uuid4()}
            for step in due
        ],
        "looks_first": bool(due) and steps.looks_come_first(session, sheet, states),
    }


def _steps_context(request, session, sheet, situation):
    """The step to do, what else is possible, and the fold for people who know the sheet."""
    states = situation.states
    order = steps.after(session, sheet)
    current = steps.current_step(session, sheet, states)
    ids = [step.id for step in sheet.steps if step.kind == "step"]
    folded = run.knows_the_sheet(request.user, session.instrument) and "unfold" not in request.GET
    stations = steps.stations(session, sheet)
    through = _fold(session, sheet, states, order, current, stations) if folded and current else []
    goal = through[-1] if through else current
    lines = {}
    for step in [goal, *interlocks.possible(sheet, states)]:
        if step is not None and step.kind == "step" and step.id not in lines:
            lines[step.id] = _step_line(session, sheet, replace(situation, step=step))
    ahead = [lines[step.id] for step in order[: steps.AHEAD] if step.id in lines and step != goal]
    ready = [line for line in ahead if line["open"] and not line["asks_holder"]]
    offered = list({line["step"].says: line for line in reversed(ready)}.values())[::-1]
    rest = [line for line in lines.values() if line not in offered and line["step"] != goal]
    harmful = steps.harmful(session, sheet, states)
    back = None
    if not interlocks.at_rest(sheet, states):
        back = interlocks.way_to_rest(sheet, states)
    return {
        "current": lines.get(goal.id) if goal else None,
        "step_is_pressed": bool(goal and (through or lines[goal.id]["open"])),
        "through": through[:-1],
        "number": ids.index(goal.id) + 1 if goal else None,
        "of": len(ids),
        "possible": offered[: steps.OFFERED],
        "other_steps": offered[steps.OFFERED :] + rest,
        "harmful": harmful,
        "burst": _burst(replace(situation, step=harmful[0])),
        "holders": inside.at_hand(request.user) if goal and lines[goal.id]["asks_holder"] else [],
        "way_to_rest": back,
        "rest_is_offered": bool(back)
        and back[0].id in {line["step"].id for line in offered[: steps.OFFERED]},
        "is_folded": folded,
    }


def _burst(situation):
    """Where the harm would come from the gate valve: what opening it brings, with its number."""
    if situation.step is None or situation.step.sets.get("gate_valve") != "open":
        return ""
    gate = gates.look(["burst_within_limit"], situation)[0]
    return gate.says if gate.computed else ""


def _fold(session, sheet, states, order, current, stations):
    """Steps from the current one to the next station, each possible after the one before it."""
    through, after = [], states
    for step in order[order.index(current) :]:
        if step.id not in stations and steps.is_so_already(step, after):
            continue
        if interlocks.why_not(sheet, after, step):
            return []
        through.append(step)
        if step.id in stations:
            return through
        after = interlocks.apply(sheet, after, step)
    return []


ASKED_ELSEWHERE = ("holder", "introduction pressure", "photograph", "time")
"""What the page has a better place for than a field: holder, pad, camera; the log keeps the time."""


def _step_line(session, sheet, situation):
    """The situation's step: whether it is possible, its gates, and one sentence on why not."""
    step = situation.step
    found = gates.look(step.gates, situation)
    why = interlocks.why_not(sheet, situation.states, step)
    shut = next((gate for gate in found if not gate.open), None)
    row = steps.row_of(session.sheet.document, step.id)
    return {
        "step": step,
        "gates": found,
        "why_not": why,
        "shut": shut,
        "open": not why and shut is None,
        "asks_holder": "load" in row.get("marks", []),
        "asks": [name for name in step.asks if name not in ASKED_ELSEWHERE],
        "asks_photograph": "photograph" in step.asks,
        "awaits_pressure": "introduction pressure" in step.asks
        or (shut is not None and shut.name in gates.OPENED_BY_PRESSURE),
        "caution": row.get("caution", ""),
    }


VALVE_WORDS = {"closed": "shut", "open": "open", None: ""}  # None: the sheet has no gate valve


def _chambers_context(situation, gauges, newest, states):
    """The plan drawing and the pad: pressures, holders inside, where the gate valve stands."""
    intro = _gauge_to_read(gauges, newest, states)
    main = next((gauge for gauge in gauges if gauge.chamber.kind == "main"), None)
    reading = newest.get(intro.pk) if intro else None
    near = pump.powers_near(reading)
    return {
        "intro": {"gauge": intro, "reading": reading},
        "main": {"gauge": main, "reading": newest.get(main.pk) if main else None},
        "load": situation.load,
        "measured": situation.measured,
        "valve": VALVE_WORDS.get(states.get("gate_valve"), "unknown"),
        "powers": near[:PAD_POWERS],
        "more_powers": [power for power in range(3, -12, -1) if power not in near[:PAD_POWERS]],
        "last_power": pump.power_of(reading),
    }


HIGH_VACUUM = ("cold_cathode", "hot_cathode")


def _gauge_to_read(gauges, newest, states):
    """The introduction chamber's gauge that means something now: the ion gauge while it is on."""
    there = [gauge for gauge in gauges if gauge.chamber.kind == "introduction"]
    fine = [gauge for gauge in there if gauge.principle in HIGH_VACUUM]
    coarse = [gauge for gauge in there if gauge.principle not in HIGH_VACUUM]
    if states.get("gauge") == "on" and fine:
        return fine[0]
    if coarse and fine:
        return coarse[0]
    read = [gauge for gauge in there if newest.get(gauge.pk)]
    return max(read, key=lambda gauge: newest[gauge.pk].at, default=there[0] if there else None)


def refused(request, session, sentence, **more):
    """The tablet page again, with the sentence and what was typed."""
    context = session_context(request, session, refusal=sentence, typed=request.POST, **more)
    return page(request, "bookings/session.html", context, status=422)


def sentences(form):
    """Every sentence of a form's errors."""
    return " ".join(sentence for rows in form.errors.values() for sentence in rows)


def keep(request, sent_id, refusal):
    """Set aside what was sent, word for word, for staff."""
    text = "&".join(
        f"{name}={value}" for name, value in request.POST.items() if name != "csrfmiddlewaretoken"
    )
    log.keep(sent_id=sent_id, by=request.user, text=f"{request.path}?{text}", reason=str(refusal))


def sent_id_of(request):
    """The id under which this post is stored once; a new one where it is no id."""
    try:
        return uuid.UUID(request.POST.get("sent_id", ""))
    except ValueError:
        return uuid.uuid4()


def written(request, row, verb, /, **words):
    """Run a verb that writes; a refusal comes back beside what was typed."""
    sent_id = sent_id_of(request)
    try:
        verb(session=row, by=request.user, sent_id=sent_id, **words)
    except SetAside as refusal:
        keep(request, sent_id, refusal)
        return refused(request, row, str(refusal))
    except Refused as refusal:
        return refused(request, row, str(refusal))
    return see(request, row)


@require_POST
@policy("session.see")
def take_step(request, pk):
    """POST records a step that is possible now, or all steps up to it where the sheet is folded."""
    row = session_of(request, pk)
    require_part(request, row)
    form = StepForm(request.POST)
    if not form.is_valid():
        return refused(request, row, sentences(form))
    return written(
        request,
        row,
        steps.take_through,
        before=form.before(),
        step_id=form.cleaned_data["step"],
        holder=form.cleaned_data["holder"],
        values=form.values(),
    )


@require_POST
@policy("session.see")
def confirm_looks(request, pk):
    """POST records several looks at once, each as an entry of its own."""
    row = session_of(request, pk)
    require_part(request, row)
    chosen = request.POST.getlist("look")
    if not chosen:
        return refused(request, row, "Tick what you looked at and found as written.")
    try:
        steps.confirm_looks(
            session=row, by=request.user, step_ids=chosen, sent_ids=_sent_looks(request.POST)
        )
    except Refused as refusal:
        return refused(request, row, str(refusal))
    return see(request, row)


def _sent_looks(posted):
    """The id that each look of a form was sent with, by the look; one that is no id is left out."""
    found = {}
    for name, text in posted.items():
        prefix, _, look = name.partition("sent:")
        with suppress(ValueError):
            if look and not prefix:
                found[look] = uuid.UUID(text)
    return found


@require_POST
@policy("session.see")
def anyway(request, pk):
    """POST stores what happened outside the sheet's order: never refused, no blame."""
    row = session_of(request, pk)
    require_part(request, row)
    device, _, state = request.POST.get("what", "").partition("=")
    answer = written(
        request,
        row,
        steps.happened_anyway,
        sets={device: state},
        sentence=request.POST.get("sentence", "")[:1000],
    )
    if answer.status_code != 422:
        messages.warning(request, "Written down. Staff see it; the way back to rest stands below.")
    return answer


@require_POST
@policy("session.open")
def join(request, pk):
    """POST takes part in an open session."""
    row = get_object_or_404(Session.objects.select_related("instrument", "log"), pk=pk)
    try:
        run.join(session=row, by=request.user, part=request.POST.get("part", ""))
    except Refused as refusal:
        messages.warning(request, str(refusal))
        return see(request, "bookings:sessions")
    return see(request, row)


@require_POST
@policy("session.see")
def sign_off(request, pk):
    """POST closes the session: never refused."""
    row = session_of(request, pk)
    require_part(request, row)
    run.sign_off(session=row, by=request.user, handover=request.POST.get("handover", "")[:4000])
    return see(request, "bookings:session_record", row.pk)
