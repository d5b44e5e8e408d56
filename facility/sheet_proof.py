"""The proof of a draft: worked out beside the editor, kept with the document that it is of."""

from django.db import transaction

from facility import interlocks, log, statespace
from facility.management.commands.prove import as_json
from facility.models import SheetDraft

AT_ONCE = 750_000
"""States that are walked while somebody waits; own proposal: under 2 s on two quiet cores, and the
shipped sheets with any device lost (581,568 states) stay below. What has more is proven by tick."""
WAITS = (
    "More than {most:,} states: the proof is worked out in the background and shows here within a "
    "few minutes."
)


def digest_of(document):
    """SHA-256 of a document, whichever database kept it."""
    return log.sha256(log.canonical(document))


def model_digest(document):
    """SHA-256 of what a proof depends on: a sentence may change without a new proof."""
    model = {
        "devices": document["devices"],
        "start": document["start"],
        "rest": document.get("rest", {}),
        "steps": [
            [row["id"], row.get("kind", "step"), row.get("requires", {}), row.get("sets", {})]
            for row in document["steps"]
        ],
        "never": [[row["id"], row["when"]] for row in document.get("never", [])],
    }
    return digest_of(model)


def proof_of(document, *, most=AT_ONCE, whole=True):
    """The proof of a document as it is kept; one that is not `whole` is quick and stands beside edits.

    A whole one also says what each condition keeps away, and what holds with any device lost at
    any moment. Above `most` states it says that it waits, above 2^21 that it is refused.
    """
    sheet = interlocks.read(document)
    kept = {"of": model_digest(document)}
    is_last_try = most >= statespace.MOST_STATES
    try:
        kept |= _with_conditions(sheet, most) if whole else as_json(_proof(sheet, most))
        if whole:
            kept["with_anything_lost"] = _with_anything_lost(sheet, most)
    except interlocks.TooLarge as problem:
        return kept | ({"refused": str(problem)} if is_last_try else _waits(sheet, most))
    return kept


def _proof(sheet, most, **more):
    return interlocks.prove(sheet, most=most, **more)


def _with_conditions(sheet, most):
    """The plain proof with what each condition keeps away; those alone may be too large to walk."""
    try:
        return as_json(_proof(sheet, most, conditions=True))
    except interlocks.TooLarge as problem:
        if most < statespace.MOST_STATES:
            raise
        plain = as_json(_proof(sheet, most))
        return plain | {"conditions": [], "conditions_refused": str(problem)}


def _with_anything_lost(sheet, most):
    """The proof with any device lost at any moment; it alone may be too large to walk."""
    try:
        return as_json(_proof(interlocks.with_anything_lost(sheet), most))
    except interlocks.TooLarge as problem:
        if most < statespace.MOST_STATES:
            raise
        return {"refused": str(problem)}


def _waits(sheet, most):
    """What can be said at once, and that the rest is worked out in the background."""
    try:
        plain = as_json(_proof(sheet, most))
    except interlocks.TooLarge:
        plain = {}
    return plain | {"waits": WAITS.format(most=most)}


def is_proven(draft):
    """Whether the kept proof is whole and of the draft as it stands."""
    proof = draft.proof
    return (
        proof.get("of") == model_digest(draft.document)
        and "conditions" in proof
        and bool(proof.get("with_anything_lost"))
    )


def prove(draft, *, most=AT_ONCE, whole=True):
    """Work the proof out and keep it, unless the draft changed meanwhile."""
    proof = proof_of(draft.document, most=most, whole=whole)
    with transaction.atomic():
        found = SheetDraft.objects.select_for_update().filter(pk=draft.pk).first()
        if found is None or model_digest(found.document) != proof["of"]:
            return draft
        if found.proof.get("of") == proof["of"] and is_proven(found):
            return found  # somebody proved the same meanwhile
        found.proof = proof
        found.save(update_fields=["proof"])
    return found


def prove_if_changed(draft):
    """The quick proof beside an edit, where the last edit touched what a proof depends on."""
    if draft.proof.get("of") == model_digest(draft.document):
        return draft
    return prove(draft, whole=False)


def prove_waiting():
    """Prove the drafts that were too large to be proven at once; for tick, outside its lock."""
    count = 0
    for draft in SheetDraft.objects.all():
        if draft.proof.get("waits"):
            prove(draft, most=statespace.MOST_STATES)
            count += 1
    return count
