"""Records: what happened, in the order of happening, to be read, printed and proved."""

from django.shortcuts import get_object_or_404
from django.views.decorators.http import require_GET

from bookings import curve, expected, record_words
from bookings.models import Load, Session
from facility.access import may, policy, require_or_404
from facility.htmx import page
from facility.models import Entry

SHOWN = 40
LINES = 400  # of one log on a page; a session has some dozens
MEASURED = 100  # of one load; a full holder with six regions each has some sixty


@require_GET
@policy("readings.see")
def records(request):
    """The last loads and sessions that this person may see."""
    loads = Load.objects.seen_by(request.user).select_related("instrument", "holder", "loaded_by")
    sessions = Session.objects.seen_by(request.user).select_related("instrument")
    context = {
        "loads": loads[:SHOWN],
        "sessions": sessions.prefetch_related("parts__person")[:SHOWN],
    }
    return page(request, "bookings/records.html", context)


def _lines(of):
    """Entries of a log as they happened, each with what it says."""
    entries = Entry.objects.of(of).as_it_happened().select_related("person")[:LINES]
    return [record_words.line_of(entry) for entry in entries]


@require_GET
@policy("session.see")
def session_record(request, pk):
    """The record of one session."""
    row = get_object_or_404(
        Session.objects.select_related("instrument__log", "sheet", "log"), pk=pk
    )
    require_or_404(request.user, "session.see", row)
    context = {
        "session": row,
        "parts": row.parts.select_related("person"),
        "lines": _lines(row.log),
        "loads": row.loads.select_related("holder"),
        "head": row.instrument.log.head,
    }
    return page(request, "bookings/session_record.html", context)


@require_GET
@policy("readings.see")
def load(request, pk):
    """The record of one load: layout, curve, lines, seal."""
    row = get_object_or_404(
        Load.objects.select_related("instrument__log", "holder__type", "log", "session"), pk=pk
    )
    if not Load.objects.seen_by(request.user).contains(row):
        require_or_404(request.user, "flag.see")
    pumpdowns = list(row.pumpdowns.select_related("chamber__instrument").order_by("started_at")[:4])
    seen = {
        mount.pk: may(request.user, "sample.see", mount.sample) for mount in row.mounts_inside()
    }
    context = {
        "load": row,
        "mounts": [{"mount": mount, "seen": seen[mount.pk]} for mount in row.mounts_inside()],
        "drawing": curve.drawing_of(row, seen),
        "pumpdowns": [
            {
                "pumpdown": pumpdown,
                "chart": curve.of_pumpdown(pumpdown),
                "against": expected.of_pumpdown(pumpdown),
            }
            for pumpdown in pumpdowns
        ],
        "sees_session": row.session is not None and may(request.user, "session.see", row.session),
        "measured": row.measurements.select_related("mount")[:MEASURED],
        "lines": _lines(row.log),
        "head": row.instrument.log.head,
        "flags": row.flags.all()[:20],
        "traces": may(request.user, "trace.see"),
    }
    return page(request, "bookings/load.html", context)
