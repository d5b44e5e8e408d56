"""A rule muted for one instrument until a day: its findings are still stored, the review does not ask.

What stands in force is kept on the instrument; who muted what and when stands in its log.
"""

import re
from dataclasses import dataclass
from datetime import date, timedelta

from django.db import transaction
from django.utils import timezone

from facility import access, log
from facility.errors import Refused
from facility.findings import STOP
from facility.models import Instrument

RULE = re.compile(r"[A-Z]{3}-\d\d|DRIFT")
NEVER = ("GAS", "HAZ")  # what can hurt people is asked about always
LONGEST = timedelta(weeks=13)  # then somebody decides anew; own proposal


@dataclass(frozen=True)
class Muted:
    """A rule that is not asked about, from one day until another."""

    rule: str
    since: date
    until: date
    why: str


@transaction.atomic
def mute(*, instrument, rule, until, why, by):
    """Ask nothing of this rule on this instrument until a day; a stop is never muted."""
    access.require(by, "flag.answer")
    rule, why, today = rule.strip().upper(), " ".join(why.split())[:200], timezone.localdate()
    if not RULE.fullmatch(rule):
        raise Refused(
            f"{rule[:20] or 'Nothing'} is no rule. Write it as it stands, such as PMP-01."
        )
    if rule.startswith(NEVER):
        raise Refused(f"{rule} is about what can hurt people; it is never muted.")
    if not why:
        raise Refused("Say in a sentence why it is muted: the next person reads it.")
    if until is None or until <= today:
        raise Refused("Choose a day to come, until which it is muted.")
    if until > today + LONGEST:
        raise Refused(f"At most 13 weeks, until {today + LONGEST:%d %b %Y}; then decide anew.")
    instrument = Instrument.objects.select_for_update().get(pk=instrument.pk)
    said = {"since": f"{today}", "until": f"{until}", "why": why}
    if instrument.muted.get(rule) == said:
        return instrument
    instrument.muted = instrument.muted | {rule: said}
    instrument.save(update_fields=["muted"])
    log.write(log=instrument.log, kind="rule muted", by=by, data={"rule": rule, **said})
    return instrument


@transaction.atomic
def ask_again(*, instrument, rule, by):
    """The rule speaks again from now on."""
    access.require(by, "flag.answer")
    instrument = Instrument.objects.select_for_update().get(pk=instrument.pk)
    if rule in instrument.muted:
        instrument.muted = {name: row for name, row in instrument.muted.items() if name != rule}
        instrument.save(update_fields=["muted"])
        log.write(log=instrument.log, kind="rule asked again", by=by, data={"rule": rule})
    return instrument


def muted_on(instrument, day):
    """{rule: Muted} of what is muted on a day, the soonest to end first."""
    rows = [
        Muted(rule, date.fromisoformat(row["since"]), date.fromisoformat(row["until"]), row["why"])
        for rule, row in instrument.muted.items()
    ]
    standing = [row for row in rows if row.since <= day < row.until]
    return {row.rule: row for row in sorted(standing, key=lambda row: (row.until, row.rule))}


def holds_back(muted, rule, severity):
    """Whether a finding of this rule and severity is not asked about now."""
    return rule in muted and severity != STOP
