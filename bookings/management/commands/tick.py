"""The clock: everything that is due, under a lock, safe to run twice."""

from django.core.management.base import BaseCommand

from bookings.clock import tick


class Command(BaseCommand):
    help = "Do all that is due now: sealing, sweeping, messages. Run it each minute."

    def handle(self, **options):
        done = tick()
        if options["verbosity"] > 1:
            self.stdout.write(", ".join(f"{name} {count}" for name, count in done.items()))
