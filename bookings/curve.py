"""Reads that draw: a pump-down's curve and a load's holder as it was when the door closed."""

from datetime import timedelta

from django.utils import timezone

from bookings import learning, pump
from bookings.models import Reading
from facility import chart
from samples import bench

SOON_MIN = 15  # from then on the sentence counts the minutes, as the message of soon.py does
JUST_NOW = timedelta(seconds=5)  # from asking for a forecast to saying it
MOST_POINTS = 20_000  # a pump-down logged each second for five hours; older rows are thinned away


def newest_reading_id(pumpdown):
    """The key of the newest reading of this pump-down, 0 where there is none: what polls compare."""
    newest = pump.readings_of(pumpdown).order_by("-at", "-pk").values_list("pk", flat=True).first()
    return newest or 0


def of_pumpdown(pumpdown):
    """What the curve's template needs: drawings, rows, unit and words."""
    gauges = pump.gauges_of(pumpdown.chamber.instrument, pumpdown.chamber.kind)
    unit = gauges[0].unit if gauges else "Pa"
    rows = (
        pump.readings_of(pumpdown)
        .exclude(state=Reading.State.OFF)
        .values_list("at", "pressure_pa", "source", "gauge__code", "state", named=True)
    )
    started = timezone.localtime(pumpdown.started_at)
    readings = [
        chart.Reading(
            at_s=(row.at - pumpdown.started_at).total_seconds(),
            pascal=row.pressure_pa,
            source=row.source,
            gauge=row.gauge__code,
            state=row.state,
        )
        for row in rows[:MOST_POINTS]
    ]
    found = learning.forecast_of(pumpdown)
    until = max((reading.at_s for reading in readings), default=0.0)
    reach = max(until, 600.0, found.high80_s if found else 0.0) * 1.08
    band = learning.band_of(pumpdown, reach)
    drawn = chart.PumpDown(
        readings=readings,
        clock=chart.clock_of(started),
        unit=unit,
        threshold_pa=pumpdown.threshold_pa,
        crossed_s=pumpdown.cooked.get("crossed_s"),
        band=chart.Band(*band) if band else None,
        forecast=chart.Forecast(found.ready_s, found.low80_s, found.high80_s) if found else None,
        until_s=reach,
        ticks=chart.clock_ticks(started, reach),
        what=pumpdown.chamber.get_kind_display(),
    )
    return {
        "drawings": chart.pressure_chart(drawn),
        "closer": chart.last_decades(drawn),
        "rows": chart.rows(drawn),
        "unit": unit,
        "count": len(readings),
        **_words(pumpdown, found),
        "seen": str(newest_reading_id(pumpdown)),
        "reached": any(
            reading.is_number and reading.pascal <= pumpdown.threshold_pa for reading in readings
        ),
    }


def _words(pumpdown, found):
    """The forecast as a sentence: what stands in bold, and the interval."""
    if found is None:
        return {"ready": "", "between": "", "why": ""}
    low, ready, high = learning.local_ready(pumpdown, found)
    exactly = found.low80_s == found.high80_s
    if exactly or low < timezone.now() - JUST_NOW:  # it was read: a forecast lies ahead
        about = "" if exactly else "about "
        return {
            "ready": f"Below the threshold since {about}{ready:%H:%M}",
            "between": "",
            "why": "",
        }
    day = "" if ready.date() == timezone.localdate() else f" {ready:%a}"
    minutes = round((ready - timezone.now()).total_seconds() / 60)
    soon = f"Likely ready in {minutes} min, about" if 1 <= minutes <= SOON_MIN else "Ready about"
    return {
        "ready": f"{soon}{day} {ready:%H:%M}",
        "between": f"80 % between {low:%H:%M} and {high:%H:%M}",
        "why": found.says,
    }


def drawing_of(load, seen):
    """The holder as it was when the door closed."""
    return bench.draw(load.holder, load.mounts_inside(), seen)
