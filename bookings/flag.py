"""Verbs of flags: a finding that waits for staff, asked once, answered with one press."""

from datetime import date

from django.db import transaction
from django.utils import timezone

from bookings.models import Flag
from facility import log
from facility.errors import Refused
from facility.findings import NOTE, STAFF, STOP, rank

NEEDS_A_SENTENCE = (STAFF, STOP)


def key_of(finding, about):
    """What makes two findings the same one: the rule and what it is about."""
    return f"{finding.rule}|{'|'.join(str(part) for part in about)}"[:120]


@transaction.atomic
def raise_for_holder(*, holder, mounts, findings):
    """Bring the waiting flags of a holder in line with what its rules find now.

    A new finding of `warn` or graver becomes a flag, the same finding is asked once, and a waiting
    flag whose cause is gone clears by itself. A note stays on the page.
    """
    by_id = {f"p{mount.position}": mount for mount in mounts}
    found = {}
    for finding in findings:
        if rank(finding.severity) <= rank(NOTE):
            continue
        about = sorted(by_id[name].pk for name in finding.about if name in by_id)
        found[key_of(finding, about or [f"holder {holder.pk}"])] = finding
    now = timezone.now()
    standing = {
        flag.key: flag
        for flag in Flag.objects.filter(holder=holder, cleared_at=None, load=None, answer="")
    }
    for key, flag in standing.items():
        if key not in found:
            flag.cleared_at = now
            flag.save(update_fields=["cleared_at"])
    raised = []
    for key, finding in found.items():
        if key in standing:
            continue
        mount = next((by_id[name] for name in finding.about if name in by_id), None)
        row, new = Flag.objects.get_or_create(
            key=key,
            defaults={
                "rule": finding.rule,
                "severity": finding.severity,
                "says": finding.says[:300],
                "do": finding.do[:300],
                "source": finding.source[:300],
                "evidence": {
                    "value": finding.value,
                    "limit": finding.limit,
                    "unit": finding.unit,
                },
                "holder": holder,
                "mount": mount,
                "raised_at": now,
            },
        )
        if not new and row.cleared_at and not row.answer:
            row.cleared_at = None
            row.save(update_fields=["cleared_at"])
        raised.append(row)
    return raised


WHAT_TO_DO = {
    "leak": "Isolate the introduction chamber and read its rise for ten minutes: a steady rise is a leak.",
    "outgassing": "Nothing is broken: give it time, or pump such loads overnight. A fresh reading below the threshold is enough.",
    "slow_pump": "Look at pump speed, backing pressure and valve; a rise test tells it from a leak.",
    "gauge": "Compare with the other gauge; look when it was last cleaned.",
}


@transaction.atomic
def raise_for_pumpdown(*, pumpdown, found):
    """One flag for an unusual pump-down; it clears by itself where it turns out as usual."""
    key = f"pump-down|{pumpdown.pk}"
    standing = Flag.objects.filter(key=key).first()
    if found is None or not found.unusual:
        if standing and not standing.answer and not standing.cleared_at:
            standing.cleared_at = timezone.now()
            standing.save(update_fields=["cleared_at"])
        return None
    if standing:
        return standing
    instrument = pumpdown.chamber.instrument
    return Flag.objects.create(
        key=key,
        rule="PMP-01",
        severity="warn",
        says=f"{instrument}: {found.says}"[:300],
        do=WHAT_TO_DO.get(found.cause, "Look at the curve."),
        source="against this instrument's own past pump-downs",
        evidence={
            "pumpdown": pumpdown.pk,
            "score": round(float(found.score), 2),
            "cause": found.cause,
            "second_cause": found.second_cause,
        },
        instrument=instrument,
        holder=pumpdown.load.holder if pumpdown.load else None,
        load=pumpdown.load,
        raised_at=timezone.now(),
    )


@transaction.atomic
def answer(*, flag, by, answer, sentence="", watch_until=None):
    """Answer a flag: seen, fixed, watched until, not real. Staff and stop need a sentence."""
    flag = Flag.objects.select_for_update().select_related("instrument__log").get(pk=flag.pk)
    sentence = sentence.strip()
    if flag.answer:
        if (flag.answer, flag.answered_by_id, flag.sentence) == (answer, by.pk, sentence):
            return flag
        raise Refused(
            f"{flag.answered_by} answered this {flag.get_answer_display()} at "
            f"{timezone.localtime(flag.answered_at):%d %b %H:%M}."
        )
    if answer not in Flag.Answer.values:
        raise Refused("Press one of: seen, fixed, watch until, not real.")
    if flag.severity in NEEDS_A_SENTENCE and not sentence:
        raise Refused("Write a sentence with this answer: the next person reads it.")
    if answer == Flag.Answer.WATCHED and (not watch_until or watch_until <= date.today()):
        raise Refused("Say until which day this is watched; it must be after today.")
    flag.answer, flag.sentence, flag.watch_until = answer, sentence, watch_until
    flag.answered_by, flag.answered_at = by, timezone.now()
    flag.save()
    if flag.instrument:
        log.write(
            log=flag.instrument.log,
            kind="flag answered",
            by=by,
            data={
                "flag": flag.pk,
                "rule": flag.rule,
                "severity": flag.severity,
                "answer": answer,
                "sentence": sentence,
            },
        )
    return flag
