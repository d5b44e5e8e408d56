"""Labels of all kinds."""

from django.views.decorators.http import require_GET

from facility.access import policy
from facility.htmx import page
from samples.models import Holder


@require_GET
@policy("label.print")
def labels(request):
    """Holders whose box labels can be printed."""
    return page(request, "samples/labels.html", {"holders": Holder.objects.in_use().with_state()})
