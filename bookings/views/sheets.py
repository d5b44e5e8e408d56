"""Run sheets: versions of each instrument, the rehearsal, the paper, and the editor with its proof."""

import json

from django.contrib import messages
from django.http import Http404
from django.shortcuts import get_object_or_404, render
from django.urls import reverse
from django.views.decorators.http import require_GET, require_POST

from bookings import rehearsal
from bookings.forms_sheets import (
    SheetAboutForm,
    SheetDeviceForm,
    SheetHazardForm,
    SheetStepForm,
    SheetTextForm,
)
from facility import drafting, interlocks, publish, sheet_words, shipped
from facility.access import may, policy
from facility.errors import Refused
from facility.htmx import no_news, page, see, wants_fragment
from facility.models import Gauge, Instrument, Person, RunSheet, SheetDraft

SHOWN = 8  # versions of an instrument on the list; the rest one press away
EDITS_SHOWN = 12


def _number(text):
    """A whole number of a form, 0 for anything else."""
    return int(text) if text and text.isascii() and text.isdigit() and len(text) < 9 else 0


# For everyone


@require_GET
@policy("sheet.see")
def sheets(request):
    """Every instrument with its versions: who, when, and the proof in words."""
    most = None if "all" in request.GET else SHOWN
    edits = may(request.user, "sheet.edit")
    drafts = {row.instrument_id: row for row in SheetDraft.objects.all()} if edits else {}
    context = {
        "instruments": [
            _versions(row, drafts.get(row.pk), most) for row in Instrument.objects.all()
        ],
        "edits": edits,
        "shipped": shipped.NAMES,
        "source": publish.IN_FORCE,
    }
    return page(request, "bookings/sheets/sheets.html", context)


def _versions(instrument, draft, most):
    rows = RunSheet.objects.filter(instrument=instrument).exclude(published_at=None)
    rows = list(rows.select_related("published_by")[: most + 1 if most else None])
    listed = rows[:most] if most else rows
    return {
        "instrument": instrument,
        "draft": draft,
        "more": len(rows) > len(listed),
        "versions": [
            {
                "sheet": row,
                "proof": sheet_words.safe_against(row.document, row.proof),
                "is_safe": row.proof.get("safe"),
                "in_force": row.pk == instrument.sheet_id,
            }
            for row in listed
        ],
    }


def _sheet(pk):
    rows = RunSheet.objects.select_related("instrument__log", "published_by")
    return get_object_or_404(rows.exclude(published_at=None), pk=pk)


@require_GET
@policy("sheet.see")
def sheet(request, pk):
    """One version to read: steps, devices, hazards, and its proof."""
    row = _sheet(pk)
    others = RunSheet.objects.filter(instrument=row.instrument).exclude(pk=row.pk)
    context = {
        "sheet": row,
        "in_force": row.pk == row.instrument.sheet_id,
        "digest": publish.digest_of(row.document),
        "others": others.exclude(published_at=None).only("pk", "version", "instrument")[:SHOWN],
        **_document_context(row.document, row.proof),
    }
    return page(request, "bookings/sheets/sheet.html", context)


def _document_context(document, proof, stands=True):
    """A document as its pages show it."""
    standings = shipped.standings(document)
    people = Person.objects.in_bulk([row.by for row in standings if isinstance(row.by, int)])
    known = {row.id for row in standings}
    return {
        "document": document,
        "proof": sheet_words.of_proof(document, proof, stands),
        "groups": _groups(document),
        "devices": [
            {
                "name": name,
                "states": states,
                "start": document["start"][name],
                "rest": document.get("rest", {}).get(name),
            }
            for name, states in document["devices"].items()
        ],
        "standings": [{"row": row, "by": people.get(row.by)} for row in standings],
        "own_hazards": [
            {"row": row, "says": shipped.says_of(row)}
            for row in document.get("never", [])
            if row["id"] not in known
        ],
    }


GROUPS = (
    ("step", "Steps", "in their order"),
    ("look", "Looks", "each leaves a state that is not known"),
    ("event", "Events", "what the world does"),
)


def _groups(document):
    found = []
    for kind, title, pencil in GROUPS:
        rows = [row for row in document["steps"] if row.get("kind", "step") == kind]
        lines = [
            {
                "row": row,
                "number": number,
                "says": sheet_words.sentence_of(row),
                "needs": sheet_words.condition(row.get("requires")),
                "sets": sheet_words.condition(row.get("sets")),
            }
            for number, row in enumerate(rows, 1)
        ]
        found.append({"kind": kind, "title": title, "pencil": pencil, "lines": lines})
    return found


@require_GET
@policy("sheet.see")
def compare_sheets(request, slug):
    """Two versions of an instrument's sheet: what is otherwise in the newer one, in sentences."""
    instrument = get_object_or_404(Instrument, slug=slug)
    versions = RunSheet.objects.filter(instrument=instrument).exclude(published_at=None)
    numbers = list(versions.values_list("version", flat=True)[:60])
    new, new_name = _chosen(request, instrument, versions, request.GET.get("new", ""))
    old, old_name = _chosen(request, instrument, versions, request.GET.get("old", ""), back=1)
    context = {
        "instrument": instrument,
        "numbers": numbers,
        "old_name": old_name,
        "new_name": new_name,
        "draft": may(request.user, "sheet.edit")
        and SheetDraft.objects.filter(instrument=instrument).exists(),
        "chosen": {"old": request.GET.get("old", ""), "new": request.GET.get("new", "")},
        "differences": sheet_words.differences(old, new) if old and new else [],
        "can": bool(old and new),
    }
    return page(request, "bookings/sheets/compare.html", context)


def _chosen(request, instrument, versions, text, back=0):
    """(document, its name): the version asked for, the draft for staff, else the newest but `back`."""
    if text == "draft" and may(request.user, "sheet.edit"):
        draft = SheetDraft.objects.filter(instrument=instrument).first()
        return (draft.document, "the draft") if draft else (None, "")
    row = versions.filter(version=_number(text)).first() if _number(text) else None
    row = row or next(iter(versions[back : back + 1]), None)
    return (row.document, f"version {row.version}") if row else (None, "")


@policy("sheet.see")
def rehearse(request, pk):
    """The sheet on a pretend instrument: nothing is recorded, wrong orders show their damage."""
    row = _sheet(pk)
    model = interlocks.read(row.document)
    kept = rehearsal.held(request, row, model)
    if request.method == "POST":
        if new := _rehearsed(request.POST, model, kept):
            rehearsal.keep(request, row, new)
        return see(request, "bookings:rehearse", row.pk)
    context = {"sheet": row, "kept": kept, **rehearsal.shown(model, row.document, kept)}
    return page(request, "bookings/sheets/rehearse.html", context)


def _rehearsed(sent, model, kept):
    """The rehearsal after what was pressed, None where that is nothing of this sheet."""
    if "start" in sent:
        return rehearsal.fresh(model, unknown=sent["start"] == rehearsal.UNKNOWN)
    if "step" in sent:
        return rehearsal.take(model, kept, sent["step"])
    device, _, state = sent.get("what", "").partition("=")
    return rehearsal.report(model, kept, device, state)


@require_GET
@policy("sheet.see")
def sheet_paper(request, pk):
    """The sheet to print and keep beside the instrument for when nothing else works."""
    row = _sheet(pk)
    gauges = Gauge.objects.filter(chamber__instrument=row.instrument).select_related("chamber")
    context = {
        "sheet": row,
        "instrument": row.instrument,
        "head": row.instrument.log.head if row.instrument.log else "",
        "gauges": gauges,
        "lines": range(14),
        **_document_context(row.document, row.proof),
    }
    return page(request, "bookings/sheets/paper.html", context)


# For staff: the draft


def _draft(slug):
    rows = SheetDraft.objects.select_related("instrument__log", "instrument__sheet", "based_on")
    return get_object_or_404(rows, instrument__slug=slug)


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
    publish.prove_if_changed(draft)
    return see(request, "bookings:draft", slug)


@require_GET
@policy("sheet.edit")
def draft(request, slug):
    """The draft: its steps in order, and beside them the proof."""
    instrument = get_object_or_404(Instrument.objects.select_related("sheet"), slug=slug)
    row = SheetDraft.objects.filter(instrument=instrument).select_related("based_on").first()
    if row is None:
        context = {
            "instrument": instrument,
            "shipped": shipped.NAMES,
            "source": publish.IN_FORCE,
        }
        return page(request, "bookings/sheets/no_draft.html", context)
    return page(request, "bookings/sheets/draft.html", _draft_context(row))


def _draft_context(row, **more):
    stands = row.proof.get("of") == publish.model_digest(row.document)
    based = row.based_on.document if row.based_on else None
    edits = list(row.edits.defer("document").select_related("by")[:EDITS_SHOWN])
    return {
        "draft": row,
        "instrument": row.instrument,
        "revision": row.revision,
        "missing": publish.what_is_missing(row),
        "is_proven": publish.is_proven(row),
        "waits": stands and bool(row.proof.get("waits")),
        "edits": edits,
        "nameless": any(s.reason and s.by is None for s in shipped.standings(row.document)),
        "changed": sheet_words.differences(based, row.document) if based else None,
        **_document_context(row.document, row.proof, stands),
        **more,
    }


def _refused(request, row, refusal, template, context, form=None):
    """The page again with the sentence, what the other person changed, and all that was typed."""
    row = SheetDraft.objects.filter(pk=row.pk).select_related("instrument").first() or row
    context |= {
        "refusal": str(refusal),
        "changes": getattr(refusal, "changes", []),
        "form": form,
        **_proof_context(row),
    }
    return page(request, template, context, status=422)


def _proof_context(row):
    """What stands beside a form: the proof of the draft as it is kept."""
    stands = row.proof.get("of") == publish.model_digest(row.document)
    return {
        "draft": row,
        "instrument": row.instrument,
        "revision": row.revision,
        "proof": sheet_words.of_proof(row.document, row.proof, stands),
        "is_proven": publish.is_proven(row),
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
            revision=_number(request.POST.get("revision")),
            part=part,
            change=change,
            says=says,
        )
    except Refused as refusal:
        return _refused(request, row, refusal, template, context, form)
    publish.prove_if_changed(row)
    messages.success(request, f"Written down. {says}")
    return see(request, "bookings:draft", row.instrument.slug)


@policy("sheet.edit")
def draft_step(request, slug):
    """GET shows one step, or an empty one; POST writes it into the draft."""
    row = _draft(slug)
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
def draft_device(request, slug):
    """GET shows one device, or an empty one; POST writes it into the draft."""
    row = _draft(slug)
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
def draft_hazard(request, slug):
    """GET shows one hazard, or an empty one; POST writes it into the draft."""
    row = _draft(slug)
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
def draft_about(request, slug):
    """GET shows name, source and cautions; POST writes them into the draft."""
    row = _draft(slug)
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
def draft_text(request, slug):
    """GET shows the whole document as JSON; POST writes it into the draft."""
    row = _draft(slug)
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
def change_draft(request, slug):
    """POST of the small presses: move, remove, keep, strike out, stand by, take back, put away."""
    row = _draft(slug)
    revision = _number(request.POST.get("revision"))
    try:
        gone = _small_change(request, row, revision)
    except Refused as refusal:
        context = _draft_context(
            SheetDraft.objects.filter(pk=row.pk).select_related("instrument", "based_on").first()
            or row,
            refusal=str(refusal),
            changes=getattr(refusal, "changes", []),
            typed=request.POST,
        )
        return page(request, "bookings/sheets/draft.html", context, status=422)
    if gone:
        messages.success(request, "The draft is put away. The sheet in force stays as it is.")
        return see(request, "bookings:sheets")
    if row := SheetDraft.objects.filter(pk=row.pk).first():
        publish.prove_if_changed(row)
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
def prove_draft(request, slug):
    """POST works the whole proof out; GET is the page's question whether it has come meanwhile."""
    row = _draft(slug)
    if request.method == "POST":
        row = publish.prove(row)
    elif (
        wants_fragment(request)
        and publish.model_digest(row.document) == row.proof.get("of")
        and row.proof.get("waits")
    ):
        return no_news()
    if not wants_fragment(request):
        return see(request, "bookings:draft", slug)
    row.refresh_from_db()
    return render(request, "bookings/sheets/proof.html", _proof_context(row))


@require_POST
@policy("sheet.edit")
def publish_draft(request, slug):
    """POST publishes the draft: it is in force for sessions from now on."""
    row = _draft(slug)
    try:
        made = publish.publish(
            draft=row,
            by=request.user,
            revision=_number(request.POST.get("revision")),
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
