"""What a flag says to a reader who may not know every sample: never another group's substance.

A flag keeps the finding as the house sees it; whoever does not answer for the house reads what the
holder's own page would tell them.
"""

from bookings import chambers, flag
from facility.access import may
from facility.findings import STOP
from samples import bench
from samples.risks.registry import RULES


def in_short(row, person, mounts):
    """(says, do) of a flag without computing anything: the rule's title where a sample is another's.

    Takes: mounts, what stands on the flag's holder now.
    """
    if _knows_all(row, person, mounts):
        return row.says, row.do
    rule = RULES.get(row.rule)
    return f"{rule.title if rule else row.rule}: look at holder {row.holder}", ""


def in_full(row, person):
    """(says, do) of a flag of a holder, as the holder's page finds it for this reader now."""
    mounts = bench.mounts_of(row.holder)
    if _knows_all(row, person, mounts):
        return row.says, row.do
    instrument, may_see = (
        bench.instrument_for(row.holder),
        lambda one: may(person, "sample.see", one),
    )
    found = bench.findings_of(
        row.holder,
        mounts,
        may_see=may_see,
        instrument=instrument,
        past=chambers.pasts_of(instrument, seen=may_see),
    )
    for key, finding in flag.keys_of(row.holder, mounts, found):
        if row.key in (key, f"{key}|{STOP}"):
            return finding.says, finding.do
    return in_short(row, person, mounts)


def _knows_all(row, person, mounts):
    """Whether the reader may know everything that a flag can name; a memory reaches further back."""
    if row.holder is None or may(person, "flag.see"):
        return True
    if row.rule.startswith("MEM"):
        return False
    return bool(mounts) and all(may(person, "sample.see", mount.sample) for mount in mounts)
