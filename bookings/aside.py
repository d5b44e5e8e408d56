"""What was set aside: how it reads for staff, and that they looked at it."""

import json
from urllib.parse import parse_qsl

from django.db import transaction
from django.utils import timezone
from django.utils.dateparse import parse_datetime

from facility.models import KeptItem

UNSAID = ("sent_id", "csrfmiddlewaretoken", "sign_on", "id", "offset_ms")


@transaction.atomic
def see(*, item, by):
    """Mark an item as looked at; a second press changes nothing, the text stays."""
    item = KeptItem.objects.select_for_update().get(pk=item.pk)
    if item.seen_at is None:
        item.seen_at, item.seen_by = timezone.now(), by
        item.save(update_fields=["seen_at", "seen_by"])
    return item


def read(text):
    """What a kept text says: {"kind", "at", "session", "lines"}; empty where it cannot be read.

    It is an item of an outbox, or what a page's own form posted: an address and its fields.
    """
    try:
        item = json.loads(text)
    except (ValueError, RecursionError):
        item = {}
        if text.startswith("/"):
            path, _, query = text.partition("?")
            parts = path.strip("/").split("/")
            item = {"kind": parts[-1], "fields": dict(parse_qsl(query))}
            if parts[0] == "sessions" and len(parts) > 2:
                item["session"] = parts[1]
    fields = item.get("fields") if isinstance(item, dict) else None
    if not isinstance(fields, dict):
        return {}
    said = [(name, str(value)) for name, value in fields.items() if name not in UNSAID and value]
    session = str(item.get("session", ""))
    return {
        "kind": str(item.get("kind", "")),
        "at": _moment(item.get("at")),
        "session": int(session) if session.isdigit() and len(session) < 10 else None,
        "lines": said,
    }


def _moment(text):
    try:
        moment = parse_datetime(text) if isinstance(text, str) else None
    except ValueError:
        return None
    return moment if moment and moment.tzinfo else None
