"""Flags: what waits for staff, answered with one press."""

from django.contrib import messages
from django.shortcuts import get_object_or_404
from django.utils import timezone
from django.views.decorators.http import require_GET, require_POST

from bookings import flag as verbs
from bookings.forms import FlagForm
from bookings.forms_review import MuteForm
from bookings.models import Flag
from facility import mute
from facility.access import may, policy
from facility.errors import Refused
from facility.htmx import page, see
from facility.models import Instrument

SHOWN = 50


@require_GET
@policy("flag.see")
def flags(request):
    """Every flag that waits, gravest first, the last ones that were answered, and what is muted."""
    return _shown(request)


def _shown(request, *, form=None, status=200):
    waiting = Flag.objects.waiting().by_severity().select_related("holder", "instrument", "mount")
    context = {
        "flags": waiting[:SHOWN],
        "count": waiting.count(),
        "answered": Flag.objects.exclude(answer="")
        .select_related("answered_by", "holder", "instrument")
        .order_by("-answered_at")[:10],
        "may_answer": may(request.user, "flag.answer"),
        "muted": [
            {"instrument": row, "rule": one}
            for row in Instrument.objects.all()
            for one in mute.muted_on(row, timezone.localdate()).values()
        ],
        "mute_form": form or MuteForm(),
    }
    return page(request, "bookings/flags.html", context, status=status)


@require_POST
@policy("flag.answer")
def mute_rule(request):
    """POST mutes a rule for an instrument until a day, or lets it speak again."""
    form = MuteForm(request.POST)
    if "again" in request.POST:
        slug, rule = (
            request.POST.get(name, "").replace("\x00", "")[:40] for name in ("instrument", "again")
        )
        row = get_object_or_404(Instrument, slug=slug)
        mute.ask_again(instrument=row, rule=rule[:12], by=request.user)
        return see(request, "bookings:flags")
    if form.is_valid():
        try:
            row = mute.mute(by=request.user, **form.cleaned_data)
        except Refused as refusal:
            form.add_error(None, str(refusal))
        else:
            said = form.cleaned_data
            messages.success(
                request, f"{said['rule']} is muted on {row} until {said['until']:%d %b %Y}."
            )
            return see(request, "bookings:flags")
    return _shown(request, form=form, status=422)


@policy("flag.answer")
def answer_flag(request, pk):
    """GET shows the flag; POST answers it, or says what is needed and keeps what was typed."""
    row = get_object_or_404(
        Flag.objects.select_related("holder", "instrument", "answered_by"), pk=pk
    )
    form = FlagForm(request.POST if request.method == "POST" else None)
    back = request.POST.get("back") or request.GET.get("back", "")
    if form.is_valid():
        try:
            verbs.answer(flag=row, by=request.user, **form.cleaned_data)
        except Refused as refusal:
            form.add_error(None, str(refusal))
        else:
            messages.success(request, f"Answered: {row.says}")
            return see(request, "bookings:today" if back == "today" else "bookings:flags")
    context = {"flag": row, "form": form, "back": back}
    return page(request, "bookings/answer_flag.html", context, status=422 if form.errors else 200)
