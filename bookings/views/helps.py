"""Does the tool help: flags and what was missed, by quarter, on a page and as CSV."""

import csv

from django.http import HttpResponse
from django.views.decorators.http import require_GET

from bookings import helps
from facility.access import policy
from facility.htmx import page

COLUMNS = ("quarter", "family", "raised", "real", "not_real", "by_itself", "waiting", "missed")


@require_GET
@policy("flag.see")
def does_it_help(request):
    """The last eight quarters, by family of rules and by rule."""
    families, rules = helps.figures()
    context = {"families": families, "rules": rules, "quarters": helps.QUARTERS}
    return page(request, "bookings/does_it_help.html", context)


@require_GET
@policy("flag.see")
def does_it_help_csv(request):
    """The same as CSV: families, then single rules."""
    answer = HttpResponse(content_type="text/csv; charset=utf-8")
    answer.headers["Content-Disposition"] = 'attachment; filename="does-the-tool-help.csv"'
    writer = csv.writer(answer)
    writer.writerow(COLUMNS)
    for rows in helps.figures():
        writer.writerows([getattr(row, name) for name in COLUMNS] for row in rows)
    return answer
