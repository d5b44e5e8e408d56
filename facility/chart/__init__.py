"""Charts as plain drawing values for templates/components/chart.html.

Pressures come in pascal and are drawn in the unit asked for; times are seconds since a start, and
whoever calls gives the words of its clock. Nothing here knows a request, a zone or a database.

A drawing holds only strings and numbers: lines by kind (the kind is their CSS class), dots, words.
No `style` attribute appears anywhere, because the content security policy would drop it.
"""

from facility.chart.axes import clock_of, clock_ticks, figure_text, on_decade_rule
from facility.chart.day import Slip, day_line
from facility.chart.paper import ACROSS, PHONE, SIZES, UPRIGHT, Drawing, Scale, Size
from facility.chart.pump_down import (
    Band,
    Forecast,
    PumpDown,
    Reading,
    last_decades,
    pressure_chart,
    rows,
    runs_without_gaps,
)
from facility.chart.single_values import (
    Point,
    SmallRun,
    control_chart,
    evidence,
    evidence_curve,
    pump_downs_in_a_row,
)

__all__ = [
    "ACROSS",
    "PHONE",
    "SIZES",
    "UPRIGHT",
    "Band",
    "Drawing",
    "Forecast",
    "Point",
    "PumpDown",
    "Reading",
    "Scale",
    "Size",
    "Slip",
    "SmallRun",
    "clock_of",
    "clock_ticks",
    "control_chart",
    "day_line",
    "evidence",
    "evidence_curve",
    "figure_text",
    "last_decades",
    "on_decade_rule",
    "pressure_chart",
    "pump_downs_in_a_row",
    "rows",
    "runs_without_gaps",
]
