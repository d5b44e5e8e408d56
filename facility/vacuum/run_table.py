"""The table of pump-down runs that the commands read: one row a reading, rows of a run together."""

import codecs
import csv
import io
import math
import re
from array import array
from datetime import UTC, datetime
from operator import itemgetter

import numpy as np

from facility.vacuum.runs import Run
from facility.vacuum.units import parse_pressure, to_pascal, unit_named

NEEDED = ("run_id", "instrument", "started_at", "t_s", "pressure", "unit")
LENT = ("form", "samples", "vent_minutes", "gauge", "source", "event")  # may be missing or empty
# A logger that never stops: after so many rows of a run, rows of the same gauge and event are kept
# only so many for each hundredth of the time (own choice; a curve is straight within it). Which rows
# stay depends on the rows before alone, so that nothing later changes an answer.
ALL_KEPT, KEPT_A_STEP, STEP = 20_000, 256, 0.01
MOST_KEPT = 200_000  # rows of a run; from there on gauges and events share the steps
NOT_UTF8 = re.compile("[\udc80-\udcff]")  # what surrogateescape makes of a byte it cannot read


class Unreadable(ValueError):
    """The table cannot be read; the text is one sentence for a person."""


def read_runs(stream):
    """The runs of a table, one at a time, in the order of the table.

    Takes:   stream, a binary file of comma-separated (or semicolon, tab) text with a header.
    Returns: an iterator of Run; memory holds one run, and of a very long one not every row.
    Raises:  Unreadable with one sentence that names the row (the header is row 1).
    """
    rows = csv.reader(text_lines(stream), delimiter=_delimiter(stream))
    cells_of, width, wide = _columns(rows)
    seen, current, number = set(), None, 1
    try:
        for number, row in enumerate(rows, start=2):
            if len(row) < width:
                if not any(row):
                    continue
                raise Unreadable(
                    f"Row {number} has {len(row)} cells and needs {width}; complete it."
                )
            if len(row) <= wide:
                row.extend([""] * (wide + 1 - len(row)))
            row[wide] = ""  # where a column that was not given is read from
            run_id, *head, when, typed, unit, gauge, source, event = cells_of(row)
            if current is None or run_id != current.raw_id:
                if current is not None:
                    yield current.run()
                current = _Growing(run_id, head, number)
                if current.run_id in seen:
                    raise Unreadable(
                        f"Row {number}: run {current.run_id} was already read further up; "
                        "put all rows of a run together."
                    )
                seen.add(current.run_id)
            current.add(when, typed, unit, (gauge, source, event), number)
    except csv.Error as trouble:
        raise Unreadable(f"Row {number + 1}: this is not a line of a table ({trouble}).") from None
    except UnicodeDecodeError:
        raise Unreadable(f"Row {number + 1}: the text is not UTF-8; save it as UTF-8.") from None
    if current is None:
        raise Unreadable("The file has a header and no rows; add at least one run.")
    yield current.run()


class _Growing:
    """A run while its rows arrive; numbers are kept packed."""

    def __init__(self, run_id, head, number):
        instrument, started_at, form, samples, vent_minutes = (cell.strip() for cell in head)
        self.raw_id, self.run_id, self.instrument = run_id, run_id.strip(), instrument
        if not self.run_id:
            raise Unreadable(f"Row {number}: run_id is empty; give each run a name.")
        self.started_at = _moment(started_at, number)
        self.form = form.lower()
        self.samples = _metadata(samples)
        self.vent_minutes = _metadata(vent_minutes)
        self.t_s, self.pressure_pa = array("d"), array("d")
        self.words = ([], [], [])  # gauge, source, event
        self.known, self.factors, self.unit, self.unread = {}, {}, "", 0
        self.steps = {}  # how many rows of each step of the time were kept
        self.last = None  # the newest row, where it was not kept: it says how long the run was

    def add(self, when, typed, unit, words, number):
        if not when and not typed.strip() and not words[2].strip():
            return  # a run known only by its metadata
        at_s, pressure_pa = _seconds(when, number), self._pressure(typed, unit, number)
        if len(self.t_s) >= ALL_KEPT and not self._room(at_s, words):
            self.last = at_s, pressure_pa, words
            return
        self.last = None
        self._keep(at_s, pressure_pa, words)

    def _keep(self, at_s, pressure_pa, words):
        self.t_s.append(at_s)
        self.pressure_pa.append(pressure_pa)
        for column, word in zip(self.words, words, strict=True):
            if word not in self.known:
                self.known[word] = word.strip()
            column.append(self.known[word])

    def _room(self, at_s, words):
        step = int(math.log(min(max(at_s, 1.0), 1e8)) / STEP)
        key = (step, words[0], words[2]) if len(self.t_s) < MOST_KEPT else step
        kept = self.steps.get(key, 0)
        if kept < KEPT_A_STEP:
            self.steps[key] = kept + 1
        return kept < KEPT_A_STEP

    def _pressure(self, typed, unit, number):
        if not typed:
            return math.nan
        unit = unit.strip() or self.unit
        if unit not in self.factors:
            self.factors[unit] = _factor(unit, number)
        self.unit = unit
        try:
            value = float(typed)
        except ValueError:
            try:
                read = parse_pressure(typed)
            except ValueError:
                self.unread += 1
                return math.nan
            value = math.nan if read.value is None else read.value
            if read.unit:
                return value * _factor(read.unit, number)
        value *= self.factors[unit]
        return value if math.isfinite(value) and value > 0 else math.nan

    def run(self):
        if self.last:
            self._keep(*self.last)
        return Run(
            self.run_id,
            self.instrument,
            self.started_at,
            self.form,
            self.samples,
            self.vent_minutes,
            np.array(self.t_s),
            np.array(self.pressure_pa),
            _words(self.words[0]),
            *(_words(_lowered(column)) for column in self.words[1:]),
            self.unread,
        )


def _lowered(column):
    small = {word: word.lower() for word in set(column)}  # one text a word, not one a row
    return [small[word] for word in column]


def _words(column):
    words = np.empty(len(column), dtype=object)
    words[:] = column
    return words


def text_lines(stream):
    """The lines of a file of text, one at a time, whatever its encoding mark says.

    Takes:   stream, a binary file.   Returns: an iterator of lines, ends kept.
    Raises:  Unreadable with the row of the first byte that is not UTF-8, and of a NUL byte, which
    would end in a puzzle further on.
    """
    start = stream.peek(4)[:4] if hasattr(stream, "peek") else b""
    wide = start.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE))
    text = io.TextIOWrapper(
        stream,
        encoding="utf-16" if wide else "utf-8-sig",
        # strict would name the row where a whole block began, not the row of the byte
        errors="strict" if wide else "surrogateescape",
        newline="",
    )
    for number, line in enumerate(text, start=1):
        if "\0" in line:
            raise Unreadable(f"Row {number}: the file holds NUL bytes; save it as UTF-8 text.")
        if not line.isascii() and NOT_UTF8.search(line):
            raise Unreadable(f"Row {number}: the text is not UTF-8; save the file as UTF-8.")
        yield line


def _delimiter(stream):
    head = (stream.peek(4096) if hasattr(stream, "peek") else b"").split(b"\n", 1)[0]
    return max(",;\t", key=lambda mark: head.count(mark.encode()))


def _columns(rows):
    """What takes a row's cells in our order, the fewest cells of a row, and the place past the last."""
    try:
        header = next(rows, None)
    except csv.Error as trouble:
        raise Unreadable(f"Row 1: this is not the header of a table ({trouble}).") from None
    except UnicodeError:
        raise Unreadable("Row 1: the text cannot be decoded; save the file as UTF-8.") from None
    if header is None:
        raise Unreadable("The file is empty; the first row must name the columns.")
    columns = {name.strip().lower(): place for place, name in enumerate(header)}
    missing = [name for name in NEEDED if name not in columns]
    if missing:
        raise Unreadable(f"Row 1: column {', '.join(missing)} is missing; name it in the header.")
    beyond = len(header)
    order = (*NEEDED[:3], *LENT[:3], *NEEDED[3:], *LENT[3:])
    return (
        itemgetter(*(columns.get(name, beyond) for name in order)),
        1 + max(columns[name] for name in NEEDED),
        beyond,
    )


def _seconds(text, number):
    try:
        value = float(text.replace(",", "."))
    except ValueError:
        value = math.nan
    if not math.isfinite(value):
        raise Unreadable(f"Row {number}: t_s is {text[:40]!r}; write seconds since the start.")
    return value


def _moment(text, number):
    try:
        moment = datetime.fromisoformat(text)
    except ValueError:
        raise Unreadable(
            f"Row {number}: started_at is {text[:40]!r}; write it like 2026-03-02T16:40:00Z."
        ) from None
    return moment.astimezone(UTC) if moment.tzinfo else moment.replace(tzinfo=UTC)


def _metadata(text):
    """A number, or None: what is empty or no number is not known."""
    try:
        value = float(text.replace(",", "."))
    except ValueError:
        return None
    return value if math.isfinite(value) and value >= 0 else None


def _factor(unit, number):
    if not unit:
        raise Unreadable(f"Row {number}: the unit is empty; name it, such as mbar.")
    try:
        return to_pascal(1.0, unit_named(unit))
    except ValueError as trouble:
        raise Unreadable(f"Row {number}: {trouble}") from None
