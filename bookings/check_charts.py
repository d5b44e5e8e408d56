"""Charts of checks: the values of a kind in its phases, with limits and the chart's own sentence."""

import math
from dataclasses import dataclass, replace
from datetime import timedelta

from django.urls import reverse
from django.utils import timezone

from facility import calibration, chart, control
from facility.check_sorts import CHARTED, LEAST_SPREAD, LOGARITHMIC, PHASES
from facility.models import Check, CheckValue
from facility.vacuum import units

LOOKED_BACK = timedelta(days=400)  # of values that a chart judges; own choice
DRAWN = 40  # values that a chart shows at most
UNITS = {"linearity": "eV", "scale": "ppm", "ratio": ""}
OF_A_SORT = {"energy": "eV", "blank": "at.%", "gas": "%"}


@dataclass
class Series:
    """One series of a kind with its verdict."""

    kind: object
    name: str
    rows: list  # CheckValue in order, with their checks
    begins: tuple  # places at which a phase begins
    chart: control.Chart
    scale: float = 1.0  # values are divided by this to be drawn
    unit: str = ""

    @property
    def decimals(self):
        return {"eV": 2, "at.%": 1, "%": 0}.get(self.unit, 2)

    @property
    def slug(self):
        """For an address on the page: letters, figures and hyphens."""
        return "".join(c if c.isalnum() else "-" for c in self.name).strip("-").lower()

    @property
    def title(self):
        """The series as people call it, with what is drawn."""
        word = {
            "scale": "Slope of the scale",
            "linearity": "Ag off the line from Au to Cu",
            "ratio": "Ratio of the lines",
            "pressure": "Base pressure",
            "rate": "Rate of rise",
            "value": str(self.kind),
        }
        said = word.get(self.name, self.name)
        return f"{said}, off by" if self.name in calibration.REFERENCES else said


def values_of(kinds, at=None):
    """{(kind, series): CheckValue rows in order} of these kinds as known at `at`; one query."""
    until = at or timezone.now()
    rows = CheckValue.objects.filter(kind__in=kinds, at__gte=until - LOOKED_BACK, at__lte=until)
    rows = rows.filter(check_row__in=_known(kinds, at, until)).select_related("check_row")
    found = {}
    for row in rows.order_by("at", "pk"):
        found.setdefault((row.kind_id, row.series), []).append(row)
    return found


def _known(kinds, at, until):
    return Check.objects.known(at).filter(kind__in=kinds, doubt="", at__gte=until - LOOKED_BACK)


def series_of(kind, name, rows, events):
    """A series judged: phases from events, limits from its own scatter."""
    log = (kind.sort, name) in LOGARITHMIC
    numbers = [math.log(row.value) if log else row.value for row in rows]
    begins = begins_of(rows, events, PHASES[kind.sort])
    scale, unit = _drawn_in(kind, name, rows)
    found = control.chart_of(
        numbers, begins, least=LEAST_SPREAD.get(kind.sort, 0.0) if name != "scale" else 5.0,
        what=_spoken(kind, name), unit="" if log else unit, decimals=1 if unit == "at.%" else 2,
    )  # fmt: skip
    return Series(kind, name, rows, begins, found, scale, unit)


def _spoken(kind, name):
    if name in calibration.REFERENCES and kind.sort == "energy":
        return f"The error of {name}"
    return {"pressure": "Base pressure", "rate": "The rate of rise", "value": str(kind),
            "ratio": "The ratio", "scale": "The slope of the scale",
            "linearity": "The linearity"}.get(name, name)  # fmt: skip


def begins_of(rows, events, kinds):
    """Places of the first value after each event that begins a phase for this sort."""
    places = []
    for event in events:
        if event.kind in kinds:
            after = next((n for n, row in enumerate(rows) if row.at > event.at), None)
            if after:
                places.append(after)
    return tuple(sorted(set(places)))


def _drawn_in(kind, name, rows):
    """What the values are divided by, and in which unit they stand."""
    if (kind.sort, name) in LOGARITHMIC and rows:
        unit = kind.gauge.unit if kind.gauge else "Pa"
        middle = sorted(row.value for row in rows)[len(rows) // 2]
        step = 10.0 ** math.floor(math.log10(units.from_pascal(middle, unit)))
        more = "/s" if name == "rate" else ""
        power = str(round(math.log10(step))).translate(str.maketrans("0123456789-", "⁰¹²³⁴⁵⁶⁷⁸⁹⁻"))
        return units.to_pascal(step, unit), f"10{power} {unit}{more}"
    return 1.0, UNITS.get(name, OF_A_SORT.get(kind.sort, kind.unit))


def drawings(series, small=False):
    """The chart drawn: for energies against the tolerance, else against its own limits."""
    rows = series.rows[-(12 if small else DRAWN) :]
    first = len(series.rows) - len(rows)
    odd = {signal.place for signal in series.chart.signals}
    points = [
        chart.Point(
            value=row.value / series.scale,
            word=f"{timezone.localtime(row.at):%-d %b}",
            says=f"{timezone.localtime(row.at):%d %b %Y}: {row.value / series.scale:.{series.decimals}f} {series.unit}",
            url=reverse("bookings:check", args=[row.check_row_id]),
            odd=(n in odd and (not small or n == len(series.rows) - 1)) or _beyond(series, row),
            phase=n in series.begins,
        )
        for n, row in enumerate(series.rows[first:], first)
    ]  # fmt: skip
    if small:
        points = [
            chart.Point(**{f: getattr(p, f) for f in ("value", "odd", "phase")} | {"says": p.says})
            for p in _only_last_odd(points)
        ]
    limits = {"unit": series.unit, "decimals": series.decimals} | _limits(series)
    if small:
        return chart.evidence(points, says=series.chart.says, **limits)
    return chart.control_chart(points, says=f"{series.title}: {series.chart.says}", **limits)


def _only_last_odd(points):
    last = max((n for n, p in enumerate(points) if p.odd), default=None)
    return [replace(p, odd=n == last) for n, p in enumerate(points)]


def _is_toleranced(series):
    kind = series.kind
    return kind.sort == "energy" and series.name in (*calibration.REFERENCES, "linearity")


def _beyond(series, row):
    return _is_toleranced(series) and abs(row.value) > calibration.WARN_SHARE * (
        series.kind.tolerance_ev or calibration.USUAL_TOLERANCE
    )


def _limits(series):
    kind, found = series.kind, series.chart.limits
    if _is_toleranced(series):
        delta = kind.tolerance_ev or calibration.USUAL_TOLERANCE
        return {"centre": 0.0, "low": -delta, "high": delta}
    if found is None:
        return {}
    if (kind.sort, series.name) in LOGARITHMIC:
        low, centre, high = (
            math.exp(v) / series.scale for v in (found.low, found.centre, found.high)
        )
    else:
        low, centre, high = found.low, found.centre, found.high
        low = max(low, 0.0) if series.unit in ("at.%", "%") else low
    return {"centre": centre, "low": low, "high": high}


def charted(kind, values, events):
    """Every series of a kind that has values, in the order in which its sort shows them."""
    names = [name for name in CHARTED[kind.sort] if values.get((kind.pk, name))]
    return [series_of(kind, name, values[kind.pk, name], events) for name in names]
