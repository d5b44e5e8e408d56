"""Tracing: from an element and a day, a holder, a load, a sample or an incident; for the house."""

import uuid
from datetime import datetime, time

from django.contrib import messages
from django.shortcuts import get_object_or_404
from django.utils import timezone
from django.views.decorators.http import require_GET, require_POST

from bookings import trace_page, tracing
from bookings.broke import powder_elements
from bookings.forms_incidents import TraceForm
from bookings.models import Incident, Load
from facility.access import policy
from facility.errors import Refused, SetAside
from facility.htmx import page, see
from samples.codes import read_code
from samples.models import Holder, Mount


def _number(text):
    return int(text) if text.isdecimal() and len(text) < 19 else 0


def _begin(asked):
    """What the address names besides the element and the day, and what these default to."""
    things = {}
    if row := Incident.objects.with_their_things().in_bulk([_number(asked.get("incident", ""))]):
        incident = next(iter(row.values()))
        things = {"incident": incident, "load": incident.load, "holder": incident.holder}
        things |= {"element": incident.element, "at": incident.happened_at}
    if row := Load.objects.select_related("holder").in_bulk([_number(asked.get("load", ""))]):
        load = next(iter(row.values()))
        found = powder_elements(load.layout)
        things |= {"load": load, "holder": load.holder, "at": load.loaded_at}
        things.setdefault("element", found[0] if found else "")
    if stands := Mount.objects.newest_of(asked.get("sample", "")[:20]):
        things |= {"holder": stands.holder, "at": stands.since}
        things.setdefault("element", tracing.telling_element(stands.sample))
    if text := asked.get("holder", "")[:60].strip():
        try:
            things["holder"] = Holder.objects.called(text).first() or Holder.objects.with_code(
                read_code(text)
            )
        except ValueError:
            things["unknown"] = f"No holder here is called {text}."
    return things


@require_GET
@policy("trace.see")
def trace(request):
    """GET asks for an element and a day, and shows what may have been touched, ranked."""
    things = _begin(request.GET)
    first = {"element": things.get("element", ""), "before": tracing.BEFORE, "after": tracing.AFTER}
    first["holder"] = things["holder"].short_name if things.get("holder") else ""
    first["on"] = timezone.localdate(things.get("at") or timezone.now())
    typed = {name: request.GET.get(name) or first[name] for name in first}
    form = TraceForm(typed) if typed["element"] else TraceForm(initial=first)
    context = {"form": form, "things": things}
    if unknown := things.get("unknown"):
        form = context["form"] = TraceForm(typed)
        form.add_error("holder", unknown)
    elif form.is_valid():
        said = form.cleaned_data
        moment = timezone.make_aware(datetime.combine(said["on"], time(0)))
        try:
            found, around = tracing.follow(
                said["element"], moment, holder=things.get("holder"), load=things.get("load"),
                before=said["before"], after=said["after"],
            )  # fmt: skip
        except Refused as refusal:
            form.add_error("element", str(refusal))
        else:
            context |= trace_page.context_of(found, around) | {
                "element": said["element"],
                "sent_id": uuid.uuid4(),
                "back": request.get_full_path(),
            }
    return page(request, "bookings/trace.html", context, status=422 if form.errors else 200)


@require_POST
@policy("trace.see")
def look_for(request, pk):
    """POST says that a load's data show the element, or do not."""
    load = get_object_or_404(Load, pk=pk)
    element = request.POST.get("element", "")
    try:
        sent_id = uuid.UUID(request.POST.get("sent_id", ""))
        tracing.look_for(
            load=load, element=element, shows=request.POST.get("shows") == "yes", by=request.user,
            sent_id=uuid.uuid5(sent_id, f"{pk}{request.POST.get('shows')}"),
        )  # fmt: skip
    except (Refused, SetAside) as refusal:
        messages.warning(request, str(refusal))
    except ValueError:
        messages.warning(request, "Open the trace again and press there.")
    return see(
        request, trace_page.address(element=element[:2], on=timezone.localdate(load.loaded_at))
    )
