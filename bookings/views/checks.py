"""Checks: a kind with its charts, a check typed in a minute, a rise read at the tablet."""

import uuid

from django.contrib import messages
from django.shortcuts import get_object_or_404
from django.urls import reverse
from django.views.decorators.http import require_GET, require_POST

from bookings import check_charts, checking, health, pump
from bookings.forms_health import KindForm, check_form
from facility import check as verbs
from facility.access import may, policy
from facility.check_sorts import NotRead
from facility.errors import Refused
from facility.htmx import page, see
from facility.models import Check, CheckKind, Instrument

SHOWN = 20


def _kind(pk):
    kinds = CheckKind.objects.select_related("instrument", "source", "gauge", "chamber")
    return get_object_or_404(kinds, pk=pk)


@require_GET
@policy("health.see")
def check_kind(request, pk):
    """One kind of check: its charts, each with its own sentence, and the last checks."""
    kind = _kind(pk)
    (now,) = health.kinds_now(kind.instrument, kinds=[kind])
    charts = [{"series": one, "drawings": check_charts.drawings(one)} for one in now.series]
    context = {
        "kind": kind,
        "now": now,
        "charts": charts,
        "checks": Check.objects.of_kind(kind)[:SHOWN],
        "running": Check.objects.open_of(kind),
        "may_enter": may(request.user, "check.enter") and not kind.ended_at,
    }
    return page(request, "bookings/check_kind.html", context)


@policy("check.enter")
def enter_check(request, pk):
    """GET asks for the figures; POST stores them with their verdict, and asks back what looks odd."""
    kind = _kind(pk)
    if kind.sort == CheckKind.Sort.RISE:
        return _begin_rise(request, kind)
    form = check_form(verbs.setting_of(kind), request.POST if request.method == "POST" else None)
    if form.is_bound and form.is_valid():
        try:
            row = checking.enter(
                kind=kind, by=request.user, typed=form.cleaned_data,
                sent_id=_sent(request),
            )  # fmt: skip
        except NotRead as unread:
            for name, sentence in unread.problems.items():
                form.add_error(name, sentence)
        except Refused as refusal:
            form.add_error(None, str(refusal))
        else:
            return see(request, row)
    context = {"kind": kind, "form": form, "sent": request.POST.get("sent", uuid.uuid4())}
    return page(request, "bookings/enter_check.html", context, status=422 if form.errors else 200)


def _sent(request):
    try:
        return uuid.UUID(request.POST.get("sent", ""))
    except ValueError:
        return uuid.uuid4()


def _begin_rise(request, kind):
    says = ""
    if request.method == "POST":
        try:
            minutes = float(request.POST.get("pumped_min") or 0) or None
            row = verbs.begin_rise(
                kind=kind, by=request.user, pumped_min=minutes, sent_id=_sent(request)
            )
            return see(request, "bookings:read_rise", row.pk)
        except ValueError:
            says = "Minutes of pumping before must be a number, such as 45."
        except Refused as refusal:
            says = str(refusal)
    context = {"kind": kind, "says": says, "sent": uuid.uuid4()}
    return page(request, "bookings/begin_rise.html", context, status=422 if says else 200)


@policy("check.enter")
def read_rise(request, pk):
    """The rise as it is read: a pressure now and then, the verdict so far, and its end."""
    rows = Check.objects.select_related("kind__gauge", "kind__chamber", "kind__instrument")
    row = get_object_or_404(rows.exclude(kind__gauge=None), pk=pk)
    says = ""
    if request.method == "POST":
        try:
            if "end" in request.POST:
                return see(request, checking.end_rise(check=row, by=request.user))
            text = request.POST.get("pressure", "").strip() or _from_pad(request.POST)
            verbs.read_rise_pressure(check=row, by=request.user, text=text, sent_id=_sent(request))
            return see(request, "bookings:read_rise", row.pk)
        except Refused as refusal:
            says = str(refusal)
    if row.verdict:
        return see(request, row)
    if row.typed["readings"]:
        powers = pump.powers_around(row.typed["readings"][-1]["pa"], row.kind.gauge.unit)
    else:
        powers = pump.powers_near(pump.newest([row.kind.gauge])[row.kind.gauge_id])
    context = {
        "check": row, "kind": row.kind, "so_far": verbs.rise_so_far(row), "says": says,
        "powers": powers[:7], "more_powers": powers[7:], "sent": uuid.uuid4(),
        "readings": row.typed["readings"][-14:],
    }  # fmt: skip
    return page(request, "bookings/read_rise.html", context, status=422 if says else 200)


def _from_pad(posted):
    figure, tenth, power = (posted.get(name, "") for name in ("figure", "tenth", "power"))
    return f"{figure}.{tenth or 0}e{power}" if figure and power else ""


@require_GET
@policy("health.see")
def check(request, pk):
    """One check: what was typed, what it found, and whether it counts."""
    rows = Check.objects.select_related(
        "kind__instrument", "kind__source", "kind__gauge", "by", "struck_by"
    )
    row = get_object_or_404(rows, pk=pk)
    context = {
        "check": row,
        "kind": row.kind,
        "typed": [(name, text) for name, text in row.typed.items() if name != "readings" and text],
        "readings": row.typed.get("readings", []),
        "values": row.values.all(),
        "may_enter": may(request.user, "check.enter"),
    }
    return page(request, "bookings/check.html", context)


@require_POST
@policy("check.enter")
def strike_check(request, pk):
    """POST takes a check out of the charts; it stays to be seen."""
    row = get_object_or_404(Check.objects.select_related("kind__instrument__log"), pk=pk)
    try:
        verbs.strike(check=row, by=request.user, why=request.POST.get("why", ""))
    except Refused as refusal:
        messages.error(request, str(refusal))
    return see(request, row)


@policy("check.enter")
def keep_check_kind(request, slug):
    """GET asks what is checked and at which setting; POST keeps it."""
    instrument = get_object_or_404(Instrument.objects.select_related("log"), slug=slug)
    form = KindForm(request.POST if request.method == "POST" else None, instrument=instrument)
    if form.is_bound and form.is_valid():
        told = dict(form.cleaned_data)
        if told["gauge"]:
            told["chamber"] = told["gauge"].chamber
        try:
            kind = verbs.keep_kind(instrument=instrument, by=request.user, **told)
        except Refused as refusal:
            form.add_error(None, str(refusal))
        else:
            return see(request, kind)
    context = {
        "instrument": instrument,
        "form": form,
        "back": reverse("bookings:health", args=[slug]),
    }
    return page(
        request, "bookings/keep_check_kind.html", context, status=422 if form.errors else 200
    )
