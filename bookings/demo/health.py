"""Checks, parts, upkeep and events of the demo year. Values are invented; verdicts are computed."""

from datetime import timedelta

from bookings import counting, watching
from facility import calibration, check, check_sorts
from facility.models import (
    Check,
    CheckKind,
    CheckValue,
    Event,
    Part,
    PartLife,
    UpkeepDone,
    UpkeepTask,
)
from facility.vacuum import units

XRAYS = ["xrays", "xrays_and_neutraliser"]
PARTS = (
    # kind, name, counts, device, states, gauge, spare
    ("source", "Al Kα source", "device", "sources", XRAYS, "", "X-ray anode"),
    (
        "filament",
        "Neutraliser filament",
        "device",
        "sources",
        XRAYS[1:],
        "",
        "Neutraliser filament",
    ),
    ("gun", "Ion gun filament", "device", "ion_gun", ["on"], "", "Ion gun filament"),
    ("pump", "Turbo pump", "calendar", "", [], "", ""),
    ("pump", "Backing pump", "calendar", "", [], "", "Tip seal set"),
    ("gauge", "Cold-cathode gauge", "dose", "gauge", ["on"], "fine", "Cold-cathode gauge head"),
)
TASKS = (
    # name, days, hours, dose, part, how, caution
    ("Cold-cathode gauge: clean", 400, None, 1.0, "Cold-cathode gauge",
     "Take the head apart, polish, bake it out in air.", ""),
    ("Backing pump: tip seals", None, 12000, None, "Backing pump", "Seal set on the shelf.", ""),
    ("Chiller: filter and level", 60, None, None, None, "Look at the flow afterwards.", ""),
    ("Ion pump: current against pressure", 90, None, None, None, "Write both down.",
     "High voltage at the feedthrough: never open it while the supply is on."),
    ("Interlock test", 365, None, None, None, "As the maker's manual says, by licensed people.",
     "X-rays and high voltage: licensed people only."),
)  # fmt: skip
RENEWS = {"Cold-cathode gauge: clean": "gauge"}
KINDS = (
    # sort, name, days
    ("energy", "Energy scale, 20 eV", 28),
    ("intensity", "Copper intensity, 20 eV", 120),
    ("blank", "Blank survey", 28),
    ("base", "Base pressure, main chamber", 28),
    ("rise", "Rise of the introduction chamber", 200),
)
DELTA = 0.10
BEFORE = {  # earlier lives: part, hours, days that it was in, why it ended
    "Al Kα source": ((1480, 610, "Silver counts down by a third, anode worn."),
                     (1710, 700, "Counts down by a quarter; changed with the filament.")),
    "Neutraliser filament": ((890, 640, "Broke while it was switched on."),),
}  # fmt: skip
INTENSITY_EVERY, RISE_EVERY = 4, 7  # checks
NOTED = {"bake": "Baked at 120 °C for 36 h, all holders out.",
         "pump": "Turbo pump exchanged by the maker."}  # fmt: skip


class Health:
    """What the story writes down of the instruments' own state."""

    def __init__(self, story):
        self.story, self.chronicle, self.rng = story, story.chronicle, story.rng
        self.checks, self.events, self.done, self.lives = [], [], [], []
        self.numbers, self.last, self.past = {}, {}, {}

    # before the first session

    def set_up(self, scene, first_day):
        """Parts, kinds of checks and tasks of each instrument."""
        self.parts, self.kinds, self.tasks = {}, {}, {}
        opened = first_day - timedelta(days=29)
        for slug, desk in scene.desks.items():
            self.parts[slug] = {row[1]: self._part(desk, row, opened, scene.staff) for row in PARTS}
            self.kinds[slug] = {row[0]: self._kind(slug, desk, row, opened) for row in KINDS}
            self.tasks[slug] = {row[0]: self._task(slug, desk, row, opened) for row in TASKS}
            self._standing_order(slug, desk, opened)

    def _part(self, desk, row, opened, staff):
        kind, name, counts, device, states, gauge, spare = row
        part = Part.objects.create(
            instrument=desk.instrument, kind=kind, name=name, counts=counts, device=device,
            on_states=states, gauge=desk.gauges[gauge] if gauge else None, spare=spare, made_at=opened,
        )  # fmt: skip
        end = opened
        for hours, days, cause in BEFORE.get(name, ()):
            start = end - timedelta(days=days)
            PartLife.objects.create(
                part=part, began_at=start, ended_at=end, began_hours=hours, cause=cause,
                by=staff, ended_by=staff,
            )  # fmt: skip
            end = start
        PartLife.objects.create(
            part=part, began_at=opened, by=staff, began_hours=0.0 if counts == "device" else 1900.0
        )
        said = {"part": part.pk, "name": name, "serial": "", "hours": 0.0}
        self.chronicle.write(desk.instrument.log, "part added", staff, said, recorded=opened)
        return part

    def _kind(self, slug, desk, row, opened):
        sort, name, days = row
        scaled = sort in ("energy", "intensity", "blank")
        kind = CheckKind.objects.create(
            instrument=desk.instrument, sort=sort, name=name, every_days=days,
            source=self.parts[slug]["Al Kα source"] if scaled else None,
            pass_energy_ev=20 if sort in ("energy", "intensity") else None,
            lens_mode="standard lens" if sort in ("energy", "intensity") else "",
            aperture="400 µm" if scaled else "",
            tolerance_ev=DELTA if sort == "energy" else None,
            gauge=desk.gauges[{"base": "main", "rise": "fine"}[sort]] if not scaled else None,
            chamber=desk.chambers["main" if sort == "base" else "introduction"] if not scaled else None,
            made_at=opened, made_by=self.story.scene.staff,
        )  # fmt: skip
        said = {"check_kind": kind.pk, "sort": sort, "name": name, "setting": kind.setting}
        self.chronicle.write(
            desk.instrument.log, "check kept", self.story.scene.staff, said, recorded=opened
        )
        return kind

    def _task(self, slug, desk, row, opened):
        name, days, hours, dose, part, how, caution = row
        task = UpkeepTask.objects.create(
            instrument=desk.instrument, name=name, every_days=days, every_hours=hours,
            every_dose_mbar_h=dose, part=self.parts[slug].get(part), how=how, caution=caution,
            renews=RENEWS.get(name, ""), made_at=opened, made_by=self.story.scene.staff,
            source="common practice; the maker's manual comes first",
        )  # fmt: skip
        said = {"task": task.pk, "name": name}
        self.chronicle.write(
            desk.instrument.log, "upkeep planned", self.story.scene.staff, said, recorded=opened
        )
        return task

    def _standing_order(self, slug, desk, opened):
        """What is done by date is done in time; one thing waits now."""
        people = (self.story.scene.people["dee"], self.story.scene.people["kit"])
        for task in self.tasks[slug].values():
            if not task.every_days or task.every_days > 399:
                continue
            at = opened
            while True:
                at += timedelta(days=task.every_days * self.rng.uniform(0.75, 0.95))
                late = slug == "quayside" and task.name.startswith("Ion pump")
                if at > self.story.now - timedelta(days=task.every_days + 4 if late else 1):
                    break
                day = at.astimezone(self.story.zone).date()
                day -= timedelta(days=max(day.weekday() - 4, 0))
                self.do(desk, task, self.rng.choice(people), self.story.local(day, 10), "In order.")

    # as the year goes on

    def do(self, desk, task, by, at, says):
        """An upkeep task done, as `keep_up.do_task` writes it."""
        said = {"task": task.pk, "name": task.name, "says": says}
        line = self.chronicle.write(desk.instrument.log, "upkeep done", by, said, recorded=at)
        row = UpkeepDone(task=task, at=at, by=by, says=says, recorded_at=at)
        self.done.append((row, line))
        if task.renews:
            self.event(desk, task.renews, by, at, f"{task.name}. {says}")

    def event(self, desk, kind, by, at, says, chamber=None):
        """Something that changed the instrument, as `keep_up.note_event` writes it."""
        said = {"what": kind, "says": says, "chamber": chamber and chamber.kind}
        line = self.chronicle.write(
            desk.instrument.log, "instrument changed", by, said, recorded=at
        )
        row = Event(
            instrument=desk.instrument, chamber=chamber, kind=kind, at=at, says=says, by=by,
            recorded_at=at,
        )  # fmt: skip
        self.events.append((row, line))

    def end_of(self, planted):
        """What ended a planted fault: bake, exchanged pump, cleaned gauge."""
        desk = self.story.scene.desks.get(planted.instrument)
        kit, zone = self.story.scene.people["kit"], self.story.zone
        day = planted.end.astimezone(zone).date()
        if planted.end > self.story.now - timedelta(days=5):
            return
        if planted.what == "slow leak":
            at = self.story.local(day + timedelta(days=3), 16)
            self.event(
                desk,
                "seal",
                kit,
                at - timedelta(hours=80),
                "Door seal of the introduction chamber changed.",
            )
            self.event(desk, "bake", kit, at, NOTED["bake"], None)
        elif planted.what == "failing pump":
            at = self.story.local(day + timedelta(days=2), 15)
            self.exchange(desk, self.parts[desk.instrument.slug]["Turbo pump"], kit, at,
                          "Lost a third of its speed in eight weeks.", NOTED["pump"])  # fmt: skip
        elif planted.what == "dirty gauge":
            task = self.tasks[desk.instrument.slug]["Cold-cathode gauge: clean"]
            at = planted.end.replace(minute=0, second=0, microsecond=0)
            self.do(desk, task, kit, at, "Read less than half; a brown film inside.")
        elif planted.what == "power cut":
            self.event(desk, "power", kit, planted.start, "No power for half an hour at night.")

    def exchange(self, desk, part, by, at, cause, says):
        """A part changed, as `keep_up.change_part` writes it."""
        life = part.lives.get(ended_at=None)
        life.ended_at, life.ended_by, life.cause = at, by, cause
        life.save()
        PartLife.objects.create(part=part, began_at=at, by=by)
        said = {"part": part.pk, "name": part.name, "cause": cause, "serial": "",
                "hours": round((at - life.began_at).total_seconds() / 3600 + life.began_hours, 1),
                "dose_mbar_h": 0.0, "spare": ""}  # fmt: skip
        self.chronicle.write(desk.instrument.log, "part changed", by, said, recorded=at)
        self.event(desk, part.kind, by, at, f"{part.name} changed: {says}")

    # checks

    def check(self, sitting, errors):
        """Everything that is checked in a session of checks."""
        desk, slug = sitting.desk, sitting.desk.instrument.slug
        number = self.numbers[slug] = self.numbers.get(slug, 0) + 1
        last = self.last.get((slug, "energy"))
        drifts = max(abs(error) for error in errors) > calibration.WARN_SHARE * DELTA
        if last and last.verdict != "within" and not drifts:
            sitting.pass_time(300)
            self.event(
                desk, "analyser", sitting.by, sitting.t, "Energy scale adjusted on gold and copper."
            )
        sitting.pass_time(self.rng.randint(900, 1500))
        typed = {
            line: " ".join(f"{reference + error + self.rng.gauss(0, 0.008):.2f}" for _ in range(2))
            for (line, reference), error in zip(calibration.REFERENCES.items(), errors, strict=True)
        }  # fmt: skip
        self.enter(sitting, "energy", typed)
        sitting.pass_time(self.rng.randint(300, 700))
        carbon = self.rng.gauss(10.2, 0.6)
        typed = {"C": f"{carbon:.1f}", "O": f"{self.rng.gauss(6.0, 0.5):.1f}", "Si": "0",
                 "F": f"{abs(self.rng.gauss(0.1, 0.05)):.1f}", "Na": "0"}  # fmt: skip
        self.enter(sitting, "blank", typed)
        unit = desk.made.unit
        pascal = units.to_pascal(desk.made.main, unit) * self.story.pressures.noise(0.06)
        self.enter(
            sitting, "base", {"pressure": self.story.pressures.spelled(pascal, unit, sitting.by)}
        )
        if number % INTENSITY_EVERY == 1 or self._worked_on(slug, "intensity", sitting.t):
            high, low = self.rng.gauss(412, 5), self.rng.gauss(101, 1.2)
            self.enter(sitting, "intensity", {"Cu 2p3/2": f"{high:.0f}", "Cu 3p": f"{low:.1f}"})
        leaks = any(
            row.what == "slow leak" and row.holds(slug, sitting.t)
            and sitting.t - row.start > timedelta(days=24) for row in self.story.planted
        )  # fmt: skip
        last = self.last.get((slug, "rise"))
        leaks = leaks and not (last and last.verdict == "warn")
        if number % RISE_EVERY == 1 or leaks or (self._worked_on(slug, "rise", sitting.t)):
            self.rise(sitting, leaks)

    def _worked_on(self, slug, sort, moment):
        """Whether something was done since the last such check that asks for a new one."""
        last = self.last.get((slug, sort))
        ends = [
            row.end + timedelta(days=3)
            for row in self.story.planted
            if row.instrument == slug
            and row.what
            in {"intensity": ("slow leak",), "rise": ("slow leak", "failing pump")}[sort]
        ]
        ends += [
            event.at for event, _ in self.events
            if event.kind == "analyser" and sort == "intensity" and event.instrument.slug == slug
        ]  # fmt: skip
        return last is not None and any(last.at < end <= moment for end in ends)

    def rise(self, sitting, leaks):
        """Twelve minutes isolated: steady with a leak, slowing down without one."""
        desk, kind = sitting.desk, self.kinds[sitting.desk.instrument.slug]["rise"]
        start, rows = sitting.t, []
        base = desk.instrument.threshold_pa * 0.4
        for minute in (0.5, 2, 4, 6, 8, 10, 12):
            grown = 26 * minute if leaks else 30 * (1 - 2.718 ** (-minute / 6))
            pascal = base * (1 + grown) * self.story.pressures.noise(0.01)
            text = self.story.pressures.spelled(pascal, kind.gauge.unit, sitting.by)
            at_s = 60.0 * minute
            rows.append({"sent": str(self.chronicle.uuid()), "s": at_s, "text": text,
                         "pa": units.parse_pressure(text).in_pascal(kind.gauge.unit)})  # fmt: skip
        sitting.pass_time(740)
        found = check_sorts.rise_found(
            [row["s"] for row in rows], [row["pa"] for row in rows],
            volume_l=kind.chamber.volume_l, pumped_min=60, usual_rate=None, cold_cathode=True,
            unit=kind.gauge.unit,
        )  # fmt: skip
        self._keep(sitting, kind, {"readings": rows, "pumped_min": 60.0}, found, start)

    def enter(self, sitting, sort, typed):
        """A check as `check.enter` writes it."""
        slug = sitting.desk.instrument.slug
        kind, past = self.kinds[slug][sort], self.past.setdefault((slug, sort), {})
        found = check_sorts.find(check.setting_of(kind), typed, past if sort == "blank" else {})
        for name, value in found.values.items():
            past.setdefault(name, []).append(value)
        self._keep(sitting, kind, typed, found, sitting.t)

    def _keep(self, sitting, kind, typed, found, at):
        recorded = sitting.t
        line = self.chronicle.write(
            sitting.desk.instrument.log, "check", sitting.by, check.said(kind, typed, found),
            at=at, recorded=recorded,
        )  # fmt: skip
        row = Check(
            kind=kind, at=at, by=sitting.by, typed=typed, found=found.more, verdict=found.verdict,
            says=found.says[:600], doubt=found.doubt, recorded_at=recorded, sent_id=line["sent_id"],
        )  # fmt: skip
        self.checks.append((row, line, found.values))
        self.last[sitting.desk.instrument.slug, kind.sort] = row

    # storing

    def store(self, desks, now):
        """Everything, once the log stands; then hours, doses and drifts are counted as by the clock."""
        for model, pairs in ((Event, self.events), (UpkeepDone, self.done)):
            for row, line in pairs:
                row.entry = line["entry"]
            model.objects.bulk_create([row for row, _ in pairs])
        for row, line, _ in self.checks:
            row.entry = line["entry"]
        Check.objects.bulk_create([row for row, *_ in self.checks])
        CheckValue.objects.bulk_create(
            CheckValue(check_row=row, kind=row.kind, series=name, at=row.at, value=value)
            for row, _, values in self.checks
            for name, value in values.items()
        )
        for desk in desks:
            while counting.count_use(desk.instrument, now, most=20_000) == 20_000:
                pass
            watching.look(desk.chambers["introduction"], now=now)
