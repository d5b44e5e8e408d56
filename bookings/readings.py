"""What the log says of readings: their count and SHA-256 by gauge and interval.

Readings are too many for the chain, so an entry holds a digest of them. Honest readings may still
arrive late, from a tablet that was offline: an entry therefore names the last moment of recording
that it knew of, and only readings recorded up to then are counted against it.
"""

import hashlib
from datetime import datetime

from bookings.models import Reading
from facility.log import stamp
from facility.models import Gauge

KINDS = ("seal", "pump-down ended")
_COLUMNS = ("sent_id", "at", "state", "pressure_pa", "typed", "unit")


def line(reading):
    """One reading as the digest reads it."""
    pressure = "" if reading.pressure_pa is None else repr(float(reading.pressure_pa))
    parts = str(reading.sent_id), stamp(reading.at), reading.state, pressure
    return "|".join((*parts, reading.typed, reading.unit)) + "\n"


def digest(readings):
    """(count, SHA-256 over the lines) of readings in order of (at, sent_id).

    >>> digest([])[0]
    0
    """
    count, found = 0, hashlib.sha256()
    for reading in readings:
        count += 1
        found.update(line(reading).encode())
    return count, found.hexdigest()


def between(gauge, start, end):
    """Readings of a gauge from `start` to `end`, both included, in the order of the digest."""
    return Reading.objects.filter(gauge=gauge, at__range=(start, end)).order_by("at", "sent_id")


def digests(gauges, start, end):
    """What an entry says of each gauge's readings; to be asked for inside a transaction.

    Locks the gauges, so that a reading on its way is either counted or recorded later.
    """
    locked = Gauge.objects.select_for_update().filter(pk__in=[gauge.pk for gauge in gauges])
    return [_said(gauge, start, end) for gauge in locked.order_by("pk")]


def _said(gauge, start, end):
    standing = list(between(gauge, start, end).values_list(*_COLUMNS, "recorded_at", named=True))
    count, sha256 = digest(standing)
    until = max((reading.recorded_at for reading in standing), default=start)
    return {
        "gauge": gauge.code,
        "from": start,
        "to": end,
        "until_recorded": until,
        "count": count,
        "sha256": sha256,
    }


class Comparison:
    """Given to verify(): compares the readings that stand with what entries said of them."""

    def __init__(self):
        self.gauges = {gauge.code: gauge for gauge in Gauge.objects.all()}
        self.found = {}  # (gauge, from, to, until) -> (count, sha256), each computed once

    def __call__(self, verdict, entry, data):
        if entry.kind not in KINDS:
            return
        for said in _listed(data):
            if why := self._difference(said):
                verdict.broken.append((entry.log_id, entry.n, why))

    def _difference(self, said):
        """Why the readings are not those that were counted, or an empty text."""
        try:
            gauge = self.gauges[said["gauge"]]
            key = gauge.pk, *(_moment(said[name]) for name in ("from", "to", "until_recorded"))
            count, sha256 = int(said["count"]), said["sha256"]
        except (KeyError, ValueError, TypeError) as missing:
            return f"what it says of readings cannot be compared: {missing}"
        if key not in self.found:
            _, start, end, until = key
            standing = between(gauge, start, end).filter(recorded_at__lte=until)
            self.found[key] = digest(standing.values_list(*_COLUMNS, named=True).iterator())
        if self.found[key][0] != count:
            return f"{count} readings of {gauge.code} were sealed, {self.found[key][0]} stand"
        return "" if self.found[key][1] == sha256 else f"readings of {gauge.code} were changed"

    def covered(self):
        """How many readings stand in the intervals compared, each counted once."""
        intervals = {}
        for pk, start, end, until in self.found:
            intervals.setdefault(pk, []).append((start, end, until))
        return sum(
            Reading.objects.filter(
                gauge=pk, at__gte=start, at__lte=end, recorded_at__lte=until
            ).count()
            for pk, found in intervals.items()
            for start, end, until in _joined(found)
        )


def _listed(data):
    """The records of readings in an entry's data; what is no record is left to its hash."""
    found = data.get("readings")
    return [said for said in found if isinstance(said, dict)] if isinstance(found, list) else []


def _moment(text):
    return datetime.fromisoformat(text)


def _joined(intervals):
    """Intervals that touch made into one, in order of time.

    >>> _joined([(4, 6, 7), (1, 3, 3), (2, 5, 5)])
    [(1, 6, 7)]
    """
    joined = []
    for start, end, until in sorted(intervals):
        if joined and start <= joined[-1][1]:
            first, last, latest = joined.pop()
            start, end, until = first, max(last, end), max(latest, until)
        joined.append((start, end, until))
    return joined
