"""Rooms: what oxygen would be left if every bottle and dewar in them emptied (rule GAS-01)."""

from django.shortcuts import get_object_or_404
from django.views.decorators.http import require_GET, require_POST

from bookings.forms_stores import RoomForm
from bookings.views.stores import written
from facility import bottles, on_hand
from facility.access import may, policy
from facility.htmx import page, see
from facility.models import Room


@require_GET
@policy("stock.see")
def rooms(request):
    """Every room, the worst first."""
    return _shown(request)


def _shown(request, *, status=200, new=None, changed=None):
    keeps = may(request.user, "stock.keep")
    airs = on_hand.rooms()
    context = {
        "airs": [
            {"air": air, "form": _form_of(air.room, changed) if keeps else None} for air in airs
        ],
        "below": [air for air in airs if air.worst and air.worst.severity],
        "form": (new or RoomForm()) if keeps else None,
        "keeps": keeps,
    }
    return page(request, "bookings/rooms.html", context, status=status)


def _form_of(room, changed):
    if changed and changed[0] == room.pk:
        return changed[1]
    known = {"name": room.name, "monitor": room.monitor, "volume_m3": f"{room.volume_m3:g}"}
    known["ventilation_m3_h"] = f"{room.ventilation_m3_h:g}" if room.ventilation_m3_h else ""
    return RoomForm(initial=known, auto_id=f"room_{room.pk}_%s")


@require_POST
@policy("stock.keep")
def add_room(request):
    """POST writes a room down."""
    form = RoomForm(request.POST)
    return written(
        form,
        lambda said: bottles.save_room(by=request.user, sent_id=said["sent_id"], **form.about()),
        lambda _: see(request, "bookings:rooms"),
        lambda: _shown(request, status=422, new=form),
    )


@require_POST
@policy("stock.keep")
def change_room(request, pk):
    """POST changes a room."""
    room = get_object_or_404(Room, pk=pk)
    form = RoomForm(request.POST, auto_id=f"room_{room.pk}_%s")
    return written(
        form,
        lambda said: bottles.save_room(by=request.user, room=room, **form.about()),
        lambda _: see(request, "bookings:rooms"),
        lambda: _shown(request, status=422, changed=(room.pk, form)),
    )
