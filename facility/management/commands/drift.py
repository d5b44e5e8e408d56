import json
import sys
from pathlib import Path

from django.core.management.base import BaseCommand

from facility.management.commands.pumpdown import moments, read, threshold_of
from facility.vacuum.drift import alarms
from facility.vacuum.run_table import Unreadable
from facility.vacuum.shelf import Shelf


class Command(BaseCommand):
    help = "Say whether the instruments of FILE have changed, since when and how fast."
    requires_system_checks = []

    def add_arguments(self, parser):
        parser.add_argument("file", type=Path, metavar="FILE", help="CSV of runs")
        parser.add_argument("--history", type=Path, help="CSV of the instruments' past runs")
        parser.add_argument("--threshold", help="pressure to reach (default: 5e-7 mbar)")
        parser.add_argument("--unit", default="mbar", help="unit of the threshold (default: mbar)")
        parser.add_argument("--at", type=Path, help="CSV of run_id, at_s: runs still running then")
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
        # a run still running counts with what it shows at the last moment asked
        runs = [
            shelf.put(run.until(max(asked[run.run_id]))) if run.run_id in asked else run
            for run in runs
        ]
        found = changes(past, runs, threshold_pa, unit)
        if options["json"]:
            self.stdout.write(json.dumps({"instruments": found}, allow_nan=False))
            return
        for name, document in found.items():
            for alarm in document["alarms"]:
                self.stdout.write(f"{name}, run {alarm['run_id']}: {alarm['says']}")
            if not document["alarms"]:
                self.stdout.write(f"{name}: no change.")


def changes(past, runs, threshold_pa, unit):
    """The alarms of every instrument, as plain values.

    Takes:   past and runs of any instruments; threshold [Pa]; unit to speak in.
    Returns: {instrument: {"alarms": [...]}}.
    """
    found = {}
    known = {run.run_id for run in runs}
    for name in dict.fromkeys(run.instrument for run in runs):
        own = [run for run in runs if run.instrument == name]
        before = [run for run in past if run.instrument == name and run.run_id not in known]
        found[name] = {"alarms": [vars(alarm) for alarm in alarms(before, own, threshold_pa, unit)]}
    return found
