"""Limits of the rules as the facility set them: the newest row of each, over the shipped ones."""

import math

from django.db import transaction
from django.utils import timezone

from facility import access
from facility.errors import Refused
from facility.models import Limit
from samples.layout import rules_of, shipped_limits

MOST = 1e12


def in_force():
    """Rules with the facility's own values before the shipped ones; one query."""
    known = shipped_limits()
    rows = Limit.objects.in_force()
    return rules_of({name: row.value for name, row in rows.items() if name in known})


def listed():
    """Each limit with its value in force, whoever set it, and the values before, newest first."""
    history = {}
    for row in Limit.objects.select_related("by").order_by("-since", "-pk"):
        history.setdefault(row.name, []).append(row)
    return [
        {
            "shipped": limit,
            "now": history.get(limit.name, [None])[0],
            "before": history.get(limit.name, [])[1:8],
        }
        for limit in shipped_limits().values()
    ]


@transaction.atomic
def set_limit(*, name, value, by, sentence):
    """A new value for a limit from now on, with the sentence why; the rows before stay."""
    access.require(by, "limit.set")
    shipped = shipped_limits().get(name)
    if shipped is None:
        raise Refused(f"No rule here has a limit called {name[:60]!r}.")
    try:
        value = float(str(value).strip().replace(",", "."))
    except ValueError:
        raise Refused(
            f"The value must be a number of {shipped.unit}, such as {shipped.value:g}."
        ) from None
    if not math.isfinite(value) or not 0 <= value <= MOST:
        raise Refused(f"The value must be 0 or more and at most {MOST:g} {shipped.unit}.")
    if not sentence.strip():
        raise Refused("Write a sentence why: it stands beside the limit from now on.")
    return Limit.objects.create(
        name=name,
        value=value,
        unit=shipped.unit,
        source=sentence.strip()[:200],
        since=timezone.now(),
        by=by,
    )
