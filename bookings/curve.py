"""Reads that draw: a pump-down's curve and a load's holder as it was when the door closed."""

from django.utils import timezone

from bookings import pump
from bookings.models import Reading
from facility import chart
from samples import bench

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
    until = max((reading.at_s for reading in readings), default=0.0)
    drawn = chart.PumpDown(
        readings=readings,
        clock=chart.clock_of(started),
        unit=unit,
        threshold_pa=pumpdown.threshold_pa,
        crossed_s=pumpdown.cooked.get("crossed_s"),
        ticks=chart.clock_ticks(started, max(until * 1.08, 600.0)),
        what=pumpdown.chamber.get_kind_display(),
    )
    return {
        "drawings": chart.pressure_chart(drawn),
        "closer": chart.last_decades(drawn),
        "rows": chart.rows(drawn),
        "unit": unit,
        "count": len(readings),
        "seen": str(newest_reading_id(pumpdown)),
        "reached": any(
            reading.is_number and reading.pascal <= pumpdown.threshold_pa for reading in readings
        ),
    }


def drawing_of(load, seen):
    """The holder as it was when the door closed."""
    return bench.draw(load.holder, load.mounts_inside(), seen)
