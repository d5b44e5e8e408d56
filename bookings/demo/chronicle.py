"""The demo's past while it is made up: rows and log lines in memory, stored in one stroke.

Lines go into their logs in order of recording; what a line says may be a function, asked when keys
and hashes are known. Nothing is stored that the verbs would not have stored.
"""

import hashlib
import uuid
from bisect import bisect_left, bisect_right
from datetime import timedelta

from bookings import readings
from bookings.models import (
    Booking,
    Fault,
    Flag,
    FollowUp,
    Incident,
    IncidentChange,
    LeftRunning,
    Load,
    Measurement,
    PumpDown,
    Reading,
    Session,
    SessionPart,
)
from facility import log
from facility.models import DeviceState, Log, Qualification
from facility.vacuum import units
from samples.models import Cleaning, Mount, Sample, Whereabouts

ORDER = (
    Qualification,
    Sample,
    Booking,
    Log,
    Session,
    SessionPart,
    Load,
    Mount,
    Whereabouts,
    Cleaning,
    PumpDown,
    Reading,
    Incident,
)
NAMING_ENTRIES = (IncidentChange, FollowUp, Fault, Measurement, LeftRunning, Flag)
BATCH = 2000


class Chronicle:
    """Rows and log lines of the demo until they are stored."""

    def __init__(self, rng):
        self.rng = rng
        self.rows = {model: [] for model in (*ORDER, *NAMING_ENTRIES)}
        self.lines = {}  # id of a log -> its lines
        self.logs = []
        self.instruments = []
        self.gauges = {}  # instrument's slug -> its gauges, those of the ion gun left out
        self.readings = {}  # gauge's code -> readings

    def uuid(self):
        return uuid.UUID(int=self.rng.getrandbits(128), version=4)

    def add(self, row):
        self.rows[type(row)].append(row)
        return row

    # the log

    def add_instrument(self, instrument, gauges):
        """An instrument that stands with its log; gauges in order of their keys."""
        self.instruments.append(instrument)
        self.lines[id(instrument.log)] = []
        self.gauges[instrument.slug] = [gauge for gauge in gauges if not gauge.on_ion_gun]

    def open_log(self, *, kind, instrument, by, at, recorded):
        """A log of a session or load, told of in its instrument's log."""
        made = self.add(Log(kind=kind, instrument=instrument))
        self.lines[id(made)] = []
        self.logs.append(made)
        said = lambda: {"log": made.pk, "of": kind}  # noqa: E731
        self.write(instrument.log, "log opened", by, said, at=at, recorded=recorded)
        return made

    def write(self, of, kind, by, data, *, at=None, recorded):
        """One line of a log; `data` is a dict or a function that gives it when all is known."""
        line = {
            "kind": kind,
            "by": by,
            "data": data,
            "happened_at": at or recorded,
            "recorded_at": recorded,
            "sent_id": self.uuid(),
        }
        self.lines[id(of)].append(line)
        return line

    def seal(self, of, by, *, instrument, recorded, start, end):
        """The log's count and last hash with its readings, in the instrument's log."""
        count = len(self.lines[id(of)])

        def said():
            digests = self.digests(instrument, start, end, recorded)
            head = self.lines[id(of)][count - 1]["entry"].hash
            return {"log": of.pk, "count": count, "head": head, "readings": digests}

        self.write(instrument.log, "seal", by, said, recorded=recorded)

    # readings

    def read(self, gauge, text, *, at, recorded, by=None):
        """A reading as typed by somebody, or by a logger where nobody is named."""
        typed = units.parse_pressure(text)
        row = Reading(
            gauge=gauge,
            at=at,
            state=typed.state,
            pressure_pa=typed.in_pascal(gauge.unit),
            typed=text,
            unit=typed.unit or gauge.unit,
            source=Reading.Source.MANUAL if by else Reading.Source.LOGGER,
            person=by,
            tablet_at=at if by else None,
            recorded_at=recorded,
            sent_id=self.uuid(),
        )
        self.readings.setdefault(gauge.code, []).append(row)
        return self.add(row)

    def sort_readings(self):
        """Readings of each gauge in the order of the digest, with the line that it reads."""
        for rows in self.readings.values():
            rows.sort(key=lambda row: (row.at, row.sent_id.hex))
            for row in rows:
                row.digest_line = readings.line(row).encode()
        self.moments = {code: [row.at for row in rows] for code, rows in self.readings.items()}

    def between(self, gauge, start, end):
        """Readings of a gauge from `start` to `end`, both included."""
        rows, moments = self.readings.get(gauge.code, []), self.moments.get(gauge.code, [])
        return rows[bisect_left(moments, start) : bisect_right(moments, end)]

    def digests(self, instrument, start, end, known_at):
        """As `readings.digests`, from memory: what was recorded at `known_at`."""
        said = []
        for gauge in self.gauges[instrument.slug]:
            standing = [
                row for row in self.between(gauge, start, end) if row.recorded_at <= known_at
            ]
            found = hashlib.sha256(b"".join(row.digest_line for row in standing))
            until = max((row.recorded_at for row in standing), default=start)
            said.append(
                {
                    "gauge": gauge.code,
                    "from": start,
                    "to": end,
                    "until_recorded": until,
                    "count": len(standing),
                    "sha256": found.hexdigest(),
                }
            )
        return said

    # storing

    def store(self, tell):
        """Everything into the database: rows, then each log's lines in order of recording."""
        self.sort_readings()
        self._judge_crossings()
        for model in ORDER:
            self._store_rows(model)
        tell(f"{len(self.rows[Session]):,} sessions, {len(self.rows[Load]):,} loads stored")
        written = sum(map(self._store_lines, self.logs))
        for model in NAMING_ENTRIES:
            self._store_rows(model)
        # instruments' own logs last: their seals hold the heads of the others
        written += sum(self._store_lines(instrument.log) for instrument in self.instruments)
        tell(f"{len(self.rows[Reading]):,} readings, {written:,} log entries stored")

    def _store_rows(self, model):
        rows = self.rows[model]
        for row in rows:
            for name, value in row.late().items() if hasattr(row, "late") else ():
                setattr(row, name, value)
            if hasattr(row, "line"):
                row.entry = row.line["entry"]
        if model is Reading:
            rows.sort(key=lambda row: (row.recorded_at, row.at))
        model.objects.bulk_create(rows, batch_size=BATCH)

    def _store_lines(self, of):
        """One log's lines; each keeps its entry, so that seals and device states can name it."""
        lines = sorted(self.lines[id(of)], key=lambda line: line["recorded_at"])
        said = [
            line | {"data": line["data"]() if callable(line["data"]) else line["data"]}
            for line in lines
        ]
        if not said:
            return 0
        for line, entry in zip(lines, log.write_past(log=of, lines=said), strict=True):
            line["entry"] = entry
        return len(lines)

    def _judge_crossings(self):
        """When each pump-down reached its threshold, as `pump.crossed_s` says it."""
        for row in self.rows[PumpDown]:
            if row.ended_at is None:
                continue
            first = min(
                (
                    reading.at
                    for gauge in self.gauges[row.chamber.instrument.slug]
                    if gauge.chamber is row.chamber
                    for reading in self.between(gauge, row.started_at, row.ended_at)
                    if reading.state == "number" and reading.pressure_pa <= row.threshold_pa
                ),
                default=None,
            )
            crossed = (first - row.started_at).total_seconds() if first else None
            row.cooked = {"crossed_s": crossed}

    def store_states(self, instrument, states):
        """Where each device stands: (state, since, looked at, line)."""
        DeviceState.objects.bulk_create(
            DeviceState(
                instrument=instrument,
                device=device,
                state=state,
                since=since,
                looked_at=looked_at,
                entry=line["entry"] if line else None,
            )
            for device, (state, since, looked_at, line) in states.items()
        )


def seconds(number):
    return timedelta(seconds=number)
