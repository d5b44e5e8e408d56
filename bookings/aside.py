"""The verb of what was set aside: staff looked at it."""

from django.db import transaction
from django.utils import timezone

from facility.models import KeptItem


@transaction.atomic
def see(*, item, by):
    """Mark an item as looked at; a second press changes nothing, the text stays."""
    item = KeptItem.objects.select_for_update().get(pk=item.pk)
    if item.seen_at is None:
        item.seen_at, item.seen_by = timezone.now(), by
        item.save(update_fields=["seen_at", "seen_by"])
    return item
