"""One instrument as the demo's story goes on: where its devices stand and what is inside it."""

from dataclasses import dataclass, field

from bookings.clock import LEFT
from bookings.demo.chronicle import seconds
from bookings.devices import PUMP_EVENTS, UNKNOWN, UNLOOKED
from bookings.models import (
    Load,
    PumpDown,
)
from bookings.pump import slowest_form
from facility.models import Chamber
from samples.models import Whereabouts


@dataclass
class Inside:
    """A load in the story: its row, what it carries."""

    row: Load
    holder: object
    mounts: list
    wet: bool = False


@dataclass
class Desk:
    """An instrument with its sheet, chambers, places and gauges, as far as the story has gone."""

    chronicle: object
    instrument: object
    sheet: object
    chambers: dict
    places: dict
    gauges: dict  # "rough", "fine", "main", "gun", and "logger" where there is one
    keeper: object  # who signs what happens by the clock
    devices: dict = field(default_factory=dict)  # device -> [state, since, looked at, line]
    inside: Inside | None = None
    at: str = ""  # kind of the place where the holder inside is
    running: PumpDown | None = None
    draws: object = None  # gives the curve of a pump-down
    last_step: str = ""
    logs_by_itself: object = None  # called at the end of a pump-down, for a logger
    last_read: object = None  # of the introduction chamber
    closed_at: object = None  # the last session

    def states(self, now):
        """As `run.states_of`: unknown at first, and after twelve hours without a look."""
        found = {}
        for device in self.sheet.devices:
            row = self.devices.get(device)
            old = row is None or now - row[2] > UNLOOKED
            found[device] = UNKNOWN if old else row[0]
        return found

    def truth(self, device):
        """Where the device really stands, whether anybody knows or not."""
        row = self.devices.get(device)
        return row[0] if row and row[0] != UNKNOWN else self.sheet.start[device]

    def forget(self, line):
        """Nothing is known any more, as after a power cut."""
        for device in self.devices:
            self.devices[device] = [UNKNOWN, line["happened_at"], line["recorded_at"], line]

    def set_states(self, sets, line, looked=()):
        """As `devices.set_states`, what it means to the running pump-down included."""
        found = [PUMP_EVENTS[pair] for pair in sets.items() if pair in PUMP_EVENTS]
        if found and self.running:
            at_s = (line["happened_at"] - self.running.started_at).total_seconds()
            self.running.events = [*self.running.events, *([at_s, event] for event in found)]
        for device, state in sets.items():
            row = self.devices.get(device)
            since = row[1] if row and row[0] == state else line["happened_at"]
            self.devices[device] = [state, since, line["recorded_at"], line]
        for device in looked:
            if device in self.devices and device not in sets:
                self.devices[device][2] = line["recorded_at"]

    def move(self, kind, by, moment):
        """The holder inside goes to a place of this instrument."""
        self.at = kind
        move(self.chronicle, self.inside.holder, self.places[kind], by, moment)

    def start_pumping(self, by, moment, *, vent_minutes):
        self.end_pumping(by, moment, PumpDown.Why.VENTED, moment)
        carried = self.inside.row.layout["mounts"] if self.inside else []
        chamber = self.chambers[Chamber.Kind.INTRODUCTION]
        self.running = self.chronicle.add(
            PumpDown(
                chamber=chamber,
                load=self.inside.row if self.inside else None,
                started_at=moment,
                threshold_pa=self.instrument.threshold_pa,
                vent_minutes=vent_minutes,
                form=slowest_form(carried),
                samples=len(carried) if self.inside else None,
            )
        )
        self.running.curve = self.draws(self, self.running)

    def end_pumping(self, by, moment, why, recorded):
        """As `pump.end`; nothing where nothing runs."""
        running, self.running = self.running, None
        if running is None:
            return
        if self.logs_by_itself:
            self.logs_by_itself(self, running, moment)
        running.ended_at, running.ended_why = moment, why
        instrument, chronicle = self.instrument, self.chronicle

        def said():
            digests = chronicle.digests(instrument, running.started_at, moment, recorded)
            words = running.get_ended_why_display()
            return {"pumpdown": running.pk, "why": words, "readings": digests}

        of = running.load.log if running.load else instrument.log
        chronicle.write(of, "pump-down ended", by, said, at=moment, recorded=recorded)

    def end_left_pumping(self, now):
        """What the clock does with a pump-down that nobody reads any more."""
        running = self.running
        if running is None or self.logs_by_itself:
            return
        last = max(self.last_read or running.started_at, running.started_at)
        if now - last > LEFT:
            by = running.load.loaded_by if running.load else self.keeper
            self.end_pumping(by, last, PumpDown.Why.LEFT, last + LEFT + seconds(31))


def move(chronicle, holder, place, by, moment):
    """A holder leaves where it is and stands at `place`."""
    holder.here.until = moment
    holder.here = chronicle.add(Whereabouts(holder=holder, place=place, since=moment, by=by))
