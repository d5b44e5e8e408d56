"""One instrument: its word, pressures, devices and last pump-downs; and the live curve."""

from django.shortcuts import get_object_or_404
from django.views.decorators.http import require_GET

from bookings import chambers, curve, pump
from bookings.at_bench import seen_by
from bookings.models import Fault, LeftRunning, PumpDown
from facility import access
from facility.access import policy
from facility.htmx import no_news, page
from facility.models import Instrument
from samples.models import Cleaning


@require_GET
@policy("readings.see")
def pumpdown_curve(request, pk):
    """The live curve: 204 while there is nothing new since `seen`."""
    pumpdown = get_object_or_404(
        PumpDown.objects.select_related("chamber__instrument", "load"), pk=pk
    )
    news = curve.newest_reading_id(pumpdown)
    if request.GET.get("seen") == str(news):
        return no_news()
    context = {"chart": curve.of_pumpdown(pumpdown), "pumpdown": pumpdown}
    return page(request, "bookings/pumpdown_curve.html", context)


@require_GET
@policy("page.everyone")
def instrument(request, slug):
    """One instrument: its word, its devices, its last loads."""
    row = get_object_or_404(Instrument, slug=slug)
    gauges = pump.gauges_of(row)
    newest = pump.newest(gauges)
    context = {
        "instrument": row,
        "devices": row.devices.all(),
        "gauges": [{"gauge": gauge, "reading": newest[gauge.pk]} for gauge in gauges],
        "pumpdowns": PumpDown.objects.on(row).select_related("load__holder")[:12],
        "faults": Fault.objects.open().on(row).select_related("by")[:12],
        "left_running": LeftRunning.objects.standing().on(row)[:4],
        "remembered": chambers.remembered(row, seen=seen_by(request.user)),
        "last_cleaning": Cleaning.objects.of_chambers(row).select_related("by").first(),
        "may_say": access.may(request.user, "instrument.say"),
        "sees_health": access.may(request.user, "health.see"),
        "level": access.level_of(request.user, row),
    }
    return page(request, "bookings/instrument.html", context)
