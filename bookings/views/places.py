"""Where things are: in vacuum now, and every hazardous sample in the building."""

from django.views.decorators.http import require_GET

from bookings import at_bench
from facility.access import policy
from facility.htmx import page
from samples.models import Sample


@require_GET
@policy("page.everyone")
def in_vacuum(request):
    """Every holder in vacuum now, with what it carries and how long it has been in."""
    may_see = at_bench.seen_by(request.user)
    rows = at_bench.in_vacuum()
    for row in rows:
        row.samples = [(mount, may_see(mount.sample)) for mount in row.mounts]
    return page(request, "bookings/in_vacuum.html", {"rows": rows})


@require_GET
@policy("hazard.see")
def hazards(request):
    """Every hazardous sample in the building by hazard: place, owner, since when; made to be printed."""
    return page(request, "bookings/hazards.html", {"hazards": at_bench.hazards(Sample.objects)})
