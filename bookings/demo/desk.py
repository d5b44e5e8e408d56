"""One instrument as the demo's story goes on: its devices, what is inside it, and who sits there.

Each step is checked against the run sheet as the verb checks it, devices that nobody looked at for
twelve hours are looked at first, and what follows from a step is what follows from the verb.
"""

from dataclasses import dataclass, field

from bookings.clock import LEFT
from bookings.demo.chronicle import seconds
from bookings.devices import PUMP_EVENTS, UNKNOWN, UNLOOKED
from bookings.models import (
    Fault,
    Flag,
    LeftRunning,
    Load,
    Measurement,
    PumpDown,
    Session,
    SessionPart,
)
from bookings.pump import slowest_form
from bookings.steps import marks_of
from facility import interlocks
from facility.models import Chamber, Place
from samples import bench
from samples.models import Whereabouts


@dataclass
class Inside:
    """A load in the story: its row, what it carries, and how its pressure will fall."""

    row: Load
    holder: object
    mounts: list
    curve: object = None
    valve_opened: object = None
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


class Sitting:
    """A session in the story; `t` is its clock, `offline_until` the end of a gap in the network."""

    def __init__(self, desk, by, opened, *, booking=None, others=()):
        self.desk, self.by, self.t, self.offline_until = desk, by, opened, None
        self.chronicle, self.holder = desk.chronicle, None
        self.vented_at = self.booked_until = None
        self.whole_minutes = self.only_loaded = False
        instrument = desk.instrument
        self.row = self.chronicle.add(
            Session(
                instrument=instrument,
                sheet=instrument.sheet,
                booking=booking,
                log=self.chronicle.open_log(
                    kind="session", instrument=instrument, by=by, at=opened, recorded=opened
                ),
                opened_at=opened,
                last_step=desk.last_step,
                sent_id=self.chronicle.uuid(),
            )
        )
        self.parts = [self._part(by, SessionPart.Part.OPERATES)]
        version = instrument.sheet.version
        self._write("signed on", lambda: {"session": self.row.pk, "sheet": version})
        for person, part in others:
            self.pass_time(20)
            self.parts.append(self._part(person, part))
            self._write("joined", {"part": part}, by=person)

    def _part(self, person, part):
        row = SessionPart(session=self.row, person=person, part=part, since=self.t)
        return self.chronicle.add(row)

    def _recorded(self):
        return max(self.t, self.offline_until) if self.offline_until else self.t

    def _write(self, kind, data, *, by=None):
        return self.chronicle.write(
            self.row.log, kind, by or self.by, data, at=self.t, recorded=self._recorded()
        )

    def pass_time(self, number):
        self.t += seconds(number)

    def lose_network(self, number):
        """What is recorded from now on arrives when the network is back."""
        self.offline_until = self.t + seconds(number)

    def take(self, step_id, after=30, *, holder=None, values=None):
        """A step of the sheet, looked for first where a device is unknown."""
        desk = self.desk
        self.pass_time(after)
        step = desk.sheet.step_of[step_id]
        if step.kind != "look":
            self._look_where_unknown(step.requires)
        states = desk.states(self.t)
        if why := interlocks.why_not(desk.sheet, states, step):
            raise AssertionError(f"the story takes {step_id} at {self.t}: {why}")
        data = {"step": step.id, "says": step.words, "sets": step.sets, "in_order": True}
        if holder is not None:
            data["holder"] = holder.code
        if values:
            data["values"] = values
        line = self._write("looked" if step.kind == "look" else "step", data)
        desk.set_states(step.sets, line, looked=tuple(step.requires))
        if step.kind == "step":
            desk.last_step = self.row.last_step = step.id
        self._follow(marks_of(desk.instrument.sheet.document, step.id), holder)
        return line

    def look_around(self):
        """A look at every device that nobody has looked at for twelve hours."""
        self._look_where_unknown(self.desk.sheet.devices)

    def _look_where_unknown(self, devices):
        """Looks that say what is really there, in the sheet's order; each takes a few seconds."""
        desk = self.desk
        for _ in range(40):
            states = desk.states(self.t)
            waiting = [device for device in devices if states[device] == UNKNOWN]
            if not waiting:
                return
            step = self._true_look(waiting, states) or self._true_look(desk.sheet.devices, states)
            if step is None:
                device = waiting[0]
                self.anyway({device: desk.truth(device)}, "Seen as it is.")
            else:
                self.take(step.id, self.chronicle.rng.randint(4, 15))
        raise AssertionError(f"looking does not end: {waiting}")

    def _true_look(self, devices, states):
        """The first possible look at one of these devices that finds what is there."""
        for step in interlocks.possible(self.desk.sheet, states):
            waits = any(device in devices and states[device] == UNKNOWN for device in step.sets)
            if (
                step.kind == "look"
                and waits
                and all(self._is_seen(device, state) for device, state in step.sets.items())
            ):
                return step
        return None

    def _is_seen(self, device, state):
        """Whether somebody who looks sees the device like this."""
        truth = self.desk.truth(device)
        if device == "introduction":
            return (truth == "air") == (state == "air")
        return truth == state or (device, truth, state) == ("door", "latched", "shut")

    def anyway(self, sets, sentence, after=20):
        """What happened outside the sheet; the story reaches no hazard."""
        desk = self.desk
        self.pass_time(after)
        found = interlocks.happened(desk.sheet, desk.states(self.t), sets)
        if found.hazards:
            raise AssertionError(f"the story reaches {found.hazards} at {self.t}")
        data = {"sets": sets, "in_order": False, "says": sentence, "hazards": []}
        line = self._write("happened anyway", data)
        desk.set_states(sets, line)
        return line

    def note(self, text, after=60):
        self.pass_time(after)
        return self._write("note", {"says": text})

    def setting(self, device, values, after=5):
        self.pass_time(after)
        return self._write("setting", {"device": device, "values": values})

    def measure(self, what, *, mount, file, after):
        """A measurement of one position."""
        self.pass_time(after)
        load = self.desk.inside.row
        said = {"what": what, "position": mount.position, "sample": mount.sample.code, "file": file}
        line = self._write("measured", lambda: said | {"load": load.pk})
        row = Measurement(
            session=self.row, load=load, mount=mount, at=self.t, what=what[:120], file=file
        )
        row.line = line
        return self.chronicle.add(row)

    def fault(self, text, after=60, *, devices_unknown=False):
        """A fault with its own clock and its flag, as `say.report_fault` makes them."""
        self.pass_time(after)
        chronicle, instrument = self.chronicle, self.desk.instrument
        line = self._write("fault", {"says": text, "devices_unknown": devices_unknown})
        row = Fault(instrument=instrument, session=self.row, says=text, began_at=self.t, by=self.by)
        row.line = line
        chronicle.add(row)
        row.flag = Flag(
            rule="fault",
            severity="staff",
            says=text,
            do="Look at it, then answer here; end the fault when the instrument works again.",
            source="reported at the instrument",
            instrument=instrument,
            raised_at=self._recorded(),
        )
        row.flag.late = lambda: {
            "key": f"fault|{row.pk}",
            "says": f"{instrument}, fault {row.pk}: {text}"[:300],
            "evidence": {"entry": line["entry"].pk, "fault": row.pk},
        }
        chronicle.add(row.flag)
        if devices_unknown:
            self.desk.forget(line)
        return row

    def leave_running(self, what, until, phone):
        """A mark for everyone who passes."""
        self._write("left running", {"says": what, "until": until, "phone": phone})
        self.chronicle.add(
            LeftRunning(
                session=self.row, what=what, until=until, phone=phone, by=self.by, since=self.t
            )
        )

    def pressure(self, gauge, text, *, whole_minute=False):
        """A pressure as typed at the tablet; some people give the minute only."""
        at = self.t.replace(second=0, microsecond=0) if whole_minute else self.t
        self.pass_time(self.chronicle.rng.randint(1, 15))
        if gauge in ("rough", "fine"):
            self.desk.last_read = at
        return self.chronicle.read(
            self.desk.gauges[gauge], text, at=at, recorded=self._recorded(), by=self.by
        )

    def sign_off(self, handover="", after=60):
        """Close the session and seal its log with the readings of its hours."""
        self.pass_time(after)
        if self.offline_until:
            self.t = max(self.t, self.offline_until)
        self._write("signed off", {"handover": handover})
        self.chronicle.seal(
            self.row.log,
            self.by,
            instrument=self.desk.instrument,
            recorded=self.t,
            start=self.row.opened_at,
            end=self.t,
        )
        self.row.closed_at, self.row.handover = self.t, handover
        for part in self.parts:
            part.until = self.t
        self.desk.closed_at = self.t

    # what follows from a step, as bookings.run does it

    def _follow(self, marks, holder):
        desk = self.desk
        if "load" in marks:
            self._open_load(holder)
        if "pump" in marks:
            vented = (self.t - self.vented_at).total_seconds() / 60 if self.vented_at else None
            desk.start_pumping(self.by, self.t, vent_minutes=vented and round(vented, 1))
        if "transfer" in marks and desk.at == Place.Kind.INTRODUCTION:
            desk.end_pumping(self.by, self.t, PumpDown.Why.THRESHOLD, self._recorded())
            desk.move(Place.Kind.STAGE, self.by, self.t)
            desk.inside.row.transferred_at = self.t
            self._of_load("transferred", {})
        if "back" in marks and desk.at == Place.Kind.STAGE:
            desk.end_pumping(self.by, self.t, PumpDown.Why.THRESHOLD, self._recorded())
            desk.move(Place.Kind.INTRODUCTION, self.by, self.t)
            self._of_load("brought back", {})
        if "vent" in marks:
            self.vented_at = self.t
            desk.end_pumping(self.by, self.t, PumpDown.Why.VENTED, self._recorded())
        if "out" in marks and desk.at == Place.Kind.INTRODUCTION:
            self._close_load()

    def _of_load(self, kind, data):
        log = self.desk.inside.row.log
        self.chronicle.write(log, kind, self.by, data, at=self.t, recorded=self._recorded())

    def _open_load(self, holder):
        desk = self.desk
        layout = bench.layout_document(holder, holder.standing, desk.instrument)
        row = self.chronicle.add(
            Load(
                instrument=desk.instrument,
                holder=holder,
                session=self.row,
                log=self.chronicle.open_log(
                    kind="load",
                    instrument=desk.instrument,
                    by=self.by,
                    at=self.t,
                    recorded=self._recorded(),
                ),
                loaded_at=self.t,
                loaded_by=self.by,
                layout=layout,
            )
        )
        desk.inside = Inside(row, holder, list(holder.standing), wet=holder.wet)
        samples = {f"p{mount.position}": mount.sample.code for mount in holder.standing}
        self._of_load(
            "load opened",
            lambda: {
                "load": row.pk,
                "session": self.row.pk,
                "holder": holder.code,
                "layout": layout,
                "samples": samples,
                "answered": [],
            },
        )
        desk.move(Place.Kind.INTRODUCTION, self.by, self.t)

    def _close_load(self):
        desk, inside = self.desk, self.desk.inside
        inside.row.taken_out_at = self.t
        self._of_load("taken out", lambda: {"load": inside.row.pk})
        self.chronicle.seal(
            inside.row.log,
            self.by,
            instrument=desk.instrument,
            recorded=self._recorded(),
            start=inside.row.loaded_at,
            end=self.t,
        )
        move(self.chronicle, inside.holder, desk.places[Place.Kind.BENCH], self.by, self.t)
        desk.inside, desk.at = None, ""
