"""People: the list, one person with levels and training, invitations, visits, leaving."""

from django.conf import settings
from django.core.exceptions import PermissionDenied
from django.core.paginator import Paginator
from django.db.models import Prefetch
from django.shortcuts import get_object_or_404
from django.urls import reverse
from django.utils import timezone
from django.views.decorators.http import require_GET, require_POST

from bookings import visits
from bookings.forms_people import (
    InviteForm,
    LeaveForm,
    TrainingForm,
    VisitForm,
)
from bookings.models import Session
from facility import invite, qualify
from facility.access import may, policy, require_or_404
from facility.errors import Refused
from facility.htmx import page, see
from facility.models import Instrument, Person, Qualification, Training, Visit
from samples.models import Sample

A_PAGE = 60


@require_GET
@policy("person.list")
def people(request):
    """Everybody here by name, with levels; those who left on request."""
    text = request.GET.get("q", "").strip()[:60].replace("\x00", "")
    gone = request.GET.get("gone") == "1"
    found = Person.objects.filter(is_active=not gone).select_related("group")
    if text:
        found = found.filter(full_name__icontains=text)
    standing = Qualification.objects.standing().select_related("instrument")
    found = found.prefetch_related(Prefetch("qualifications", standing, to_attr="standing"))
    number = request.GET.get("page", "1")
    context = {
        "people": Paginator(found, A_PAGE).get_page(number),
        "q": text,
        "gone": gone,
        "today": timezone.localdate(),
        "visits": Visit.objects.open().select_related("person", "host")[:20],
        "may_invite": may(request.user, "person.invite"),
    }
    return page(request, "bookings/people.html", context)


def _person_of(request, pk):
    """The person, for those who may know of them."""
    row = get_object_or_404(Person.objects.select_related("group"), pk=pk)
    require_or_404(request.user, "person.see", row)
    return row


@require_GET
@policy("person.see")
def person(request, pk):
    """One person: what they may do where, until when, what renews it; training; visits."""
    return person_page(request, _person_of(request, pk))


def person_page(request, row, *, address="", refusals=(), status=200):
    today = timezone.localdate()
    standing = {
        found.instrument_id: found
        for found in Qualification.objects.standing()
        .filter(person=row)
        .select_related("instrument", "granted_by")
    }
    instruments = list(Instrument.objects.all())
    staff = may(request.user, "person.invite")
    context = {
        "person": row,
        "is_me": row.pk == request.user.pk,
        "levels": [_level_line(place, standing.get(place.pk), today) for place in instruments],
        "history": Qualification.objects.filter(person=row)
        .exclude(ended_at=None)
        .select_related("instrument", "granted_by")
        .order_by("-granted_on")[:12],
        "trainings": Training.objects.filter(person=row).select_related("instrument", "trainer")[
            :12
        ],
        "sessions": Session.objects.with_person(row).select_related("instrument")[:6],
        "samples": Sample.objects.filter(owner=row).kept().count(),
        "visits": row.visits.select_related("host", "inducted_by", "closed_by")[:6],
        "may_train": row.is_active
        and row.pk != request.user.pk
        and any(may(request.user, "training.give", place) for place in instruments),
        "may_end": may(request.user, "qualification.grant") and row.pk != request.user.pk,
        "staff": staff,
        "training_form": TrainingForm(),
        "visit_form": VisitForm() if staff else None,
        "leave_form": LeaveForm(person=row) if staff else None,
        "address": address,
        "refusals": refusals,
    }
    return page(request, "bookings/person.html", context, status=status)


def _level_line(instrument, row, today):
    """One instrument's line: level, last day, what lapses it, what renews it."""
    if row is None:
        return {"instrument": instrument, "row": None, "lapsed": False}
    level = qualify.level_of(instrument, row.level)
    return {
        "instrument": instrument,
        "row": row,
        "lapsed": row.has_lapsed(today),
        "soon": row.last_day and row.last_day <= today + qualify.SOON,
        "unused": row.last_day is not None and row.last_day == row.unused_on,
        "level": level,
    }


@policy("person.invite")
def invite_person(request):
    """GET shows the form; POST invites and shows the link once."""
    form = InviteForm(request.POST if request.method == "POST" else None)
    if form.is_valid():
        try:
            row, token = _invite(request.user, dict(form.cleaned_data))
        except Refused as refusal:
            form.add_error(None, str(refusal))
        else:
            return person_page(request, row, address=_link(request, token))
    return page(
        request, "bookings/invite_person.html", {"form": form}, status=422 if form.errors else 200
    )


def _invite(by, words):
    stay = {name: words.pop(name) for name in ("host", "arrives_on", "leaves_on", "samples_ahead")}
    if words["role"] == Person.Role.VISITOR:
        words.pop("role")
        return visits.invite_visitor(by=by, **stay, **words)
    return invite.invite(by=by, **words)


def _link(request, token):
    path = reverse("facility:welcome", args=[token])
    if settings.PUBLIC_URL:
        return f"{settings.PUBLIC_URL.rstrip('/')}{path}"
    return request.build_absolute_uri(path)


@require_POST
@policy("person.invite")
def new_link(request, pk):
    """POST makes a fresh link for a password and shows it once."""
    row = _person_of(request, pk)
    return tried(request, row, lambda: _link(request, invite.new_link(person=row, by=request.user)))


def tried(request, row, verb):
    """The person's page after a verb: what it gave, or why not."""
    try:
        given = verb()
    except Refused as refusal:
        return person_page(request, row, refusals=[str(refusal)], status=422)
    if isinstance(given, str):
        return person_page(request, row, address=given)
    return see(request, "bookings:person", row.pk)


@require_POST
@policy("person.invite")
def arrange_visit(request, pk):
    """POST writes down another stay of somebody."""
    row, form = _person_of(request, pk), VisitForm(request.POST)
    if not form.is_valid():
        return person_page(request, row, refusals=sentences(form), status=422)
    return tried(
        request, row, lambda: visits.arrange(person=row, by=request.user, **form.cleaned_data)
    )


def sentences(form):
    return [sentence for listed in form.errors.values() for sentence in listed]


def _visit_of(request, pk):
    """A visit, for its host and for who invites."""
    row = get_object_or_404(Visit.objects.select_related("person__group", "host"), pk=pk)
    if row.host_id != request.user.pk and not may(request.user, "person.invite"):
        raise PermissionDenied("the visitor's host, staff and managers")
    return row


@require_GET
@policy("page.everyone")
def visit(request, pk):
    """One visit for host and staff: induction, samples ahead, what is still here."""
    return _visit_page(request, _visit_of(request, pk))


def _visit_page(request, row, refusals=()):
    context = {
        "visit": row,
        "left": visits.left_here(row.person),
        "sees_person": may(request.user, "person.see", row.person),
        "sees_samples": may(request.user, "flag.see"),
        "refusals": refusals,
    }
    return page(request, "bookings/visit.html", context, status=422 if refusals else 200)


def _after_visit(request, row, verb):
    try:
        verb(visit=row, by=request.user)
    except Refused as refusal:
        return _visit_page(request, row, [str(refusal)])
    return see(request, "bookings:visit", row.pk)


@require_POST
@policy("page.everyone")
def induct(request, pk):
    """POST: the house was shown, by the host or staff."""
    return _after_visit(request, _visit_of(request, pk), invite.induct)


@require_POST
@policy("page.everyone")
def close_visit(request, pk):
    """POST: nothing was left behind, or what still is."""
    return _after_visit(request, _visit_of(request, pk), visits.close)


@require_POST
@policy("person.invite")
def leave(request, pk):
    """POST: somebody leaves for good and hands over their samples."""
    row = _person_of(request, pk)
    form = LeaveForm(request.POST, person=row)
    if not form.is_valid():
        return person_page(request, row, refusals=sentences(form), status=422)
    return tried(
        request,
        row,
        lambda: visits.leave(person=row, by=request.user, to=form.cleaned_data["to"]),
    )


@require_POST
@policy("person.invite")
def hand_over(request, pk):
    """POST: samples go to somebody else, their owner stays."""
    row = _person_of(request, pk)
    form = LeaveForm(request.POST, person=row)
    if not form.is_valid() or form.cleaned_data["to"] is None:
        refusals = sentences(form) or ["Choose who takes the samples over."]
        return person_page(request, row, refusals=refusals, status=422)
    return tried(
        request,
        row,
        lambda: visits.hand_over(person=row, to=form.cleaned_data["to"], by=request.user),
    )
