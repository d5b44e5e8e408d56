"""Power or water lost: one event over several instruments, told once."""

import uuid

from django.db import transaction

from bookings import say
from bookings.models import Session
from facility import keep_up, log
from facility.errors import Refused
from facility.models import Event, Instrument

WORDS = {"power": "No power", "water": "No cooling water"}


@transaction.atomic
def lose(*, instruments, by, kind, says="", at=None, sent_id=None):
    """Devices are unknown until somebody looks, open sessions hear of it, checks come due.

    The same `sent_id` changes nothing a second time.
    """
    if kind not in WORDS:
        raise Refused("Choose what was lost: power or cooling water.")
    if not instruments:
        raise Refused("Choose at least one instrument.")
    sent_id = sent_id or uuid.uuid4()
    keys = sorted(row.pk for row in instruments)
    found = []
    for instrument in Instrument.objects.select_for_update().filter(pk__in=keys).order_by("pk"):
        mine = uuid.uuid5(sent_id, f"{kind} {instrument.pk}")
        if before := log.repeated(sent_id=mine):
            found.append(Event.objects.get(entry=before))
            continue
        text = f"{WORDS[kind]}. {says}".strip()
        found.append(
            keep_up.note_event(
                instrument=instrument, by=by, kind=kind, says=text, at=at, sent_id=mine
            )
        )
        say.report_fault(
            instrument=instrument, by=by, text=text, forget_devices=True, happened_at=at
        )
        for session in Session.objects.filter(instrument=instrument, closed_at=None):
            say.note(session=session, by=by, text=text, happened_at=at)
    return found
