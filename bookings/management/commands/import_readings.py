"""Readings of a gauge from a table that a logger or a spreadsheet wrote, each stored once."""

import codecs
import csv
import sys
import uuid
from collections import Counter
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

import numpy as np
from django.conf import settings
from django.core.management.base import BaseCommand
from django.db import transaction
from django.utils import timezone

from bookings.models import Reading
from facility.log import stamp
from facility.models import Gauge
from facility.vacuum import gauges, units

SPACE = uuid.UUID("5f0c3d0e-8a0a-5b8e-9b1b-6b2f0f1a7c55")  # of ids made from gauge, moment and text
BATCH = 1000  # rows in one transaction and in memory
CONTEXT = 2  # rows on either side that a run of three equal extremes needs to be seen
LONGEST_LINE = 10_000  # characters; own proposal, far beyond any logger's
SENTENCES = 20  # bad rows named one by one; the rest are counted
AHEAD = timedelta(minutes=10)
TIMES = ("at", "time", "datetime", "date time", "date and time", "timestamp", "date")
PRESSURES = ("pressure", "p", "reading", "value")
DELIMITERS = {"comma": ",", "semicolon": ";", "tab": "\t", "space": " "}


class Unreadable(ValueError):
    """Nothing can be read; the text is one sentence."""


class BadRow(ValueError):
    """This row cannot be read; the text is one sentence without the row's number."""


@dataclass(frozen=True)
class Row:
    """One line of the table that can be read."""

    at: datetime
    text: str
    state: str
    pascal: float | None
    unit: str

    def sent_id(self, gauge):
        """The same for the same gauge, moment and text, so that a file imported twice is kept once."""
        return uuid.uuid5(SPACE, f"{gauge.code}|{stamp(self.at)}|{self.text}")


class Command(BaseCommand):
    help = (
        "Store the pressures of a table as readings of a gauge; the same file twice is kept once."
    )

    def add_arguments(self, parser):
        parser.add_argument("file", type=Path, metavar="FILE", help="a table with a header")
        parser.add_argument(
            "--gauge", required=True, metavar="CODE", help="whose readings these are"
        )
        parser.add_argument("--column", metavar="NAME", help="with the pressures")
        parser.add_argument("--time-column", metavar="NAME", help="with the times")
        parser.add_argument(
            "--date-format",
            metavar="F",
            help="such as %%d-%%b-%%Y %%H:%%M:%%S, months in English (default: ISO 8601)",
        )
        parser.add_argument("--unit", metavar="U", help="default: that of the gauge's controller")
        parser.add_argument("--decimal-comma", action="store_true", help="1,2e-6 is 0.0000012")
        parser.add_argument(
            "--delimiter", help="one character, or: " + ", ".join(DELIMITERS) + " (default: seen)"
        )
        parser.add_argument(
            "--zone", metavar="Z", help="of times without one (default: the facility's)"
        )
        parser.add_argument("--dry-run", action="store_true", help="say what would be stored")

    def handle(self, *, file, dry_run, **options):
        try:
            table = Table(file, gauge=_gauge(options["gauge"]), **_asked(options))
            counts = self._store(table, dry_run=dry_run)
            if not counts["stored"] + counts["repeated"]:
                raise Unreadable(f"No row of {file.name} can be read; nothing is stored.")
        except Unreadable as sentence:
            self.stderr.write(str(sentence))
            sys.exit(2)
        words = [f"{counts[word]:,} {word}" for word in ("stored", "repeated", "refused")]
        if states := [f"{counts[s]:,} {s}" for s in ("over", "under", "off") if counts[s]]:
            words.append(f"without a pressure: {', '.join(states)}")
        self.stdout.write(("Would be: " if dry_run else "") + "; ".join(words) + ".")

    def _store(self, table, *, dry_run):
        """Batch by batch; returns how many were stored, repeated and refused, and the states."""
        counts = Counter()

        def refuse(number, sentence):
            counts["refused"] += 1
            if counts["refused"] <= SENTENCES:
                self.stderr.write(f"Line {number}: {sentence}")

        for batch in table.batches(refuse):
            new = _new_ones(table.gauge, batch, dry_run=dry_run)
            counts["stored"] += len(new)
            counts["repeated"] += len(batch) - len(new)
            counts.update(row.state for row in new if row.state != Reading.State.NUMBER)
            done = counts["stored"] + counts["repeated"]
            if done // 50_000 > (done - len(batch)) // 50_000:
                self.stderr.write(f"{done:,} rows")
        if counts["refused"] > SENTENCES:
            self.stderr.write(f"and {counts['refused'] - SENTENCES:,} more lines were refused.")
        return counts


@transaction.atomic
def _new_ones(gauge, batch, *, dry_run):
    """Store the rows of a batch that are not there yet; returns these."""
    Gauge.objects.select_for_update().get(pk=gauge.pk)  # one import of a gauge at a time
    wanted = {}
    for row in batch:
        wanted.setdefault(row.sent_id(gauge), row)
    known = set(Reading.objects.filter(sent_id__in=wanted).values_list("sent_id", flat=True))
    new = {sent_id: row for sent_id, row in wanted.items() if sent_id not in known}
    if dry_run:
        return list(new.values())
    now = timezone.now()
    Reading.objects.bulk_create(
        Reading(
            gauge=gauge,
            at=row.at,
            state=row.state,
            pressure_pa=row.pascal,
            typed=row.text,
            unit=row.unit,
            source=Reading.Source.LOGGER,
            recorded_at=now,
            sent_id=sent_id,
        )
        for sent_id, row in new.items()
    )
    return list(new.values())


def _gauge(code):
    found = Gauge.objects.filter(code=code).first()
    if found is None:
        there = ", ".join(Gauge.objects.order_by("code").values_list("code", flat=True))
        raise Unreadable(f"There is no gauge {code!r}; there are: {there or 'none yet'}.")
    return found


def _asked(options):
    """The options of a table, each as what it means."""
    try:
        unit = options["unit"] and units.unit_named(options["unit"])
    except ValueError as sentence:
        raise Unreadable(f"--unit: {sentence}") from None
    try:
        zone = ZoneInfo(options["zone"] or settings.TIME_ZONE)
    except (ZoneInfoNotFoundError, ValueError, OSError):
        raise Unreadable(
            f"--zone: no zone is called {options['zone']!r}; write one such as Europe/Berlin or UTC."
        ) from None
    delimiter = options["delimiter"] and DELIMITERS.get(options["delimiter"], options["delimiter"])
    if delimiter is not None and (len(delimiter) != 1 or delimiter in '"\r\n\0'):
        raise Unreadable(
            f"--delimiter is {delimiter!r}; write one character, or {', '.join(DELIMITERS)}."
        )
    return {
        "unit": unit,
        "zone": zone,
        "delimiter": delimiter,
        "column": options["column"],
        "time_column": options["time_column"],
        "date_format": options["date_format"],
        "decimal_comma": options["decimal_comma"],
    }


class Table:
    """A table of times and pressures, read line by line, twice: first for its extremes."""

    def __init__(
        self, path, *, gauge, unit, zone, delimiter, column, time_column, date_format, decimal_comma
    ):
        self.path, self.gauge, self.zone = path, gauge, zone
        self.unit, self.date_format = unit or gauge.unit, date_format
        self.decimal_comma, self.delimiter = decimal_comma, delimiter
        self.last = None  # moment of the row before, for the hour that comes twice
        try:
            with path.open("rb") as stream:
                self.encoding = _encoding(stream.read(4))
            header = next(iter(self._lines()), None)
        except OSError as problem:
            raise Unreadable(f"{path} cannot be opened: {problem.strerror}.") from None
        if header is None or not header[1].strip():
            raise Unreadable(f"{path.name} is empty: the first line must name the columns.")
        self.delimiter = delimiter or max(",;\t", key=header[1].count)
        self.names = [name.strip() for name in self._cells(header[1])]
        self.time_at = self._place(time_column, "--time-column", TIMES, "times")
        self.value_at = self._place(column, "--column", PRESSURES, "pressures")

    # lines and cells

    def _lines(self):
        """(number, text, whether it is whole) of every line; a monstrous one is cut."""
        with self.path.open(encoding=self.encoding, errors="replace", newline="\n") as stream:
            number = 0
            while line := stream.readline(LONGEST_LINE):
                number += 1
                whole = line.endswith("\n")
                if not whole and len(line) == LONGEST_LINE:
                    while (rest := stream.readline(LONGEST_LINE)) and not rest.endswith("\n"):
                        pass
                yield number, line.rstrip("\r\n"), whole

    def _cells(self, line):
        try:
            return next(csv.reader([line], delimiter=self.delimiter), [])
        except csv.Error as problem:
            raise BadRow(f"this is not a row of a table ({problem}).") from None

    def _place(self, asked, option, usual, what):
        """Where the column stands: the one asked for, one with a usual name, or the only other."""
        there = ", ".join(name or "(without a name)" for name in self.names)
        if asked is not None:
            if asked.strip() in self.names:
                return self.names.index(asked.strip())
            raise Unreadable(f"The table has no column {asked!r}; it has: {there}.")
        for name in usual:
            for place, own in enumerate(self.names):
                if own.lower().replace("_", " ") == name:
                    return place
        others = [
            place for place in range(len(self.names)) if place != getattr(self, "time_at", -1)
        ]
        if what == "pressures" and len(others) == 1:
            return others[0]
        raise Unreadable(f"Say which column holds the {what} with {option}; there are: {there}.")

    # rows

    def _row(self, line, whole):
        """The row in a line, or BadRow."""
        cells = self._cells(line)
        if not whole:
            raise BadRow(
                "the file ends in the middle of this line, so it may be cut off; import it again "
                "when it is whole."
            )
        if len(cells) != len(self.names):
            raise BadRow(f"it has {len(cells)} columns, the header has {len(self.names)}.")
        return self._moment(cells[self.time_at].strip()), self._pressure(cells[self.value_at])

    def _moment(self, text):
        """The moment in UTC; a time without a zone is one of the facility's clock."""
        try:
            if self.date_format:
                moment = datetime.strptime(text, self.date_format)
            else:
                moment = datetime.fromisoformat(text)
        except ValueError:
            like = f"like {self.date_format}" if self.date_format else "an ISO 8601 time"
            raise BadRow(f"“{text[:40]}” is not {like}.") from None
        if moment.tzinfo is None:
            moment = self._by_the_clock(moment)
        try:
            moment = moment.astimezone(UTC)
        except OverflowError:
            raise BadRow(f"“{text[:40]}” is outside any calendar.") from None
        if moment > timezone.now() + AHEAD:
            raise BadRow(f"“{text[:40]}” is still to come; look at the date and at --zone.")
        self.last = moment
        return moment

    def _by_the_clock(self, moment):
        """The hour that comes twice in autumn is told by the order of the rows."""
        first, second = (moment.replace(tzinfo=self.zone, fold=fold) for fold in (0, 1))
        if first.utcoffset() == second.utcoffset():
            return first
        if first.utcoffset() < second.utcoffset():
            raise BadRow(f"{moment:%d %b %Y %H:%M} does not exist in {self.zone}: clocks went on.")
        return second if self.last and first.astimezone(UTC) < self.last else first

    def _pressure(self, text):
        """(text, state, pascal, unit) of a cell."""
        text = text.strip()
        plain = text.replace(",", ".") if self.decimal_comma else text
        wrong, right = (".", ",") if self.decimal_comma else (",", ".")
        if len(text) > 40:
            raise BadRow(f"“{text[:20]}…” is longer than any pressure.")
        if wrong in text:
            raise BadRow(
                f"“{text}” has a decimal “{wrong}” where the table has “{right}”"
                + ("." if self.decimal_comma else "; say --decimal-comma if all rows do.")
            )
        try:
            if float(plain) <= 0:
                return text, self._without_a_pressure(), None, self.unit
        except ValueError:
            pass  # a state in words, a unit, or nothing that can be read
        try:
            typed = units.parse_pressure(plain)
        except ValueError as sentence:
            raise BadRow(str(sentence)) from None
        unit = typed.unit or self.unit
        return text, typed.state, typed.in_pascal(self.unit), unit

    def _without_a_pressure(self):
        """What zero and below mean: a cold cathode that is not lit, else below the gauge's range."""
        unlit = self.gauge.principle == Gauge.Principle.COLD_CATHODE
        return Reading.State.OFF if unlit else Reading.State.UNDER

    def _rows(self, refuse):
        """Every row that can be read, in the order of the table."""
        self.last = None
        for number, line, whole in self._lines():
            if number == 1 or not line.strip():
                continue
            try:
                at, (text, state, pascal, unit) = self._row(line, whole)
            except BadRow as sentence:
                refuse(number, str(sentence))
                continue
            yield Row(at, text, state, pascal, unit)

    def _extremes(self):
        """The least and the greatest pressure of the table, which a stop of the gauge would be."""
        least, greatest = np.inf, -np.inf
        for row in self._rows(lambda number, sentence: None):
            if row.pascal is not None:
                least, greatest = min(least, row.pascal), max(greatest, row.pascal)
        return least, greatest

    def batches(self, refuse):
        """Rows by the thousand; a gauge's stop, repeated, is no pressure."""
        extremes, kept, part = self._extremes(), [], []
        for row in self._rows(refuse):
            part.append(row)
            if len(part) == BATCH + CONTEXT:
                yield self._told_stops(kept, part, extremes)[:BATCH]
                kept, part = part[BATCH - CONTEXT : BATCH], part[BATCH:]
        if part:
            yield self._told_stops(kept, part, extremes)

    def _told_stops(self, kept, part, extremes):
        """The rows of `part`; those that stand at a stop of the gauge are over or under range.

        `kept` are the rows before it, so that a run is seen across batches.
        """
        least, greatest = extremes
        if not np.isfinite([least, greatest]).all():
            return part
        seen = [np.nan if row.pascal is None else row.pascal for row in (*kept, *part)]
        seen = np.array([least, np.nan, greatest, np.nan, *seen])
        stops = gauges.clamped(seen, self.gauge.principle) | gauges.clamped(seen, "combined")
        stops = stops[4 + len(kept) :]
        over, under = Reading.State.OVER, Reading.State.UNDER
        middle = np.sqrt(least * greatest)
        return [
            Row(row.at, row.text, over if row.pascal > middle else under, None, row.unit)
            if stop
            else row
            for row, stop in zip(part, stops, strict=True)
        ]


def _encoding(start):
    """How a file is written, by its first bytes."""
    for mark, name in ((codecs.BOM_UTF16_LE, "utf-16"), (codecs.BOM_UTF16_BE, "utf-16")):
        if start.startswith(mark):
            return name
    return "utf-8-sig"
