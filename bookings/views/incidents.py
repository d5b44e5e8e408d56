"""Incidents and near misses: reported by anyone in under a minute, looked after by the house."""

from django.contrib import messages
from django.shortcuts import get_object_or_404
from django.utils import timezone
from django.views.decorators.http import require_GET, require_POST

from bookings import incident as verbs
from bookings.forms_incidents import (
    ChangeForm,
    CloseForm,
    FollowUpForm,
    RedactForm,
    ReportForm,
    WordForm,
)
from bookings.models import FollowUp, Incident, Load, Session
from bookings.views.sessions import keep
from facility.access import may, policy, require_or_404
from facility.errors import Refused, SetAside
from facility.htmx import page, see

SHOWN = 40
CHANGES = 200


@require_GET
@policy("page.everyone")
def incidents(request):
    """What this person may see: for the house all, for others what they reported or follow up."""
    seen = Incident.objects.seen_by(request.user)
    context = {
        "rows": seen.with_their_things().open_first()[:SHOWN],
        "open_count": seen.open().count(),
        "follow_ups": FollowUp.objects.seen_by(request.user).open().soonest()[:6],
        "today": timezone.localdate(),
        "sees_all": may(request.user, "incident.keep"),
        "kinds": Incident.Kind.choices,
    }
    return page(request, "bookings/incidents.html", context)


def _about(request):
    """The session and load that the report is about, where this person may see them."""
    found = {}
    for name, rows in (("session", Session.objects), ("load", Load.objects)):
        text = request.POST.get(name) or request.GET.get(name, "")
        if text.isdecimal() and len(text) < 19:
            seen = rows.seen_by(request.user).select_related("instrument")
            found[name] = seen.in_bulk([int(text)]).get(int(text))
    return {name: row for name, row in found.items() if row}


@policy("incident.report")
def report_incident(request):
    """GET asks what happened; POST stores it once, however often it arrives."""
    about = _about(request)
    if request.method == "POST":
        form = ReportForm(request.POST)
    else:
        named = {
            name: request.GET.get(name, "") for name in ("kind", "instrument", "holder", "element")
        }
        if about and not named["instrument"]:
            named["instrument"] = next(iter(about.values())).instrument.slug
        form = ReportForm(initial={name: text[:60] for name, text in named.items() if text})
    if form.is_valid():
        try:
            row = verbs.report(by=request.user, **about, **form.cleaned_data)
        except SetAside as refusal:
            keep(request, form.cleaned_data["sent_id"], refusal)
            form.add_error(None, str(refusal))
        except Refused as refusal:
            form.add_error(None, str(refusal))
        else:
            messages.success(
                request, f"Written down as {row}. Staff and the safety officer are told."
            )
            return see(request, row)
    context = {"form": form, "about": about}
    return page(
        request, "bookings/report_incident.html", context, status=422 if form.errors else 200
    )


def incident_of(request, pk):
    """The incident, or 404 for those who may not know of it."""
    row = get_object_or_404(Incident.objects.with_their_things(), pk=pk)
    require_or_404(request.user, "incident.see", row)
    return row


@require_GET
@policy("incident.see")
def incident(request, pk):
    """One incident: what happened, what was done, what follows, and its history."""
    return _shown(request, incident_of(request, pk))


def _shown(request, row, *, status=200, **forms):
    keeps = may(request.user, "incident.keep")
    context = {
        "incident": row,
        "follow_ups": row.follow_ups.select_related("who", "done_by"),
        "changes": row.changes.select_related("by")[:CHANGES],
        "today": timezone.localdate(),
        "keeps": keeps,
        "traces": may(request.user, "trace.see"),
        "word_form": WordForm(),
    }
    if keeps:
        now = {name: getattr(row, name) for name in ("kind", "at_once", "cause", "element")}
        slug = row.instrument.slug if row.instrument else ""
        context |= {
            "change_form": ChangeForm(initial=now | {"instrument": slug}),
            "follow_form": FollowUpForm(),
            "close_form": CloseForm(),
        }
    if may(request.user, "log.redact"):
        context["redact_form"] = RedactForm()
    return page(request, "bookings/incident.html", context | forms, status=status)


def _written(request, pk, form, name, verb):
    """Run a verb with what a form holds; a refusal comes back beside what was typed."""
    row = incident_of(request, pk)
    if form.is_valid():
        try:
            verb(row, form.cleaned_data)
        except SetAside as refusal:
            keep(request, form.cleaned_data.get("sent_id"), refusal)
            form.add_error(None, str(refusal))
        except Refused as refusal:
            form.add_error(None, str(refusal))
        else:
            return see(request, row)
    return _shown(request, incident_of(request, pk), status=422, **{name: form})


@require_POST
@policy("incident.see")
def add_word(request, pk):
    """POST adds a word to an incident."""
    return _written(
        request, pk, WordForm(request.POST), "word_form",
        lambda row, said: verbs.add_word(
            incident=row, by=request.user, text=said["text"], sent_id=said["sent_id"]
        ),
    )  # fmt: skip


@require_POST
@policy("incident.keep")
def change_incident(request, pk):
    """POST changes what is written; the words before stay in the history."""
    return _written(
        request, pk, ChangeForm(request.POST), "change_form",
        lambda row, said: verbs.change(incident=row, by=request.user, **said),
    )  # fmt: skip


@require_POST
@policy("log.redact")
def redact_incident(request, pk):
    """POST empties what was written; that something stood there, and why it went, stays."""
    return _written(
        request, pk, RedactForm(request.POST), "redact_form",
        lambda row, said: verbs.redact(incident=row, by=request.user, reason=said["reason"]),
    )  # fmt: skip


@require_POST
@policy("incident.keep")
def add_follow_up(request, pk):
    """POST says what has to be done, by whom, until when."""
    return _written(
        request, pk, FollowUpForm(request.POST), "follow_form",
        lambda row, said: verbs.follow_up(incident=row, by=request.user, **said),
    )  # fmt: skip


@require_POST
@policy("incident.keep")
def close_incident(request, pk):
    """POST closes it, with what was learned."""
    return _written(
        request, pk, CloseForm(request.POST), "close_form",
        lambda row, said: verbs.close(incident=row, by=request.user, sentence=said["text"]),
    )  # fmt: skip


@require_POST
@policy("incident.keep")
def reopen_incident(request, pk):
    """POST opens a closed one again, with why."""
    return _written(
        request, pk, CloseForm(request.POST), "close_form",
        lambda row, said: verbs.open_again(incident=row, by=request.user, why=said["text"]),
    )  # fmt: skip


@require_GET
@policy("page.everyone")
def follow_ups(request):
    """What still has to be done after incidents, the soonest first; for the wall too."""
    rows = FollowUp.objects.seen_by(request.user).open().soonest()
    context = {"rows": rows[:200], "count": rows.count(), "today": timezone.localdate()}
    return page(request, "bookings/follow_ups.html", context)


@require_POST
@policy("follow-up.finish")
def finish_follow_up(request, pk):
    """POST says that it is done, with a word where one helps."""
    row = get_object_or_404(FollowUp.objects.select_related("incident"), pk=pk)
    require_or_404(request.user, "follow-up.finish", row)
    verbs.done(follow_up=row, by=request.user, says=request.POST.get("text", ""))
    messages.success(request, f"Done: {row}")
    return see(request, row.incident)
