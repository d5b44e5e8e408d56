"""What staff of the demo do about flags and faults."""

from datetime import timedelta

from bookings.demo.chronicle import seconds
from bookings.models import Flag
from bookings.unusual import WHAT_TO_DO


class Staff:
    """Dee and Kit, who answer on the next working morning."""

    def __init__(self, story):
        self.story, self.chronicle, self.rng = story, story.chronicle, story.rng

    def answer(self, flag, answer, sentence):
        """Staff answer a flag on the next working morning."""
        day = flag.raised_at.astimezone(self.story.zone).date() + timedelta(days=1)
        while day.weekday() > 4:
            day += timedelta(days=1)
        at = self.story.local(day, 8, 30) + seconds(self.rng.randint(0, 3600))
        if at > self.story.now - timedelta(hours=1):
            return
        by = self.rng.choice((self.story.scene.people["dee"], self.story.scene.people["kit"]))
        flag.answer, flag.sentence, flag.answered_by, flag.answered_at = answer, sentence, by, at
        self.chronicle.write(
            flag.instrument.log,
            "flag answered",
            by,
            lambda: {
                "flag": flag.pk,
                "rule": flag.rule,
                "severity": flag.severity,
                "answer": answer,
                "sentence": sentence,
            },
            recorded=at,
        )

    def end_fault(self, fault, sentence):
        """Staff answer a fault's flag and end the fault, as `say.end_fault` does."""
        self.answer(fault.flag, "fixed", sentence)
        if not fault.flag.answer:
            return
        fault.ended_at = fault.flag.answered_at + seconds(self.rng.randint(300, 9000))
        if fault.ended_at > self.story.now:
            fault.ended_at = fault.flag.answered_at
        fault.ended_by = fault.flag.answered_by
        self.chronicle.write(
            fault.instrument.log,
            "fault ended",
            fault.ended_by,
            lambda: {"fault": fault.pk, "says": sentence},
            recorded=fault.ended_at,
        )

    def flag_slow_runs(self):
        """Pump-downs that staff were asked about: wet loads, and some under leak and failing pump."""
        said = {
            "wet load": ("seen", "Powder had not been dried. Told the group; next batch is baked."),
            "slow leak": ("seen", "Floor is higher than last month. Door seal looked at, watched."),
            "failing pump": ("seen", "Again slower than its kind. Pump vendor asked."),
            "dirty gauge": ("seen", "Faster than ever before: gauge compared, reads low."),
        }
        newest = max((row for row in self.story.planted if row.pumpdowns), key=_began, default=None)
        for row in self.story.planted:
            runs = [run for run in row.pumpdowns if run.ended_at]
            chosen = runs if row.what == "wet load" else runs[-1::-6]
            for run in chosen if row.what in said else ():
                flag = self.ask_about(run, row.cause)
                row.flags.append(flag)
                if row is not newest:
                    self.answer(flag, *said[row.what])

    def ask_about(self, run, cause):
        """A flag as `unusual.raise_for_pumpdown` raises it."""
        instrument = run.chamber.instrument
        minutes = run.curve.crosses_s(run.threshold_pa) / 60
        row = self.chronicle.add(
            Flag(
                rule="PMP-01",
                severity="warn",
                says=f"{instrument}: Unusual, {minutes:.0f} min to the threshold with {run.form}.",
                do=WHAT_TO_DO[cause],
                source="against this instrument's own past pump-downs",
                instrument=instrument,
                holder=run.load.holder,
                load=run.load,
                raised_at=run.ended_at + seconds(30),
            )
        )
        row.late = lambda: {
            "key": f"pump-down|{run.pk}",
            "evidence": {"pumpdown": run.pk, "cause": cause},
        }
        return row


def _began(row):
    return row.start
