"""The run sheet editor of staff: a draft, one part at a time, with the proof beside it."""

import json
from functools import wraps

from django.contrib import messages
from django.http import Http404
from django.shortcuts import get_object_or_404, render
from django.urls import reverse
from django.views.decorators.http import require_GET, require_POST

from bookings.forms_sheets import (
    SheetAboutForm,
    SheetDeviceForm,
    SheetHazardForm,
    SheetStepForm,
    SheetTextForm,
)
from bookings.views.sheets import document_context, number
from facility import drafting, publish, sheet_proof, sheet_words, shipped
from facility.access import policy
from facility.errors import Refused
from facility.htmx import no_news, page, see, wants_fragment
from facility.models import Instrument

EDITS_SHOWN = 12


def on_draft(view):
    """Give a view the instrument's draft; where it is gone, say so and show what was typed."""

    @wraps(view)
    def with_draft(request, slug):
        instrument = get_object_or_404(Instrument.objects.select_related("sheet"), slug=slug)
        row = publish.draft_of(instrument)
        return view(request, row) if row else _no_draft(request, instrument)

    return with_draft


def _no_draft(request, instrument):
    """The page on which a draft is begun; after a post, with what nobody can take any more."""
    typed = [
        (name, text)
        for name, texts in request.POST.lists()
        for text in texts
        if name not in ("csrfmiddlewaretoken", "revision") and text.strip()
    ]
    context = {
        "instrument": instrument,
        "shipped": shipped.NAMES,
        "source": publish.IN_FORCE,
        "is_gone": request.method == "POST",
        "typed": typed[:40],
    }
    return page(
        request,
        "bookings/sheets/no_draft.html",
        context,
        status=422 if request.method == "POST" else 200,
    )


@require_POST
@policy("sheet.edit")
def begin_draft(request, slug):
    """POST begins a draft from the version in force or a shipped sheet; a standing one is opened."""
    instrument = get_object_or_404(Instrument, slug=slug)
    source = request.POST.get("source") or publish.IN_FORCE
    try:
        draft = publish.begin(instrument=instrument, by=request.user, source=source)
    except Refused as refusal:
        messages.warning(request, str(refusal))
        return see(request, "bookings:sheets")
    sheet_proof.prove_if_changed(draft)
    return see(request, "bookings:draft", slug)


@require_GET
@policy("sheet.edit")
@on_draft
def draft(request, row):
    """The draft: its steps in order, and beside them the proof."""
    return page(request, "bookings/sheets/draft.html", _draft_context(row))


def _draft_context(row, **more):
    stands = row.proof.get("of") == sheet_proof.model_digest(row.document)
    based = row.based_on.document if row.based_on else None
    edits = list(row.edits.defer("document").select_related("by")[:EDITS_SHOWN])
    return {
        "draft": row,
        "instrument": row.instrument,
        "revision": row.revision,
        "missing": publish.what_is_missing(row),
        "is_proven": sheet_proof.is_proven(row),
        "waits": stands and bool(row.proof.get("waits")),
        "edits": edits,
        "nameless": any(s.reason and s.by is None for s in shipped.standings(row.document)),
        "changed": sheet_words.differences(based, row.document) if based else None,
        **document_context(row.document, row.proof, stands),
        **more,
    }


def _refused(request, row, refusal, template, context, form=None):
    """The page again with the sentence, what the other person changed, and all that was typed."""
    row = publish.draft_of(row.instrument) or row
    context |= {
        "refusal": str(refusal),
        "changes": getattr(refusal, "changes", []),
        "form": form,
        **_proof_context(row),
    }
    return page(request, template, context, status=422)


def _proof_context(row):
    """What stands beside a form: the proof of the draft as it is kept."""
    stands = row.proof.get("of") == sheet_proof.model_digest(row.document)
    return {
        "draft": row,
        "instrument": row.instrument,
        "revision": row.revision,
        "proof": sheet_words.of_proof(row.document, row.proof, stands),
        "is_proven": sheet_proof.is_proven(row),
        "waits": stands and bool(row.proof.get("waits")),
    }


def _edit(request, row, *, form, template, part, change, says, context):
    """Change a part by a form that is good, or show it again with what is to change."""
    if not form.is_valid():
        return page(request, template, context | {"form": form} | _proof_context(row), status=422)
    try:
        row = publish.edit(
            draft=row,
            by=request.user,
            revision=number(request.POST.get("revision")),
            part=part,
            change=change,
            says=says,
        )
    except Refused as refusal:
        return _refused(request, row, refusal, template, context, form)
    sheet_proof.prove_if_changed(row)
    messages.success(request, f"Written down. {says}")
    return see(request, "bookings:draft", row.instrument.slug)


@policy("sheet.edit")
@on_draft
def draft_step(request, row):
    """GET shows one step, or an empty one; POST writes it into the draft."""
    step_id = request.GET.get("step")
    old = drafting.part_of(row.document, ("step", step_id)) if step_id else None
    if step_id and old is None and request.method == "GET":
        raise Http404
    form = SheetStepForm(
        request.POST if request.method == "POST" else None,
        document=row.document,
        row=old or ({"id": step_id} if step_id else None),
        initial={"kind": request.GET.get("kind", "step")} if not step_id else {},
    )
    context = {"step": old, "guards": _guards_of(row, step_id), "part": "step"}
    template = "bookings/sheets/draft_step.html"
    if request.method == "GET":
        return page(request, template, {"form": form} | context | _proof_context(row))
    new = form.as_row() if form.is_valid() else None
    return _edit(
        request,
        row,
        form=form,
        template=template,
        part=("step", new["id"] if new else step_id),
        change=lambda document: drafting.put_step(document, new, form.after_choice),
        says=f"Step: {new['says'] if new else ''}"[:200],
        context=context,
    )


def _guards_of(row, step_id):
    """What each condition of a step keeps away, as far as the kept proof says."""
    return sheet_words.of_proof(row.document, row.proof).guards.get(step_id, [])


@policy("sheet.edit")
@on_draft
def draft_device(request, row):
    """GET shows one device, or an empty one; POST writes it into the draft."""
    name = request.GET.get("device") or None
    if name and name not in row.document["devices"]:
        raise Http404
    form = SheetDeviceForm(
        request.POST if request.method == "POST" else None, document=row.document, name=name
    )
    template, context = "bookings/sheets/draft_device.html", {"device": name, "part": "device"}
    if request.method == "GET":
        return page(request, template, {"form": form} | context | _proof_context(row))
    data = form.cleaned_data if form.is_valid() else {}
    called = name or data.get("name", "")
    return _edit(
        request,
        row,
        form=form,
        template=template,
        part=("device", called),
        change=lambda document: drafting.put_device(
            document, called, data["states"], data["start"], data["rest"]
        ),
        says=f"Device: {sheet_words.word(called)}",
        context=context,
    )


@policy("sheet.edit")
@on_draft
def draft_hazard(request, row):
    """GET shows one hazard, or an empty one; POST writes it into the draft."""
    hazard_id = request.GET.get("hazard") or None
    old = drafting.part_of(row.document, ("hazard", hazard_id)) if hazard_id else None
    if hazard_id and old is None:
        raise Http404
    form = SheetHazardForm(
        request.POST if request.method == "POST" else None, document=row.document, row=old
    )
    template, context = "bookings/sheets/draft_hazard.html", {"hazard": old, "part": "hazard"}
    if request.method == "GET":
        return page(request, template, {"form": form} | context | _proof_context(row))
    new = form.as_row() if form.is_valid() else None
    return _edit(
        request,
        row,
        form=form,
        template=template,
        part=("hazard", new["id"] if new else hazard_id),
        change=lambda document: drafting.put_hazard(document, new),
        says=f"Hazard: {new['says'] if new else ''}"[:200],
        context=context,
    )


@policy("sheet.edit")
@on_draft
def draft_about(request, row):
    """GET shows name, source and cautions; POST writes them into the draft."""
    form = SheetAboutForm(request.POST if request.method == "POST" else None, document=row.document)
    template, context = "bookings/sheets/draft_about.html", {"part": "about"}
    if request.method == "GET":
        return page(request, template, {"form": form} | context | _proof_context(row))
    return _edit(
        request,
        row,
        form=form,
        template=template,
        part=("about",),
        change=lambda document: drafting.put_about(document, **form.values()),
        says="Name, source and cautions",
        context=context,
    )


@policy("sheet.edit")
@on_draft
def draft_text(request, row):
    """GET shows the whole document as JSON; POST writes it into the draft."""
    text = json.dumps(row.document, indent=2, ensure_ascii=False)
    form = SheetTextForm(request.POST if request.method == "POST" else None, initial={"text": text})
    template, context = "bookings/sheets/draft_text.html", {"part": "text"}
    if request.method == "GET":
        return page(request, template, {"form": form} | context | _proof_context(row))
    document = None
    if form.is_valid():
        try:
            document = publish.read_text(form.cleaned_data["text"])
        except Refused as refusal:
            form.add_error("text", str(refusal))
    return _edit(
        request,
        row,
        form=form,
        template=template,
        part=("all",),
        change=lambda _: document,
        says="The whole sheet as text",
        context=context,
    )


REMOVED = {
    "step": "Removed the step",
    "hazard": "Removed the hazard",
    "device": "Removed the device",
}


@require_POST
@policy("sheet.edit")
@on_draft
def change_draft(request, row):
    """POST of the small presses: move, remove, keep, strike out, stand by, take back, put away."""
    slug, instrument = row.instrument.slug, row.instrument
    revision = number(request.POST.get("revision"))
    try:
        gone = _small_change(request, row, revision)
    except Refused as refusal:
        context = _draft_context(
            publish.draft_of(instrument) or row,
            refusal=str(refusal),
            changes=getattr(refusal, "changes", []),
            typed=request.POST,
        )
        return page(request, "bookings/sheets/draft.html", context, status=422)
    if gone:
        messages.success(request, "The draft is put away. The sheet in force stays as it is.")
        return see(request, "bookings:sheets")
    if row := publish.draft_of(instrument):
        sheet_proof.prove_if_changed(row)
    place = request.POST.get("at", "")
    return see(request, _address(slug, place if place in ("steps", "hazards", "devices") else ""))


def _address(slug, anchor):
    return reverse("bookings:draft", args=[slug]) + (f"#{anchor}" if anchor else "")


def _small_change(request, row, revision):
    """Do what one of the small presses says; True where the draft is gone after it."""
    sent = {"draft": row, "by": request.user, "revision": revision}
    do, _, which = request.POST.get("do", "").partition(":")
    if do in ("up", "down"):
        way = -1 if do == "up" else 1
        says = sheet_words.sentence_of(
            drafting.part_of(row.document, ("step", which)) or {"id": which}
        )
        publish.edit(
            **sent,
            part=("order",),
            change=lambda document: drafting.move_step(document, which, way),
            says=f"Moved {do}: {says}",
        )
    elif do in ("remove step", "remove hazard"):
        kind = do.removeprefix("remove ")
        publish.edit(
            **sent,
            part=(kind, which),
            change=lambda document: drafting.remove(document, kind, which),
            says=f"{REMOVED[kind]} {sheet_words.word(which)}",
        )
    elif do == "remove device":
        publish.edit(
            **sent,
            part=("device", which),
            change=lambda document: drafting.remove_device(document, which),
            says=f"{REMOVED['device']} {sheet_words.word(which)}",
        )
    elif do == "keep":
        publish.keep_hazard(**sent, hazard_id=which)
    elif do == "strike":
        publish.strike_out(**sent, hazard_id=which, reason=request.POST.get("reason", "")[:300])
    elif do == "stand by":
        publish.stand_by(**sent)
    elif do == "take back":
        publish.take_back(**sent)
    elif do == "put away":
        publish.put_away(**sent)
        return True
    else:
        raise Refused("Nothing was pressed that this page knows.")
    return False


@policy("sheet.edit")
@on_draft
def prove_draft(request, row):
    """POST works the whole proof out; GET is the page's question whether it has come meanwhile."""
    if request.method == "POST":
        row = sheet_proof.prove(row)
    elif (
        wants_fragment(request)
        and sheet_proof.model_digest(row.document) == row.proof.get("of")
        and row.proof.get("waits")
    ):
        return no_news()
    if not wants_fragment(request):
        return see(request, "bookings:draft", row.instrument.slug)
    row.refresh_from_db()
    return render(request, "bookings/sheets/proof.html", _proof_context(row))


@require_POST
@policy("sheet.edit")
@on_draft
def publish_draft(request, row):
    """POST publishes the draft: it is in force for sessions from now on."""
    try:
        made = publish.publish(
            draft=row,
            by=request.user,
            revision=number(request.POST.get("revision")),
            sentence=request.POST.get("sentence", "")[:1000],
        )
    except Refused as refusal:
        context = _draft_context(row, refusal=str(refusal), typed=request.POST)
        return page(request, "bookings/sheets/draft.html", context, status=422)
    messages.success(
        request,
        f"Version {made.version} is in force for {made.instrument}. Open sessions keep theirs.",
    )
    return see(request, "bookings:sheet", made.pk)
