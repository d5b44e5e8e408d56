"""Run sheets to read: the versions of each instrument, the rehearsal, the paper."""

from django.shortcuts import get_object_or_404
from django.views.decorators.http import require_GET

from bookings import late, rehearsal
from facility import interlocks, publish, sheet_proof, sheet_words, shipped
from facility.access import may, policy
from facility.htmx import page, see
from facility.models import Instrument, Person, RunSheet, SheetDraft

SHOWN = 8  # versions of an instrument on the list; the rest one press away


def number(text):
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
    rows = RunSheet.objects.of(instrument)
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
    rows = RunSheet.objects.published().select_related("instrument__log", "published_by")
    return get_object_or_404(rows, pk=pk)


@require_GET
@policy("sheet.see")
def sheet(request, pk):
    """One version to read: steps, devices, hazards, and its proof."""
    row = _sheet(pk)
    others = RunSheet.objects.of(row.instrument).exclude(pk=row.pk)
    context = {
        "sheet": row,
        "in_force": row.pk == row.instrument.sheet_id,
        "digest": sheet_proof.digest_of(row.document),
        "others": others.only("pk", "version", "instrument")[:SHOWN],
        **document_context(row.document, row.proof),
    }
    return page(request, "bookings/sheets/sheet.html", context)


def document_context(document, proof, stands=True):
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
    versions = RunSheet.objects.of(instrument)
    numbers = list(versions.values_list("version", flat=True)[:60])
    new, new_name = _chosen(request, instrument, versions, request.GET.get("new", ""))
    old, old_name = _chosen(request, instrument, versions, request.GET.get("old", ""), back=1)
    context = {
        "instrument": instrument,
        "numbers": numbers,
        "old_name": old_name,
        "new_name": new_name,
        "draft": may(request.user, "sheet.edit") and publish.draft_of(instrument) is not None,
        "chosen": {"old": request.GET.get("old", ""), "new": request.GET.get("new", "")},
        "differences": sheet_words.differences(old, new) if old and new else [],
        "can": bool(old and new),
    }
    return page(request, "bookings/sheets/compare.html", context)


def _chosen(request, instrument, versions, text, back=0):
    """(document, its name): the version asked for, the draft for staff, else the newest but `back`."""
    if text == "draft" and may(request.user, "sheet.edit"):
        draft = publish.draft_of(instrument)
        return (draft.document, "the draft") if draft else (None, "")
    row = next((v for v in versions if v.version == number(text)), None)
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
    context = {
        "sheet": row,
        "instrument": row.instrument,
        "head": row.instrument.log.head if row.instrument.log else "",
        "gauges": late.gauges_of(row.instrument),
        "lines": range(14),
        **document_context(row.document, row.proof),
    }
    return page(request, "bookings/sheets/paper.html", context)
