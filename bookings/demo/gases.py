"""Rooms and gas bottles of the demo year: what vents and sputtering took, and what the dials showed.

Values are invented; contents and falls of the dial are those of real gas.
"""

from datetime import timedelta

import numpy as np

from bookings.demo.chronicle import seconds
from bookings.steps import marks_of
from facility import bottles
from facility.models import Chamber, Cylinder, DialReading, GasUse, Room
from facility.vacuum import cylinders

BAR = cylinders.BAR
FULL, CHANGED_AT = 200.0, 22.0  # bar on the dial
AT_THE_LOSS = 150.0  # about where the dial stands when the planted valve is left open
NITROGEN_L, ARGON_L, PURGE_L = 50.0, 10.0, 60.0
ARGON_BAR_A_WEEK = 0.15  # through the regulator, whatever the gun takes
READ_OFF = 0.7  # bar, how far people read beside the pointer
HALL = {"name": "spectrometer hall", "volume_m3": 420.0, "ventilation_m3_h": 1700.0,
        "monitor": "by the door, alarm at 19.5 %"}  # fmt: skip
PREPARATION = {"name": "preparation room", "volume_m3": 58.0, "ventilation_m3_h": 350.0,
               "monitor": "above the dewar, alarm at 19.5 %"}  # fmt: skip
NODES = np.linspace(1.0, 300.0, 120) * BAR


class Gases:
    """Bottles with their dials in memory, and the spare bottles that they took."""

    def __init__(self, story, rng, consumables):
        self.story, self.chronicle, self.rng = story, story.chronicle, rng
        self.people = [story.scene.people[name] for name in ("dee", "kit")]
        self.spares = {
            gas: consumables.get(name)
            for gas, name in (
                ("nitrogen", "Nitrogen bottles, 50 L"),
                ("argon", "Argon bottles, 10 L"),
            )
        }
        self.dials, self.uses, self.changes = [], [], []
        self.levels = {
            gas: np.array([cylinders.density(gas, p, cylinders.ROOM) for p in NODES])
            for gas in ("nitrogen", "argon")
        }

    def tell(self, opened):
        """Every bottle from the opening on, its weekly readings and its changes."""
        hall = Room.objects.create(**HALL)
        Cylinder.objects.create(
            kind=Cylinder.Kind.DEWAR, gas="nitrogen", volume_l=25.0, number="dewar 2",
            room=Room.objects.create(**PREPARATION), connected_at=opened,
        )  # fmt: skip
        for desk in self.story.scene.desks.values():
            vents, guns = self._let_out(desk)
            self._one(desk, "nitrogen", hall, opened, vents)
            self._one(desk, "argon", hall, opened, guns)
        DialReading.objects.bulk_create(self.dials)

    def store(self):
        """What was let out, once the lines that caused it have keys."""
        for row, word, line in self.uses:
            row.cause = f"{word}|{line['entry'].pk}"
        GasUse.objects.bulk_create([row for row, *_ in self.uses])

    def _let_out(self, desk):
        """(vents, minutes of the gun) of an instrument: pairs of a mass and its line, in order."""
        document, instrument = desk.instrument.sheet.document, desk.instrument
        vents_at = {step for step in desk.sheet.step_of if "vent" in marks_of(document, step)}
        chamber_m3 = desk.chambers[Chamber.Kind.INTRODUCTION].volume_l / 1000
        a_vent = cylinders.use_of_vents(
            "nitrogen", 1, chamber_m3, purge=PURGE_L / 1000, temperature=cylinders.ROOM
        )
        vents, guns = [], []
        for made in self.chronicle.logs:
            if made.instrument is not instrument:
                continue
            for line in self.chronicle.lines[id(made)]:
                if line["kind"] == "step" and line["data"].get("step") in vents_at:
                    vents.append((a_vent, line))
                elif line["kind"] == "setting" and line["data"]["device"] == "ion gun":
                    hours = float(line["data"]["values"]["minutes"]) / 60
                    guns.append(
                        (cylinders.use_of_gun("argon", hours, bottles.GUN_PRESSURE_PA, 0.05), line)
                    )
        return [sorted(rows, key=lambda row: row[1]["happened_at"]) for rows in (vents, guns)]

    # one bottle after the other

    def _one(self, desk, gas, room, opened, let_out):
        volume = (NITROGEN_L if gas == "nitrogen" else ARGON_L) / 1000
        lost = self._lost(desk, let_out) if gas == "nitrogen" else None
        dial = self._first_dial(gas, volume, let_out, lost)
        bottle = self._connect(desk, gas, room, opened + timedelta(hours=3), "connected", dial)
        mass = self._mass(gas, volume, dial)
        a_week = self._mass(gas, volume, FULL) - self._mass(gas, volume, FULL - ARGON_BAR_A_WEEK)
        waiting, gone = list(reversed(let_out)), False
        for at, by in self._moments(opened, lost):
            while waiting and waiting[-1][1]["happened_at"] <= at:
                used, line = waiting.pop()
                mass -= used
                self._book(bottle, gas, used, line)
            if gas == "argon":
                mass -= a_week
            if lost and not gone and at >= lost[1]:
                shown = self._dial(gas, volume, mass)
                mass = self._mass(gas, volume, max(shown - lost[2], 8.0))
                gone = True
            shown = self._dial(gas, volume, mass)
            self._read(bottle, at, by, shown)
            if shown < CHANGED_AT:
                bottle.taken_off_at = at + seconds(600)
                bottle.save()
                bottle = self._connect(desk, gas, room, bottle.taken_off_at, "changed", FULL, by)
                mass = self._mass(gas, volume, FULL)
                self.changes.append((bottle, by))
        for used, line in reversed(waiting):
            self._book(bottle, gas, used, line)

    def _lost(self, desk, let_out):
        """(last vent before, found at, bar, by) of the valve that was left open, or None."""
        for row in self.story.planted:
            if row.what == "open cylinder valve" and row.instrument == desk.instrument.slug:
                for flag in row.flags:
                    before = [line["happened_at"] for _, line in let_out
                              if line["happened_at"] < flag.raised_at]  # fmt: skip
                    if before:
                        return before[-1], flag.raised_at, row.size, flag
        return None

    def _first_dial(self, gas, volume, let_out, lost):
        """Such that the bottle holds enough to lose when the valve is left open."""
        if gas == "argon":
            return self.rng.uniform(120, 180)
        if lost is None:
            return self.rng.uniform(90, 190)
        used = sum(mass for mass, line in let_out if line["happened_at"] <= lost[0])
        a_bar = (self._mass(gas, volume, FULL) - self._mass(gas, volume, CHANGED_AT)) / (
            FULL - CHANGED_AT
        )
        least = CHANGED_AT + 4
        return least + (AT_THE_LOSS - least + used / a_bar) % (FULL - least)

    def _moments(self, opened, lost):
        """Mondays in the morning, some left out, and the moment at which the loss was found."""
        zone, now = self.story.zone, self.story.now
        day = opened.astimezone(zone).date()
        day += timedelta(days=7 - day.weekday())
        found = []
        while (at := self.story.local(day, 9)) < now - timedelta(minutes=30):
            at += seconds(self.rng.randint(0, 2400))
            open_then = lost and lost[0] <= at <= lost[1] + timedelta(hours=12)
            if self.rng.random() > 0.05 and at < now and not open_then:
                found.append((at, self.rng.choice(self.people)))
            day += timedelta(days=7)
        if lost:
            found.append((lost[1] + seconds(240), self.people[0]))
        return sorted(found, key=lambda row: row[0])

    # rows

    def _connect(self, desk, gas, room, at, how, dial, by=None):
        by = by or self.people[0]
        nitrogen = gas == "nitrogen"
        row = Cylinder.objects.create(
            gas=gas,
            volume_l=NITROGEN_L if nitrogen else ARGON_L,
            number=f"{self.rng.randint(10_000, 99_999)}",
            serves=Cylinder.Serves.VENTS if nitrogen else Cylinder.Serves.GUN,
            instrument=desk.instrument,
            room=room,
            consumable=self.spares[gas],
            purge_l=PURGE_L if nitrogen else 0.0,
            connected_at=at,
        )
        said = {"cylinder": row.pk, "gas": gas, "volume_l": row.volume_l, "number": row.number}
        self.chronicle.write(desk.instrument.log, f"bottle {how}", by, said, recorded=at)
        self._read(row, at + seconds(60), by, dial)
        return row

    def _read(self, bottle, at, by, bar):
        shown = max(round(bar + self.rng.gauss(0, READ_OFF)), 1)
        self.dials.append(
            DialReading(
                cylinder=bottle, at=at, recorded_at=at, dial_pa=shown * BAR, typed=f"{shown}",
                unit="bar", by=by, sent_id=self.chronicle.uuid(),
            )
        )  # fmt: skip

    def _book(self, bottle, gas, mass, line):
        word, what = ("vent", "vent") if gas == "nitrogen" else ("gun", "gun")
        row = GasUse(
            cylinder=bottle, what=what, mass_kg=mass, at=line["happened_at"],
            recorded_at=line["recorded_at"], by=line["by"],
        )  # fmt: skip
        self.uses.append((row, word, line))

    def _mass(self, gas, volume, dial_bar):
        pressure = cylinders.from_dial(dial_bar * BAR)
        return cylinders.content(gas, volume, pressure, cylinders.ROOM)

    def _dial(self, gas, volume, mass):
        found = np.interp(max(mass, 0.0) / volume, self.levels[gas], NODES)
        return float(found - cylinders.ATMOSPHERE) / BAR
