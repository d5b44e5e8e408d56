"""A year of the invented laboratory: who measured what, when, and what went wrong.

The story only chooses; what a choice writes down is `desk`'s, what is planted is `planted`'s.
"""

from datetime import UTC, datetime, time, timedelta
from zoneinfo import ZoneInfo

from django.conf import settings
from django.utils import timezone

from bookings.demo import planted, pressures, steps, told, words
from bookings.demo.bench import Bench
from bookings.demo.calendar import Calendar
from bookings.demo.chronicle import seconds
from bookings.demo.health import Health
from bookings.demo.sitting import Sitting
from bookings.demo.staff import Staff
from bookings.models import SessionPart
from facility.models import Qualification
from facility.vacuum import units

ROUGH_ENOUGH_PA = 0.2
ALONE_FROM = Qualification.Level.ASSISTED


class Story:
    """The year as it is told: every session in order of time, on every instrument."""

    def __init__(self, chronicle, *, now, first_day, sessions):
        self.chronicle, self.rng = chronicle, chronicle.rng
        self.now, self.first_day, self.sessions = now, first_day, sessions
        self.zone = ZoneInfo(settings.TIME_ZONE)
        self.planted = planted.calendar(now, first_day)
        self.pressures, self.staff = pressures.Pressures(self), Staff(self)
        self.health = Health(self)
        self.owed = set()  # desks whose check could not be done when it was due
        self.files = 0
        self.told = []  # (sitting, planned start), for bookings
        self.faults = list(words.FAULTS)

    def tell(self, scene, tell):
        """All sessions up to now, and what stands now."""
        self.scene = scene
        self.bench = Bench(self.chronicle, scene, self.now)
        self.calendar = Calendar(self)
        self.health.set_up(scene, self.first_day)
        for desk in scene.desks.values():
            desk.draws = self.pressures.draw_curve
            if "logger" in desk.gauges:
                desk.logs_by_itself = self.pressures.log_readings
        slots = self.calendar.slots(self.sessions)
        for number, slot in enumerate(slots, 1):
            self.sit(slot)
            if number % 100 == 0:
                tell(f"{number:,} of {len(slots):,} sessions made up")
        self.calendar.left_measuring(scene.desks["headland"])
        self.calendar.pumping_now(scene.desks["quayside"])
        self.calendar.at_the_bench()
        self.staff.flag_slow_runs()
        for row in self.planted:
            self.health.end_of(row)
        self.bench.send_home(self.now)
        self.calendar.write_bookings()
        self.calendar.house_rules()
        told.near_misses(self)
        self.planted = [row for row in self.planted if row.is_there()]

    # sessions

    def sit(self, slot):
        """One session of the year, of the kind that its slot asks for."""
        desk = slot.desk
        if desk.closed_at:
            slot.start = max(slot.start, desk.closed_at + seconds(600))
        desk.end_left_pumping(slot.start)
        kind = "finish" if desk.inside else slot.kind
        if slot.kind == "check" and kind == "finish":
            self.owed.add(desk.instrument.slug)
        elif (
            desk.instrument.slug in self.owed
            and kind == "whole"
            and not (slot.holder or slot.fault or slot.forgets)
        ):
            kind = "check"
            self.owed.discard(desk.instrument.slug)
        by = self.choose_person(desk, slot, kind)
        holder = None
        if kind in ("whole", "load"):
            wanted = self.wanted(desk, slot.start)
            holder = self.bench.prepare(by, slot.start, wanted, holder=slot.holder)
        elif kind == "check":
            holder = self.bench.references(slot.start)
            if holder is None:
                self.owed.add(desk.instrument.slug)
        if holder is None and kind != "finish":
            return
        sitting = self.open(desk, by, slot)
        if slot.problem:
            self.after_power_cut(sitting)
        sitting.only_loaded = kind == "load"
        sitting.look_around()
        self.close_what_stands_open(sitting)
        if holder is not None:
            self.load(sitting, holder)
            if kind == "load":
                self.leave(sitting)
                return
        if kind == "finish":
            self.find_pressure_again(sitting)
        else:
            self.wait_for_threshold(sitting)
        self.transfer(sitting)
        self.measure(sitting, check=kind == "check")
        if slot.fault:
            sitting.fault(slot.fault)
        self.unload(sitting, forgets=slot.forgets)
        self.end(sitting, forgets=slot.forgets)

    def open(self, desk, by, slot):
        """Sign on, some with company, some with a gap in the network."""
        others = ()
        if by.levels.get(desk.instrument.slug, 0) == Qualification.Level.ASSISTED:
            others = ((self.scene.staff, SessionPart.Part.TRAINS),)
        elif self.rng.random() < 0.06:
            group = [
                person
                for person in self.scene.people.values()
                if person.group_id and person.group_id == by.group_id and person is not by
                and person.is_active and person.date_joined < slot.start
            ]  # fmt: skip
            if group:
                part = self.rng.choice((SessionPart.Part.PRESENT, SessionPart.Part.REMOTE))
                others = ((self.rng.choice(group), part),)
        sitting = Sitting(desk, by, slot.start, others=others)
        sitting.whole_minutes = self.rng.random() < 0.2
        self.told.append(sitting)
        return sitting

    def choose_person(self, desk, slot, kind):
        """Who comes: those who loaded for what waits inside, staff for checks, else anyone able."""
        if desk.inside:
            return desk.inside.row.loaded_by
        if kind == "check" or slot.problem:
            return self.rng.choice((self.scene.people["dee"], self.scene.people["kit"]))
        slug, able = desk.instrument.slug, []
        for person in self.scene.people.values():
            someone = person.someone
            left = self.now - timedelta(days=someone.left_days_ago)
            lapse = dict(someone.lapses).get(slug)
            if (
                person.role in ("user", "lead")
                and person.levels.get(slug, 0) >= ALONE_FROM
                and person.date_joined + timedelta(days=20) < slot.start
                and (not someone.left_days_ago or slot.start < left)
                and (lapse is None or slot.start < self.now + timedelta(days=lapse))
                and (slot.start.astimezone(self.zone).hour < 14 or person.levels[slug] >= 4)
            ):
                able.append((person, 0.15 if person.role == "lead" else 1.0))
        wanted = self.wanted(desk, slot.start)
        if wanted and wanted.what == "contaminated holder" and not wanted.loads:
            return self.scene.people["ravi"]
        if wanted and wanted.what == "wet load":
            able = [(p, w) for p, w in able if p.group.name == "catalysis"] or able
        people, weights = zip(*able, strict=True)
        return self.rng.choices(people, weights)[0]

    def wanted(self, desk, moment):
        """A planted load that has to happen on this instrument about now, or None."""
        for row in self.planted:
            due = row.holds(desk.instrument.slug, moment)
            if row.what == "wet load" and due and not row.pumpdowns:
                return row
            if row.what == "contaminated holder" and due and self.bench.due(row, moment):
                return row
        return None

    # steps

    def go_through(self, sitting, listed, *, leave_out=(), holders=None):
        """Steps one after the other; those that the sheet does not ask for now are left out."""
        for step_id, least, most in listed:
            step = sitting.desk.sheet.step_of[step_id]
            if step_id in leave_out:
                continue
            if step_id.startswith("unlatch_door") and (
                sitting.desk.states(sitting.t)["door"] != "latched"
            ):
                continue
            holder = holders if "holder" in step.asks else None
            values = None
            if step_id == "measure_height" and holders:
                tallest = max(mount.top_mm for mount in holders.standing)
                values = {"tallest height": f"{tallest:.2f} mm"}
            sitting.take(step_id, self.rng.randint(least, most), holder=holder, values=values)

    def close_what_stands_open(self, sitting):
        """A nitrogen valve that somebody forgot is found and shut."""
        desk = sitting.desk
        if desk.truth("nitrogen") != "open":
            return
        row = next(row for row in self.planted if row.what == "open cylinder valve")
        text = f"Nitrogen found open at the regulator, bottle down by about {row.size:.0f} bar."
        fault = sitting.fault(text, after=40)
        self.staff.end_fault(fault, "Shut. Bottle watched; delivery moved forward.")
        row.flags.append(fault.flag)
        sitting.take("shut_nitrogen", 20)

    def after_power_cut(self, sitting):
        """Staff see that nothing is known, and look at everything."""
        fault = sitting.fault(
            "Power cut from 03:10 to 03:40. Pumps restarted by themselves.", devices_unknown=True
        )
        self.staff.end_fault(fault, "Looked at everything, main chamber was back after two hours.")
        for row in self.planted:
            if row.what == "power cut" and row.instrument == sitting.desk.instrument.slug:
                row.flags.append(fault.flag)

    def load(self, sitting, holder):
        """From the bench to the opened pump valve."""
        if self.rng.random() < 0.04:
            sitting.lose_network(self.rng.randint(240, 780))
        self.go_through(sitting, steps.BENCH, holders=holder)
        self.go_through(sitting, steps.LOADING, holders=holder)
        self.remember_load(sitting.desk)

    def remember_load(self, desk):
        """Which loads a dirty holder touched."""
        for row in self.planted:
            touched = row.holder == desk.inside.holder.short_name
            if touched and row.holds(desk.instrument.slug, desk.inside.row.loaded_at):
                row.loads.append(desk.inside.row)

    def rough_stage(self, sitting):
        """Until the cold cathode is on: the rough gauge first."""
        running = sitting.desk.running
        shown = ROUGH_ENOUGH_PA / pressures.FACTORS["rough"]
        ready = running.started_at + seconds(running.curve.crosses_s(shown))
        sitting.t = max(sitting.t, ready) + seconds(self.rng.randint(15, 100))
        self.pressures.read(sitting, "rough", slips=False)
        sitting.take("read_rough_gauge", self.rng.randint(3, 12))
        sitting.take("gauge_on", self.rng.randint(20, 60))

    def seen_at(self, desk):
        """When the cold cathode will show the threshold."""
        running = desk.running
        factor = pressures.FACTORS["fine"] * running.gauge_factor
        lasts = running.curve.crosses_s(running.threshold_pa / factor)
        return running.started_at + seconds(lasts if lasts else 9e4)

    def leave(self, sitting):
        """Two or three readings in the evening, then home with the gauge off."""
        self.rough_stage(sitting)
        for _ in range(self.rng.randint(1, 3)):
            sitting.pass_time(self.rng.randint(120, 700))
            self.pressures.read(sitting, "fine")
        sitting.take("gauge_off", self.rng.randint(10, 40))
        sitting.sign_off(self.rng.choice(words.LEFT_PUMPING))

    def find_pressure_again(self, sitting):
        """A load that waited overnight is read in the morning, the gauge switched on for it."""
        desk = sitting.desk
        if desk.running is None:
            return
        if desk.states(sitting.t)["introduction"] == "rough":
            sitting.pass_time(self.rng.randint(20, 90))
            self.pressures.read(sitting, "rough", slips=False)
            sitting.take("read_rough_gauge", self.rng.randint(3, 12))
        sitting.take("gauge_on", self.rng.randint(20, 60))
        sitting.pass_time(self.rng.randint(60, 150))
        self.wait_for_threshold(sitting, rough=False)

    def wait_for_threshold(self, sitting, *, rough=True):
        """Typed readings until one lies below the threshold: a few, or three in all."""
        desk = sitting.desk
        if rough:
            self.rough_stage(sitting)
        running, seen = desk.running, self.seen_at(desk)
        if rough and self.rng.random() < 0.15:  # three readings in all
            gap = (seen - sitting.t).total_seconds()
            sitting.pass_time(max(gap * self.rng.uniform(0.2, 0.5), 60))
        else:
            sitting.pass_time(self.rng.randint(50, 140))
        comes_back = self.rng.random() < 0.15
        for _ in range(60):
            shown = self.pressures.read(sitting, "fine")
            if shown <= running.threshold_pa:
                return
            gone = (sitting.t - running.started_at).total_seconds()
            pause = max(150.0, 0.35 * gone * self.rng.uniform(0.7, 1.3))
            left = (seen - sitting.t).total_seconds()
            if comes_back or pause > left:
                pause = max(left, 60.0) + self.rng.randint(5, 150)
            sitting.pass_time(pause)
        raise AssertionError(f"the threshold is never reached: {sitting.desk.instrument}, {gone}")

    def transfer(self, sitting):
        """Through the gate valve, and the main chamber back at its pressure."""
        self.go_through(sitting, steps.TRANSFER)
        sitting.pass_time(self.rng.randint(240, 700))
        self.pressures.read_other(
            sitting, "main", self.main_pa(sitting.desk) * self.rng.uniform(1.5, 4)
        )
        sitting.take("wait_for_recovery", self.rng.randint(5, 30))

    def main_pa(self, desk):
        """The main chamber's pressure at rest."""
        return units.to_pascal(desk.made.main, desk.made.unit) * self.pressures.noise(0.1)

    def measure(self, sitting, *, check=False, until=None):
        """Sources up, one note a position, sources down."""
        desk, rng = sitting.desk, self.rng
        sitting.take("raise_stage", rng.randint(60, 180))
        sitting.take("xrays_on", rng.randint(120, 300), values={"source power": "150 W"})
        sitting.setting("X-ray source", {"power": "150", "voltage": "15", "line": "Al Kα"})
        insulating = any(
            mount.sample.form in ("powder", "porous powder", "fibre", "pellet")
            for mount in desk.inside.mounts
        )
        if insulating or rng.random() < 0.3:
            sitting.take("neutraliser_on", rng.randint(30, 90))
            sitting.setting("neutraliser", {"energy": "1", "current": "100"})
        sitting.take("measure", rng.randint(30, 90))
        spot = rng.choice(("200", "400", "400"))
        sitting.setting("analyser", {"pass_energy": "20", "aperture": spot})
        if check:
            self.note_check(sitting)
        else:
            self.note_positions(sitting)
        if rng.random() < 0.05:
            sitting.take("tilt_stage", 60)
            sitting.pass_time(rng.randint(600, 1800))
            sitting.take("level_stage", 60)
        if self.may_sputter(sitting):
            self.sputter(sitting)
        if desk.truth("sources") == "xrays_and_neutraliser":
            sitting.take("neutraliser_off", rng.randint(20, 60))
        sitting.take("xrays_off", rng.randint(20, 90))
        if desk.truth("gun_valve") == "open":
            sitting.take("shut_gun_valve", rng.randint(120, 300))
            sitting.take("pump_line_back", rng.randint(10, 30))

    def note_positions(self, sitting):
        inside, rng = sitting.desk.inside, self.rng
        for mount in inside.mounts:
            self.files += 1
            sitting.measure(
                f"survey, {mount.sample.wants}",
                mount=mount,
                file=f"{sitting.row.opened_at:%y%m%d}-{self.files:05d}",
                after=rng.randint(700, 1700),
            )
        if rng.random() < 0.3:
            position = rng.choice(inside.mounts).position
            sitting.note(rng.choice(words.NOTES).format(position=position), after=90)
        for row in self.planted:
            if row.what == "contaminated holder" and self.bench.shows(row, inside.row):
                sitting.note(
                    f"Sn 3d at about {rng.uniform(0.6, 3.0):.1f} at.% on position "
                    f"{rng.choice(inside.mounts).position}, nothing with tin was expected there.",
                    after=120,
                )
        if self.faults and rng.random() < 14 / max(self.sessions, 60):
            text, answer = self.faults.pop(rng.randrange(len(self.faults)))
            self.staff.end_fault(sitting.fault(text), answer)

    def note_check(self, sitting):
        """The energy scale on three foils, with the drift that is planted."""
        slug, errors = sitting.desk.instrument.slug, [0.01, 0.02, 0.01]
        for row in self.planted:
            if row.what == "calibration drift" and row.holds(slug, sitting.t):
                day = (sitting.t - row.start).days
                errors = list(max(v for v in row.values if v[0] <= max(day, 0))[1:])
        self.health.check(sitting, errors)

    def may_sputter(self, sitting):
        level = sitting.by.levels.get(sitting.desk.instrument.slug, 0)
        loose = any(mount.sample.is_powder for mount in sitting.desk.inside.mounts)
        return level == Qualification.Level.ION_GUN and not loose and self.rng.random() < 0.3

    def sputter(self, sitting):
        """The ion gun with the shared pump: lent, argon, voltage, and back."""
        rng = self.rng
        if sitting.desk.truth("introduction") == "rough":
            return
        sitting.take("lend_pump", rng.randint(20, 60))
        sitting.take("open_gun_valve", rng.randint(5, 20))
        sitting.take("admit_argon", rng.randint(60, 120))
        self.pressures.read_other(sitting, "gun", 1.5e-2)
        self.pressures.read_other(sitting, "main", 3e-6)
        sitting.take("gun_voltage_on", rng.randint(70, 140))
        minutes = rng.randint(2, 25)
        gun = {"energy": "2", "current": "1.5", "raster": "2 × 2", "minutes": str(minutes)}
        sitting.setting("ion gun", gun)
        sitting.pass_time(60 * minutes)
        sitting.take("gun_voltage_off", 10)
        sitting.take("argon_off", rng.randint(5, 20))

    def unload(self, sitting, *, forgets=False):
        """The way out again; `forgets` leaves the nitrogen open."""
        desk = sitting.desk
        sitting.take("lower_stage", self.rng.randint(60, 150))
        empty = desk.instrument.threshold_pa * self.rng.uniform(0.25, 0.6)
        if desk.states(sitting.t)["introduction"] == "rough":
            sitting.pass_time(self.rng.randint(30, 120))
            self.pressures.read_other(sitting, "rough", ROUGH_ENOUGH_PA * 0.7)
            sitting.take("read_rough_gauge_out", self.rng.randint(3, 12))
            sitting.pass_time(self.rng.randint(600, 1200))
        sitting.take("gauge_on_out", self.rng.randint(10, 40))
        sitting.pass_time(self.rng.randint(60, 200))
        self.pressures.read_other(sitting, "fine", empty)
        inside = desk.inside
        left_out = ("shut_nitrogen_out",) if forgets else ()
        self.go_through(sitting, steps.UNLOADING, holders=inside.holder, leave_out=left_out)
        self.bench.came_out(inside, sitting.by, sitting.t)

    def end(self, sitting, *, forgets=False):
        """Hand over and sign off."""
        if not forgets:
            sitting.take("hand_over", self.rng.randint(20, 120))
        sitting.sign_off(self.rng.choice(words.HANDOVERS))

    def local(self, day, hour, minute=0):
        """A moment by the clock on the facility's wall."""
        moment = datetime.combine(day, time(hour, minute), tzinfo=self.zone)
        return moment.astimezone(UTC)

    def today(self):
        return timezone.localdate(self.now, self.zone)
