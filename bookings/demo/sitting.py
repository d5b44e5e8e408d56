"""A session of the demo as it goes on: steps, notes, pressures, and what follows from them.

Each step is checked against the run sheet as the verb checks it, devices that nobody looked at for
twelve hours are looked at first, and what follows from a step is what follows from the verb.
"""

from bookings.demo.chronicle import seconds
from bookings.demo.desk import Inside, move
from bookings.devices import UNKNOWN
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
from bookings.steps import marks_of
from facility import interlocks
from facility.models import Place
from samples import bench


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
