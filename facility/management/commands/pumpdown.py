import csv
import json
import math
import sys
from pathlib import Path

from django.core.management.base import BaseCommand

from facility.vacuum.diagnosis import LIMIT, diagnose, limit_of
from facility.vacuum.forecast import DEFAULT_THRESHOLD_PA, forecast, in_turn
from facility.vacuum.run_table import Unreadable, read_runs, text_lines
from facility.vacuum.runs import crossing
from facility.vacuum.shelf import Shelf
from facility.vacuum.units import parse_pressure, unit_named

SECONDS = 1  # digits after the point of a time in the answer


class Command(BaseCommand):
    help = "Say when each pump-down of FILE reaches the threshold, and what was unusual about it."
    requires_system_checks = []

    def add_arguments(self, parser):
        parser.add_argument("file", type=Path, metavar="FILE", help="CSV of runs")
        parser.add_argument("--history", type=Path, help="CSV of the instrument's past runs")
        parser.add_argument("--threshold", help="pressure to reach (default: 5e-7 mbar)")
        parser.add_argument("--unit", default="mbar", help="unit of the threshold (default: mbar)")
        parser.add_argument("--at", type=Path, help="CSV of run_id, at_s: forecast at these times")
        parser.add_argument("--json", action="store_true", help="print one JSON document")

    def handle(self, *, file, history, threshold, unit, at, **options):
        try:
            threshold_pa = threshold_of(threshold, unit)
            shelf = Shelf()
            runs = read(file, shelf)
            past = read(history, shelf) if history else []
            asked = moments(at, {run.run_id for run in runs}) if at else {}
        except Unreadable as refusal:
            self.stderr.write(str(refusal), self.style.NOTICE)
            sys.exit(2)
        known, limits = {}, {}
        for run, learned in in_turn(past, runs, threshold_pa, running=set(asked)):
            if run.instrument not in limits:  # one limit an instrument, from what came before FILE
                limits[run.instrument] = limit_of(learned, past)
            known[run.run_id] = run_document(
                run, learned, asked.get(run.run_id), limits[run.instrument], unit
            )
        documents = [known[run.run_id] for run in runs]
        if options["json"]:
            self.stdout.write(json.dumps({"runs": documents}, allow_nan=False))
            return
        for document in documents:
            self.stdout.write(f"{document['run_id']}: {document['says']}")


def run_document(run, learned, moments_s=None, limit=LIMIT, unit="mbar"):
    """What is said of one run: its crossing, its forecasts, whether it was unusual, and in words.

    Takes:   run; learned, from the runs that ended before it; moments_s [s], when to forecast
    (None: at the last reading); limit, the score above which a run is unusual; unit to speak in.
    Returns: a dictionary of plain values. Crossing and diagnosis are of the whole run as it was
    handed in; each forecast knows nothing later than its moment.
    """
    moments_s = moments_s or [last_reading(run)]
    said = [(at_s, forecast(learned, run, at_s)) for at_s in moments_s]
    seen = crossing(run, learned.threshold_pa)
    found = diagnose(learned, run, limit, unit=unit)
    return {
        "run_id": run.run_id,
        "crossed_s": rounded(seen.known_s) if seen and seen.known_s is not None else None,
        "forecasts": [
            {
                "at_s": at_s,
                "ready_s": rounded(answer.ready_s),
                "low80_s": rounded(answer.low80_s),
                "high80_s": rounded(answer.high80_s),
            }
            for at_s, answer in said
        ],
        "unusual": found.unusual,
        "score": round(found.score, 2),
        "cause": found.cause,
        "second_cause": found.second_cause,
        "says": f"{said[-1][1].says} {found.says}",
    }


def last_reading(run):
    """Seconds of the last row; 0 for a run known by its metadata only."""
    return float(run.t_s.max()) if run.t_s.size else 0.0


def rounded(seconds):
    return round(float(seconds), SECONDS)


def threshold_of(text, unit):
    """The threshold in pascal."""
    if text is None:
        return DEFAULT_THRESHOLD_PA
    try:
        typed = parse_pressure(text)
        value = typed.in_pascal(unit_named(unit))
    except ValueError as trouble:
        raise Unreadable(f"--threshold: {trouble}") from None
    if value is None or not (math.isfinite(value) and value > 0):
        raise Unreadable(f"--threshold is {text!r}; type a pressure above zero, such as 5e-7.")
    return value


def read(path, shelf):
    """The runs of a file, all of them, their readings on the shelf."""
    try:
        with path.open("rb") as stream:
            return [shelf.put(run) for run in read_runs(stream)]
    except OSError as trouble:
        raise Unreadable(f"{path} cannot be opened: {trouble.strerror}.") from None
    except Unreadable as refusal:
        raise Unreadable(f"{path.name}: {refusal}") from None


def moments(path, names):
    """Times at which each run is asked: {run_id: [seconds]}."""
    asked = {}
    try:
        with path.open("rb") as stream:
            rows = csv.DictReader(_named_lines(path, stream))
            if not {"run_id", "at_s"} <= set(rows.fieldnames or ()):
                raise Unreadable(f"{path.name}: row 1 must name the columns run_id and at_s.")
            for number, row in enumerate(rows, start=2):
                asked.setdefault(_name(path, number, row, names), []).append(
                    _moment(path, number, row)
                )
    except OSError as trouble:
        raise Unreadable(f"{path} cannot be opened: {trouble.strerror}.") from None
    except csv.Error as trouble:
        raise Unreadable(f"{path.name}: this is not a table ({trouble}).") from None
    except UnicodeError:
        raise Unreadable(f"{path.name}: the text cannot be decoded; save it as UTF-8.") from None
    return asked


def _named_lines(path, stream):
    try:
        yield from text_lines(stream)
    except Unreadable as refusal:
        raise Unreadable(f"{path.name}: {refusal}") from None


def _name(path, number, row, names):
    name = (row["run_id"] or "").strip()
    if name not in names:
        raise Unreadable(f"{path.name}: row {number}: the file of runs holds no run {name!r}.")
    return name


def _moment(path, number, row):
    try:
        at_s = float(row["at_s"] or "")
    except ValueError:
        at_s = math.nan
    if not (math.isfinite(at_s) and at_s >= 0):
        raise Unreadable(
            f"{path.name}: row {number}: at_s is {row['at_s']!r}; write seconds since the start."
        )
    return at_s
