"""The demo's own command: an invented year into an empty database."""

import json
import sys
import time
from pathlib import Path

from django.core.management.base import BaseCommand

from bookings import demo
from bookings.demo.cast import PASSWORD
from facility.errors import Refused


class Command(BaseCommand):
    help = "Fill an empty database with a year of an invented laboratory. Refuses any other."

    def add_arguments(self, parser):
        parser.add_argument("--sessions", type=int, help="how many in all (default: 400 a year)")
        parser.add_argument("--years", type=float, help="that they fill (default: 1)")
        parser.add_argument("--seed", type=int, default=1, help="another one, another year")
        parser.add_argument("--planted", type=Path, metavar="FILE", help="what is planted, as JSON")
        parser.add_argument(
            "--sign-ins", action="store_true", help="only print who can sign in to a filled demo"
        )

    def handle(self, *, sessions, years, seed, planted, sign_ins, **options):
        if not sign_ins:
            started = time.monotonic()

            def tell(words):
                self.stderr.write(f"{time.monotonic() - started:5.1f} s  {words}")

            try:
                found = demo.fill(sessions=sessions, years=years, seed=seed, tell=tell)
            except Refused as refusal:
                self.stderr.write(str(refusal))
                sys.exit(2)
            if planted:
                planted.write_text(json.dumps([row.document() for row in found], indent=1))
        self._print_sign_ins()

    def _print_sign_ins(self):
        self.stdout.write(f"\nSign in with the password: {PASSWORD}\n")
        for person in demo.sign_ins():
            what = f"{person.what}, {person.group}" if person.group else person.what
            self.stdout.write(f"  {person.username:8} {person.name:18} {what}")
