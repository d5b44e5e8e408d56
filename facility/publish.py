"""Verbs of run sheets: begin a draft, change it, prove it, publish it with its proof.

A published version never changes; sessions keep the version they ran. Of a draft every change is
kept until it is published, so that two people can work on it at once and nothing typed is lost.
"""

import json
import math

from django.db import transaction
from django.utils import timezone

from facility import access, drafting, interlocks, log, sheet_words, shipped
from facility.errors import Refused
from facility.models import Instrument, RunSheet, SheetDraft, SheetEdit
from facility.sheet_proof import digest_of, is_proven, model_digest

MOST_LETTERS = 400_000  # of a document; own proposal, ten times the longest shipped sheet
DEPTH = 12  # of lists and records inside one another; own proposal
KEPT_EDITS = 200  # of a draft, with the document after each; own proposal
IN_FORCE = "in force"


class Overtaken(Refused):
    """Somebody else changed the same part meanwhile: what they made of it, in sentences."""

    def __init__(self, sentence, changes):
        super().__init__(sentence)
        self.changes = changes


# Begin and change


@transaction.atomic
def begin(*, instrument, by, source=IN_FORCE):
    """A draft of the next version, from the one in force or from a shipped sheet.

    A draft that stands already is given back as it is: nobody's work is replaced.
    """
    access.require(by, "sheet.edit")
    instrument = Instrument.objects.select_for_update().get(pk=instrument.pk)
    if standing := SheetDraft.objects.filter(instrument=instrument).first():
        return standing
    base = instrument.sheet if source == IN_FORCE else None
    if source == IN_FORCE:
        if base is None:
            raise Refused(f"{instrument} has no run sheet yet. Begin from a shipped one.")
        document, says = base.document, f"Begun from version {base.version}"
    elif source in shipped.NAMES:
        document, says = shipped.document(source), f"Begun from the shipped sheet “{source}”"
    else:
        raise Refused(f"There is no shipped sheet {source!r}: {', '.join(shipped.NAMES)}.")
    draft = SheetDraft.objects.create(
        instrument=instrument,
        name=str(document.get("name", "Run sheet"))[:80],
        document=document,
        based_on=base,
        begun_by=by,
        begun_at=timezone.now(),
    )
    _keep(draft, by, says)
    return draft


@transaction.atomic
def edit(*, draft, by, revision, part, change, says):
    """Change one part of a draft as it stood at `revision`; what is refused changes nothing.

    Takes:  `change`, a function from a document to a new one; `says`, what changed, in words.
    Raises: Refused where the result is no run sheet; Overtaken where somebody else changed the
            same part meanwhile. A change of another part is let stand beside this one.
    """
    access.require(by, "sheet.edit")
    draft = _locked(draft)
    _refuse_if_overtaken(draft, revision, part)
    document = checked(change(draft.document), before=draft.document, by=by)
    if document == draft.document:
        return draft
    draft.document = document
    draft.name = str(document.get("name") or "Run sheet")[:80]
    draft.revision += 1
    draft.save(update_fields=["document", "name", "revision"])
    _keep(draft, by, says)
    return draft


def draft_of(instrument):
    """The draft of an instrument's next sheet, or None."""
    rows = SheetDraft.objects.filter(instrument=instrument)
    return rows.select_related("instrument", "based_on").first()


def _locked(draft):
    found = SheetDraft.objects.select_for_update().filter(pk=draft.pk).first()
    if found is None:
        raise Refused("This draft was published or put away meanwhile. Begin a new one.")
    return found


def _keep(draft, by, says):
    SheetEdit.objects.create(
        draft=draft,
        revision=draft.revision,
        by=by,
        at=timezone.now(),
        says=says[:200],
        document=draft.document,
    )
    draft.edits.filter(revision__lte=draft.revision - KEPT_EDITS).delete()


def _refuse_if_overtaken(draft, revision, part):
    if revision == draft.revision:
        return
    base = draft.edits.filter(revision=revision).first()
    if base and drafting.part_of(base.document, part) == drafting.part_of(draft.document, part):
        return
    since = draft.edits.filter(revision__gt=revision).select_related("by")
    last = since.first()
    changes = sheet_words.differences(base.document, draft.document) if base else []
    who = f"{last.by} ({last.says})" if last else "somebody"
    raise Overtaken(
        f"Meanwhile {who} changed the same part. What you typed is kept below: look at what "
        "changed, then write yours down again.",
        changes or [row.says for row in since[:10]],
    )


def checked(document, *, before=None, by=None):
    """A document that can be kept and read as a run sheet, or Refused with a sentence."""
    _refuse_unless_storable(document)
    try:
        interlocks.read(document)
    except interlocks.SheetRefused as problem:
        raise Refused(str(problem)) from None
    _refuse_other_keys(document)
    return _with_names(document, before or {}, by)


def read_text(text):
    """The document in a typed JSON text, or Refused with the line and what is wrong there."""
    if len(text) > MOST_LETTERS:
        raise Refused(f"The text has {len(text):,} letters; a run sheet has at most 400,000.")
    try:
        interlocks.read_text(text)
    except interlocks.SheetRefused as problem:
        raise Refused(str(problem)) from None
    return json.loads(text)


def _refuse_unless_storable(value, depth=0):
    """What no database keeps in a document: NUL, half a character, numbers that are none."""
    if depth > DEPTH:
        raise Refused(f"The run sheet is nested more than {DEPTH} deep.")
    if isinstance(value, str):
        if "\x00" in value:
            raise Refused("A text of the run sheet holds a NUL character. Take it out.")
        try:
            value.encode()
        except UnicodeEncodeError:
            raise Refused(
                "A text of the run sheet holds half a character. Type it again."
            ) from None
    elif isinstance(value, float) and not math.isfinite(value):
        raise Refused(f"The run sheet holds {value}, which is not a number.")
    elif isinstance(value, dict):
        for key, row in value.items():
            _refuse_unless_storable(key, depth + 1)
            _refuse_unless_storable(row, depth + 1)
    elif isinstance(value, list):
        for row in value:
            _refuse_unless_storable(row, depth + 1)
    if depth == 0 and len(json.dumps(value, ensure_ascii=False)) > MOST_LETTERS:
        raise Refused("The run sheet is longer than 400,000 letters. Shorten its sentences.")


def _refuse_other_keys(document):
    """What the proof does not read but pages and the tablet do."""
    for key in ("name", "source"):
        if not isinstance(document.get(key, ""), str):
            raise Refused(f"The {key} of the run sheet is not text.")
    cautions = document.get("cautions", [])
    if not (isinstance(cautions, list) and all(isinstance(row, str) for row in cautions)):
        raise Refused("cautions is not a list of sentences.")
    for row in document["steps"]:
        if len(row["id"]) > 60:
            raise Refused(f"The id of step {row['id'][:20]}... has more than 60 letters.")
        if not isinstance(row.get("caution", ""), str):
            raise Refused(f"Step {row['id']}: caution is not text.")
        marks = row.get("marks", [])
        if not (isinstance(marks, list) and all(mark in shipped.MARKS for mark in marks)):
            raise Refused(f"Step {row['id']}: marks are a list of {', '.join(shipped.MARKS)}.")
        asks = row.get("asks", [])
        if not (isinstance(asks, list) and all(isinstance(ask, str) for ask in asks)):
            raise Refused(f"Step {row['id']}: asks is not a list of words.")
    for row in document.get("never", []):
        if not isinstance(row.get("says", ""), str):
            raise Refused(f"Hazard {row['id']}: says is not text.")


def _with_names(document, before, by):
    """Strikes carry who made them: one that is new or reads otherwise is the editor's own."""
    struck = document.get("struck_out", {})
    if not isinstance(struck, dict):
        raise Refused("struck_out is not an object of hazards and reasons.")
    if not struck:
        return document
    was = before.get("struck_out", {}) if isinstance(before.get("struck_out", {}), dict) else {}
    named = {}
    for name, row in struck.items():
        if isinstance(row, str) or row == was.get(name):
            named[name] = row
            continue
        if not (isinstance(row, dict) and isinstance(row.get("reason"), str)):
            raise Refused(f"struck_out gives {name} no reason. Write a sentence.")
        named[name] = {"reason": row["reason"], "by": by.pk if by else None}
    return document | {"struck_out": named}


@transaction.atomic
def take_back(*, draft, by, revision):
    """The draft as it was before its last change; once more brings that change back."""
    access.require(by, "sheet.edit")
    draft = _locked(draft)
    if revision != draft.revision:
        raise Refused("Somebody changed the draft meanwhile; look at it first.")
    before = draft.edits.filter(revision=draft.revision - 1).first()
    if before is None:
        raise Refused("There is no change to take back.")
    last = draft.edits.get(revision=draft.revision)
    return edit(
        draft=draft,
        by=by,
        revision=revision,
        part=("all",),
        change=lambda _: before.document,
        says=f"Took back: {last.says}",
    )


@transaction.atomic
def put_away(*, draft, by, revision):
    """The draft goes; the version in force stays. Its end stands in the instrument's log."""
    access.require(by, "sheet.edit")
    draft = _locked(draft)
    if revision != draft.revision:
        raise Refused("Somebody changed the draft meanwhile; look at it first.")
    log.write(
        log=draft.instrument.log,
        kind="sheet draft put away",
        by=by,
        data={
            "name": draft.name,
            "changes": draft.revision - 1,
            "digest": digest_of(draft.document),
        },
    )
    draft.delete()


# Hazards


def strike_out(*, draft, by, revision, hazard_id, reason):
    """Strike a shipped hazard out by name: this instrument cannot reach it, and why."""
    known = {row["id"]: row for row in shipped.hazards()}
    if hazard_id not in known:
        raise Refused(f"No shipped hazard is called {hazard_id}.")
    if len(reason.strip()) < 10:
        raise Refused("Say in a sentence why this instrument cannot come into this hazard.")
    return edit(
        draft=draft,
        by=by,
        revision=revision,
        part=("struck out", hazard_id),
        change=lambda document: drafting.strike_out(document, hazard_id, reason.strip(), by.pk),
        says=f"Struck out: {known[hazard_id]['says']}",
    )


def stand_by(*, draft, by, revision):
    """Put one's name to the reasons that came with a shipped sheet."""

    def change(document):
        struck = {
            name: {"reason": row, "by": by.pk} if isinstance(row, str) else row
            for name, row in document.get("struck_out", {}).items()
        }
        return document | {"struck_out": struck}

    return edit(
        draft=draft,
        by=by,
        revision=revision,
        part=("all",),
        change=change,
        says="Stood by the reasons of the shipped sheet",
    )


def keep_hazard(*, draft, by, revision, hazard_id):
    """Exclude a shipped hazard, as it is shipped; it is no longer struck out."""
    row = next((row for row in shipped.hazards() if row["id"] == hazard_id), None)
    if row is None:
        raise Refused(f"No shipped hazard is called {hazard_id}.")
    if row["kept_by"] == "rest":
        device, listed = next(iter(row["when"].items()))
        raise Refused(
            f"“{row['says']}” is kept by what counts as rest: take {sheet_words.states(listed)} out "
            f"of the states at rest of the device {sheet_words.word(device)}."
        )
    new = {"id": row["id"], "when": row["when"], "why": row["why"]}
    return edit(
        draft=draft,
        by=by,
        revision=revision,
        part=("hazard", hazard_id),
        change=lambda document: drafting.put_hazard(document, new),
        says=f"Kept: {row['says']}",
    )


# Publish


def what_is_missing(draft):
    """Every sentence that stands between a draft and its publication; empty: it may go."""
    proof, found = draft.proof, []
    if proof.get("of") != model_digest(draft.document) or "safe" not in proof:
        found.append(
            proof.get("refused") or proof.get("waits") or "It is not proven yet: prove it."
        )
    elif not is_proven(draft):
        found.append("It is not wholly proven yet: prove it.")
    else:
        found += _unsafe(proof)
    found += [
        f"Keep it or strike it out with your reason: {row.says}"
        for row in shipped.unsettled(draft.document)
    ]
    if not any(row.get("kind", "step") == "step" for row in draft.document["steps"]):
        found.append("It has no steps.")
    return found


def _unsafe(proof):
    lost = proof["with_anything_lost"]
    if not proof["safe"]:
        yield "It is not safe: see the shortest way to damage."
    elif lost.get("safe") is False:
        yield "It is not safe where a device is lost: see the shortest way to damage."
    stuck = proof["states_with_no_way_to_rest"] or lost.get("states_with_no_way_to_rest", 0)
    if stuck:
        yield f"From {sheet_words.count(stuck, 'state')} no way leads to rest."


@transaction.atomic
def publish(*, draft, by, revision, sentence=""):
    """The draft becomes the next version, in force for sessions from now on.

    Raises: Refused with all that is missing; the version, its proof and who published it stand in
            the instrument's log.
    """
    access.require(by, "sheet.edit")
    instrument = Instrument.objects.select_for_update().get(pk=draft.instrument_id)
    draft = _locked(draft)
    if revision != draft.revision:
        raise Refused("Somebody changed the draft meanwhile; look at it first.")
    if missing := what_is_missing(draft):
        raise Refused("Not published yet. " + " ".join(missing))
    newest = RunSheet.objects.filter(instrument=instrument).order_by("-version").first()
    sheet = RunSheet.objects.create(
        name=draft.name,
        instrument=instrument,
        version=newest.version + 1 if newest else 1,
        document=draft.document,
        proof=draft.proof,
        published_at=timezone.now(),
        published_by=by,
    )
    lost = draft.proof["with_anything_lost"]
    log.write(
        log=instrument.log,
        kind="sheet published",
        by=by,
        data={
            "sheet": sheet.pk,
            "name": sheet.name,
            "version": sheet.version,
            "digest": digest_of(sheet.document),
            "states": draft.proof["states"],
            "states_with_anything_lost": lost.get("states"),
            "hazards": [row["id"] for row in sheet.document.get("never", [])],
            "struck_out": sheet.document.get("struck_out", {}),
            "says": sentence.strip(),
        },
        happened_at=sheet.published_at,
    )
    instrument.sheet = sheet
    instrument.save(update_fields=["sheet"])
    draft.delete()
    return sheet
