"""How often the rules of the bench ask something: `manage.py alarm_budget`."""

from django.core.management.base import BaseCommand

from bookings import alarms


class Command(BaseCommand):
    help = "Print how many of the holders that were loaded had a warning or a stop, by rule."

    def handle(self, **options):
        found = alarms.measure()
        self.stdout.write(
            f"{found.loads} loads: {found.warned_part:.1%} asked something new (at most "
            f"{alarms.WARN_AT_MOST:.0%}), {found.stopped_part:.1%} were stopped (at most "
            f"{alarms.STOP_AT_MOST:.0%}); {found.standing} carried a finding, asked before or not."
        )
        for (rule, severity), count in found.by_rule.most_common():
            self.stdout.write(f"{rule}  {severity:<5}  {count}")
        self.stdout.write("The budget holds." if found.holds else "The budget does not hold.")
