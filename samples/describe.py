"""Verbs that describe samples: one, the same again, many from a table."""

import uuid
from datetime import date

from django.db import transaction
from django.utils import timezone

from facility import access
from facility.errors import Refused
from samples.codes import new_code
from samples.models import Sample, SampleCorrection

COPIED = (
    "form", "composition", "wants", "shape", "diameter_mm", "width_mm", "height_mm",
    "thickness_mm", "mass_mg", "surface_m2_g", "max_temperature_c", "hazards", "plans", "history",
    "confidential",
)  # fmt: skip


@transaction.atomic
def describe(*, by, sent_id=None, **fields):
    """A new sample of `by`, or the one that the same `sent_id` made before."""
    if sent_id and (before := Sample.objects.filter(sent_id=sent_id).first()):
        return before
    return Sample.objects.create(
        code=_unused_code(),
        owner=by,
        group=by.group,
        declared_at=timezone.now(),
        sent_id=sent_id,
        **fields,
    )


def _unused_code():
    """A code nobody has; the chance of drawing a used one is small and not zero."""
    while True:
        code = new_code("S")
        if not Sample.objects.filter(code=code).exists():
            return code


def again(*, like, by, sent_id=None, title=""):
    """A sample brought along undeclared, the same as one described before; marked so."""
    return describe(
        by=by,
        sent_id=sent_id,
        title=title.strip()[:80] or _next_title(like, by),
        declared_before_arrival=False,
        **{name: getattr(like, name) for name in COPIED},
    )


def _next_title(like, by):
    """The title with a number behind it that is not taken: a person tells the two apart by it."""
    taken = set(Sample.objects.of(by).titled(like.title[:70]).values_list("title", flat=True))
    return next(
        title
        for n in range(2, 1000)
        if (title := f"{like.title[:70]} ({n})") not in taken or n == 999
    )


def copied(sample):
    """What a form starts with when a sample is described like another."""
    return {name: getattr(sample, name) for name in COPIED} | {"title": sample.title}


@transaction.atomic
def describe_many(*, rows, by, sent_id):
    """Several samples at once, each once however often the same table is sent.

    Takes: rows, {line: fields}; the line makes each one's own id.
    """
    if not rows:
        raise Refused("No line of the table can be kept. Look at the lines named below.")
    return [
        describe(by=by, sent_id=uuid.uuid5(sent_id, str(line)), **fields)
        for line, fields in rows.items()
    ]


@transaction.atomic
def correct(*, sample, by, why, **fields):
    """Correct a description: the values before stay, with who, when and why. Returns the row or None."""
    access.require_or_404(by, "sample.see", sample)
    sample = Sample.objects.select_for_update().get(pk=sample.pk)
    changed = {
        name: [_as_json(getattr(sample, name)), _as_json(value)]
        for name, value in fields.items()
        if getattr(sample, name) != value
    }
    if not changed:
        return None
    if not why.strip():
        raise Refused("Write why it is corrected: the values before stay beside it.")
    for name in changed:
        setattr(sample, name, fields[name])
    sample.save(update_fields=list(changed))
    return SampleCorrection.objects.create(
        sample=sample, at=timezone.now(), by=by, why=why.strip()[:200], changed=changed
    )


def _as_json(value):
    return value.isoformat() if isinstance(value, date) else value


def overdue(sample, today=None):
    """Whether it should have left by now."""
    return bool(
        sample.keep_until
        and not sample.gone_at
        and sample.keep_until < (today or timezone.localdate())
    )
