"""Verbs of flags: a finding that waits for staff, asked once, answered with one press."""

from django.db import transaction
from django.utils import timezone

from bookings.models import Flag
from facility import access, log
from facility.errors import Refused
from facility.findings import NOTE, STAFF, STOP, rank
from samples.risks.registry import RULES

NEEDS_A_SENTENCE = (STAFF, STOP)


def key_of(finding, about):
    """What makes two findings the same one: the rule and what it is about."""
    return f"{finding.rule}|{'|'.join(str(part) for part in about)}"[:120]


WHOLE_HOLDER = ("MEM-01", "MEM-02", "HGT-01", "HGT-02")  # about the holder, whatever lies on it


OF_THE_SAMPLE = ("VOL", "OUT", "HAZ", "BEM", "OVL", "MNT")  # asked once a sample, not once a mount


def keys_of(holder, mounts, findings):
    """(key, finding) of every finding of `warn` or graver; the same key once, its gravest finding."""
    by_id = {f"p{mount.position}": mount for mount in mounts}
    found = {}
    for finding in sorted(findings, key=lambda one: -one.rank):
        if finding.rank > rank(NOTE):
            found.setdefault(key_of(finding, _about(finding, by_id, holder)), finding)
    return list(found.items())


def _about(finding, by_id, holder):
    """What a finding is about, as its flag remembers it."""
    mounts = [by_id[name] for name in finding.about if name in by_id]
    if finding.rule in WHOLE_HOLDER or not mounts:
        # since what stands on it: the next load of the holder asks anew
        return [f"holder {holder.pk}", min((mount.pk for mount in by_id.values()), default=0)]
    if len(mounts) == 1 and finding.rule.split("-")[0] in OF_THE_SAMPLE:
        held = [mounts[0].mounting] if finding.rule.startswith("MNT") else []
        return [f"sample {mounts[0].sample_id}", *held]
    return sorted(mount.pk for mount in mounts)


def of_holder(holder, mounts, findings):
    """{key: flag} of the findings of a holder, answered or not, for its page; one query."""
    keys = [key for key, _ in keys_of(holder, mounts, findings)]
    rows = Flag.objects.filter(key__in=keys + [f"{key}|{STOP}" for key in keys])
    return {row.key: row for row in rows.select_related("answered_by")}


@transaction.atomic
def raise_for_holder(*, holder, mounts, findings):
    """Bring the waiting flags of a holder in line with what its rules find now.

    A new finding of `warn` or graver becomes a flag, the same finding is asked once, and a waiting
    flag whose cause is gone clears by itself. A note stays on the page. One that was answered and
    has grown to a stop since is asked again.
    """
    by_id = {f"p{mount.position}": mount for mount in mounts}
    found = dict(keys_of(holder, mounts, findings))
    before = {row.key: row for row in Flag.objects.filter(key__in=found)}
    for key, finding in list(found.items()):
        row = before.get(key)
        if row and row.answer and finding.severity == STOP and row.severity != STOP:
            found[f"{key}|{STOP}"] = found.pop(key)
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
        words = {
            "severity": finding.severity,
            "says": finding.says[:300],
            "do": finding.do[:300],
            "source": finding.source[:300],
            "evidence": {"value": finding.value, "limit": finding.limit, "unit": finding.unit},
        }
        if key in standing:
            row = standing[key]
            if (row.severity, row.says) != (words["severity"], words["says"]):
                Flag.objects.filter(pk=row.pk).update(**words)
            continue
        mount = next((by_id[name] for name in finding.about if name in by_id), None)
        row, new = Flag.objects.get_or_create(
            key=key,
            defaults=words
            | {"rule": finding.rule, "holder": holder, "mount": mount, "raised_at": now},
        )
        if not new and row.cleared_at and not row.answer:
            Flag.objects.filter(pk=row.pk).update(cleared_at=None, **words)
        raised.append(row)
    return raised


def refuse_unless_may_answer(flag, by):
    """Raise Refused where nobody, or somebody else, may lift this finding."""
    rule = RULES.get(flag.rule)
    override = rule.override if rule else "staff"
    if override == "nobody" and flag.severity == STOP:
        raise Refused(
            f"{flag.rule} has no override: {flag.do or 'remove its cause'} "
            "The flag clears by itself once its cause is gone."
        )
    if override == "safety officer" and flag.severity in NEEDS_A_SENTENCE:
        if not access.may(by, "hazard.answer"):
            raise Refused(f"{flag.rule} is answered by the safety officer. Ask there first.")
    elif not access.may(by, "flag.answer"):
        raise Refused("Staff answer this. Ask them, with what you see at the bench.")


@transaction.atomic
def answer(*, flag, by, answer, sentence="", watch_until=None):
    """Answer a flag: seen, fixed, watched until, not real. Staff and stop need a sentence."""
    flag = (
        Flag.objects.select_for_update(of=("self",))
        .select_related("instrument__log")
        .get(pk=flag.pk)
    )
    sentence = sentence.strip()
    if flag.answer:
        if (flag.answer, flag.answered_by_id, flag.sentence) == (answer, by.pk, sentence):
            return flag
        raise Refused(
            f"{flag.answered_by} answered this {flag.get_answer_display()} at "
            f"{timezone.localtime(flag.answered_at):%d %b %H:%M}."
        )
    refuse_unless_may_answer(flag, by)
    if answer not in Flag.Answer.values:
        raise Refused("Press one of: seen, fixed, watch until, not real.")
    if flag.severity in NEEDS_A_SENTENCE and not sentence:
        raise Refused("Write a sentence with this answer: the next person reads it.")
    if answer == Flag.Answer.WATCHED and (not watch_until or watch_until <= timezone.localdate()):
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
