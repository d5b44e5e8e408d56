"""Holders: the list, one holder with its drawing and findings, and what keeps it in order."""

from django.contrib import messages
from django.shortcuts import get_object_or_404, render
from django.views.decorators.http import require_GET, require_POST

from bookings import at_bench, histories, run
from bookings.forms_bench import CleanForm, PictureForm, WhereForm, WordsForm
from facility.access import may, policy
from facility.errors import Refused
from facility.htmx import page, see
from samples import keep, mount
from samples.codes import read_code
from samples.models import Holder


def holder_of(code):
    """The holder with this code, or 404."""
    return get_object_or_404(Holder.objects.select_related("type", "group"), code=code)


def refused(request, form, refusal=""):
    """Say why something was not written down, above the page it is on."""
    said = [str(refusal)] if refusal else [s for rows in form.errors.values() for s in rows]
    for sentence in said:
        messages.warning(request, sentence)


@require_GET
@policy("page.everyone")
def holders(request):
    """Every holder in use, with where it is and what it carries."""
    rows = Holder.objects.in_use().with_state()
    context = {"holders": rows, "sees_hazards": may(request.user, "hazard.see")}
    return page(request, "bookings/holders.html", context)


@require_GET
@policy("holder.see")
def holder(request, code):
    """One holder: the drawing to scale, what it carries, what the rules find, what it did before."""
    row = Holder.objects.select_related("type", "group").with_code(code)
    if row is None:
        return render(request, "bookings/unknown_code.html", {"code": code}, status=404)
    context = at_bench.holder_context(row, request.user) | {
        "history": histories.of_holder(
            row, may_see=at_bench.seen_by(request.user), page=request.GET.get("page")
        ),
        "photographs": at_bench.photographs(row, request.user),
        "clean_form": CleanForm(),
        "picture_form": PictureForm(),
        "where_form": WhereForm(),
        "words_form": WordsForm(),
        "methods": keep.METHODS,
        "staff": at_bench.staff_to_ask(),
    }
    return page(request, "bookings/holder.html", context)


@require_GET
@policy("holder.see")
def holder_findings(request, code):
    """The findings as they would be with some mounts moved: `m12=x,y,rotation`; nothing is kept."""
    places = read_places(request.GET)
    context = at_bench.holder_context(holder_of(code), request.user, places=places)
    return render(request, "bookings/holder_findings.html", context)


def read_places(values):
    """{mount's key: (x, y, rotation)} from fields such as m12=1.5,-2,90; what is no place is left out."""
    places = {}
    for name, text in values.items():
        if name[:1] != "m" or not name[1:].isdecimal() or len(name) > 19:
            continue
        try:
            x, y, rotation = (round(float(part), 4) for part in text.split(","))
        except ValueError:
            continue
        if all(abs(part) < 1e4 for part in (x, y, rotation)):
            places[int(name[1:])] = (x, y, rotation)
    return places


@require_GET
@policy("page.everyone")
def scanned_holder(request, code):
    """What a label's address leads to: any spelling of the code, then the holder's page."""
    try:
        code = read_code(code)
    except ValueError as problem:
        context = {"code": code, "problem": str(problem)}
        return render(request, "bookings/unknown_code.html", context, status=404)
    return see(request, "bookings:holder", code)


# What keeps it in order


@require_POST
@policy("holder.mount")
def clean_holder(request, code):
    """POST records a cleaning, with its blank where one was measured."""
    row = holder_of(code)
    form = CleanForm(request.POST)
    if not form.is_valid():
        refused(request, form)
        return see(request, row)
    try:
        keep.clean(
            holder=row,
            by=request.user,
            method=form.cleaned_data["method"],
            blank=form.blank(),
            sent_id=form.cleaned_data["sent_id"],
        )
    except Refused as refusal:
        refused(request, form, refusal)
    else:
        run.refresh_flags(row)
        messages.success(request, f"Written down: {row} was cleaned.")
    return see(request, row)


def _in_words(request, code, verb):
    """One of the verbs that take a sentence about a holder."""
    row = holder_of(code)
    form = WordsForm(request.POST)
    if not form.is_valid():
        refused(request, form)
        return see(request, row)
    try:
        verb(row, form.cleaned_data["text"], form.cleaned_data["sent_id"])
    except Refused as refusal:
        refused(request, form, refusal)
    return see(request, row)


@require_POST
@policy("holder.mount")
def note_holder(request, code):
    """POST keeps a remark with the holder."""
    return _in_words(
        request,
        code,
        lambda row, text, sent: keep.note(holder=row, text=text, by=request.user, sent_id=sent),
    )


@require_POST
@policy("holder.keep")
def quarantine_holder(request, code):
    """POST takes the holder out of use until it is released."""
    return _in_words(
        request,
        code,
        lambda row, text, sent: keep.quarantine(
            holder=row, why=text, by=request.user, sent_id=sent
        ),
    )


@require_POST
@policy("holder.keep")
def release_holder(request, code):
    """POST releases it: after a cleaning with a blank, or with a reason."""
    return _in_words(
        request,
        code,
        lambda row, text, sent: keep.release(
            holder=row, sentence=text, by=request.user, sent_id=sent
        ),
    )


@require_POST
@policy("holder.mount")
def photograph_holder(request, code):
    """POST keeps a photograph of the holder as it stands."""
    row = holder_of(code)
    form = PictureForm(request.POST, request.FILES)
    if not form.is_valid():
        refused(request, form)
        return see(request, row)
    try:
        keep.photograph(holder=row, file=form.cleaned_data["picture"], by=request.user)
    except Refused as refusal:
        refused(request, form, refusal)
    return see(request, row)


@require_POST
@policy("holder.mount")
def move_holder(request, code):
    """POST says where the holder is now; into vacuum it goes only by a session's steps."""
    row = holder_of(code)
    form = WhereForm(request.POST)
    if not form.is_valid():
        refused(request, form)
        return see(request, row)
    try:
        if not may(request.user, "holder.keep"):
            mount.refuse_in_vacuum(row)
        mount.move(holder=row, place=form.cleaned_data["place"], by=request.user)
    except Refused as refusal:
        refused(request, form, refusal)
    return see(request, row)
