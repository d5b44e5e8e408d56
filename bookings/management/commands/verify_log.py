"""Recompute the log and say whether it still holds."""

import json
import re
import sys

from django.core.management.base import BaseCommand

from bookings import readings
from facility.models import Log
from facility.verify import verify

HEAD = re.compile("[0-9a-fA-F]{64}")


class Command(BaseCommand):
    help = (
        "Recompute every chain of the log, or one, and compare it with seals, with readings and "
        "with a head kept outside. Exit 0: nothing is broken; 1: something is; 2: not understood. "
        "A rewrite of everything, recomputed, is found against a head kept outside, and only so."
    )

    def add_arguments(self, parser):
        parser.add_argument("--log", metavar="ID", help="one log by its number (default: all)")
        parser.add_argument(
            "--head", default="", metavar="HASH", help="a head printed or exported earlier"
        )
        parser.add_argument("--json", action="store_true", help="one JSON document, nothing else")

    def handle(self, *, log, head, **options):
        chosen = None if log is None else Log.objects.filter(pk=_number(log)).first()
        if log is not None and chosen is None:
            self._refuse(f"There is no log {log}.")
        for kept in head.split(",") if head else []:
            if not HEAD.fullmatch(kept.strip()):
                self._refuse(f"{kept!r} is not a head, which has 64 hexadecimal digits.")
        comparison = readings.Comparison()
        verdict = verify(log=chosen, head=head, readings=comparison)
        verdict.readings = comparison.covered()
        if options["json"]:
            self.stdout.write(json.dumps(_document(verdict)))
        else:
            self._say(verdict)
        if verdict.broken:
            sys.exit(1)

    def _refuse(self, sentence):
        self.stderr.write(sentence)
        sys.exit(2)

    def _say(self, verdict):
        for log, n, why in verdict.broken:
            where = f"log {log}, entry {n}: " if n else f"log {log}: " if log else ""
            self.stdout.write(where + why)
        self.stdout.write(
            f"{verdict.logs} logs, {verdict.entries} entries ({verdict.redacted} redacted) and "
            f"{verdict.readings} readings recomputed: {len(verdict.broken) or 'nothing'} broken."
        )
        for slug, head in verdict.heads.items():
            self.stdout.write(f"Head of {slug}: {head}")


def _number(text):
    """The number of a log, or -1 where the text is none."""
    return int(text) if text.isascii() and text.isdigit() and len(text) < 19 else -1


def _document(verdict):
    return {
        "logs": verdict.logs,
        "entries": verdict.entries,
        "readings": verdict.readings,
        "redacted": verdict.redacted,
        "broken": [
            {"log": log or None, "n": n or None, "why": why} for log, n, why in verdict.broken
        ],
        "head": verdict.head,
    }
