"""Limits of the rules: what is in force, who set it, and what it was before."""

from django.contrib import messages
from django.views.decorators.http import require_GET, require_POST

from facility.access import may, policy
from facility.errors import Refused
from facility.htmx import page, see
from samples import limits
from samples.risks import RULES


@require_GET
@policy("page.everyone")
def rule_limits(request):
    """Every limit with its value, source and history, and the rules that compare with it."""
    rows = limits.listed()
    for row in rows:
        row["rules"] = [rule for rule in RULES.values() if row["shipped"].name in rule.limits]
    context = {"rows": rows, "rules": RULES.values(), "may_set": may(request.user, "limit.set")}
    return page(request, "samples/limits.html", context)


@require_POST
@policy("limit.set")
def set_limit(request):
    """POST sets a limit from now on, with a sentence why."""
    try:
        row = limits.set_limit(
            name=request.POST.get("name", ""),
            value=request.POST.get("value", ""),
            by=request.user,
            sentence=request.POST.get("sentence", "").replace("\x00", ""),
        )
    except Refused as refusal:
        messages.warning(request, str(refusal))
    else:
        messages.success(request, f"From now on: {row}.")
    return see(request, "samples:limits")
