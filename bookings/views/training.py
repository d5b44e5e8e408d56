"""Training: each step observed yes or no and by whom, the level granted at the end, taken back."""

from django.contrib import messages
from django.core.exceptions import PermissionDenied
from django.shortcuts import get_object_or_404
from django.views.decorators.http import require_GET, require_POST

from bookings import teach
from bookings.forms_people import GrantForm, ReasonForm, TrainingForm
from bookings.views.people import person_page, sentences, tried
from facility import qualify
from facility.access import may, policy, require_or_404
from facility.errors import Refused
from facility.htmx import page, see
from facility.models import Person, Qualification, Training, TrainingStep


@require_POST
@policy("page.everyone")
def begin_training(request, pk):
    """POST opens a training record with this person as trainer."""
    row, form = get_object_or_404(Person, pk=pk), TrainingForm(request.POST)
    if not form.is_valid():
        messages.warning(request, " ".join(sentences(form)))
        return see(request, "bookings:person", row.pk)
    words = form.cleaned_data
    if not may(request.user, "training.give", words["instrument"]):
        raise PermissionDenied("staff, and whoever works there alone")
    try:
        made = teach.begin(person=row, by=request.user, **words)
    except Refused as refusal:
        messages.warning(request, str(refusal))
        return see(request, "bookings:person", row.pk)
    return see(request, "bookings:training", made.pk)


def _training_of(request, pk):
    """A training, for its person, its trainers and those who see the person."""
    row = get_object_or_404(
        Training.objects.select_related("person__group", "instrument", "trainer"), pk=pk
    )
    if not may(request.user, "training.give", row.instrument):
        require_or_404(request.user, "person.see", row.person)
    return row


@require_GET
@policy("person.see")
def training(request, pk):
    """One training: each step observed yes or no, by whom; granted at the end."""
    return _training_page(request, _training_of(request, pk))


def _training_page(request, row, refusals=(), status=200):
    lines = qualify.checklist(row)
    context = {
        "training": row,
        "lines": [{"step": step, "seen": seen} for step, seen in lines],
        "left": sum(not (seen and seen.observed) for _, seen in lines),
        "open": row.granted_at is None,
        "may_observe": row.granted_at is None
        and row.person_id != request.user.pk
        and may(request.user, "training.give", row.instrument),
        "may_grant": row.granted_at is None and may(request.user, "qualification.grant"),
        "grant_form": GrantForm(),
        "refusals": refusals,
    }
    return page(request, "bookings/training.html", context, status=status)


@require_POST
@policy("person.see")
def observe(request, pk):
    """POST writes down a step as seen, yes or no."""
    row = _training_of(request, pk)
    number, _, answer = request.POST.get("seen_step", "").partition("=")
    step = TrainingStep.objects.filter(
        pk=int(number) if number.isascii() and number.isdigit() and len(number) < 12 else None
    ).first()
    if step is None or answer not in ("yes", "no"):
        return _training_page(request, row, ["Press yes or no beside a step."], 422)
    try:
        qualify.observe(training=row, step=step, observed=answer == "yes", by=request.user)
    except Refused as refusal:
        return _training_page(request, row, [str(refusal)], 422)
    return see(request, "bookings:training", row.pk)


@require_POST
@policy("qualification.grant")
def grant(request, pk):
    """POST grants the level that a training led to."""
    row, form = _training_of(request, pk), GrantForm(request.POST)
    if not form.is_valid():
        return _training_page(request, row, sentences(form), 422)
    try:
        teach.grant(training=row, by=request.user, lapses_on=form.cleaned_data["lapses_on"])
    except Refused as refusal:
        return _training_page(request, row, [str(refusal)], 422)
    return see(request, "bookings:person", row.person_id)


@require_POST
@policy("qualification.grant")
def end_qualification(request, pk):
    """POST takes a level back, with the reason."""
    row = get_object_or_404(Qualification.objects.select_related("person", "instrument"), pk=pk)
    form = ReasonForm(request.POST)
    if not form.is_valid():
        return person_page(request, row.person, refusals=sentences(form), status=422)
    return tried(
        request,
        row.person,
        lambda: teach.end(qualification=row, by=request.user, why=form.cleaned_data["why"]),
    )
