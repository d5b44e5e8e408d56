"""When the demo's sessions are: slots, bookings, closures, and what stands at the end."""

from dataclasses import dataclass
from datetime import date, timedelta

from django.utils import timezone

from bookings.demo import materials, steps, words
from bookings.demo.chronicle import seconds
from bookings.models import Booking
from facility.models import Instrument

OVERNIGHT = 0.75  # of afternoons before a used morning
CHECKED_EVERY = timedelta(days=14)
CHECKED_AGAIN = timedelta(days=6)
HALF_HOUR = timedelta(minutes=30)
LONGEST_DAY = timedelta(hours=14)  # of a session, with room before what stands at the end


@dataclass
class Slot:
    """Where a session goes: whole, load only, check, or whatever waits inside."""

    desk: object
    start: object
    kind: str = "whole"
    problem: bool = False
    forgets: bool = False
    fault: str = ""
    holder: str = ""  # where it has to be this one


class Calendar:
    """The demo's times."""

    def __init__(self, story):
        self.story, self.chronicle, self.rng = story, story.chronicle, story.rng
        self.desks = story.scene.desks
        self.closed = self._closures()

    # slots

    def slots(self, sessions):
        """Slots of all instruments in order of time, `sessions` in all where days suffice."""
        found = []
        share = sessions // len(self.desks)
        for desk, more in zip(self.desks.values(), (sessions % 2, 0), strict=True):
            found += self._slots_of(desk, share + more)
        return sorted(found, key=lambda slot: slot.start)

    def _slots_of(self, desk, count):
        story, slug = self.story, desk.instrument.slug
        spare = timedelta(hours=15 if slug == "quayside" else 27)  # for what stands at the end
        free = [
            start
            for start in self._candidates(desk)
            if start < story.now - spare
        ]  # fmt: skip
        starts = sorted(self.rng.sample(free, min(count, len(free))))
        slots = [Slot(desk, start) for start in starts]
        checked = story.first_day - CHECKED_EVERY
        changed = sorted(
            row.end + timedelta(days=3)
            for row in story.planted
            if row.instrument == slug and row.what in ("slow leak", "failing pump", "dirty gauge")
        )
        for slot, after in zip(slots, [*slots[1:], None], strict=True):
            drifting = any(
                row.what == "calibration drift" and row.holds(slug, slot.start)
                for row in story.planted
            )
            after_change = any(checked < moment <= slot.start for moment in changed)
            if after_change or slot.start - checked > (
                CHECKED_AGAIN if drifting else CHECKED_EVERY
            ):
                slot.kind, checked = "check", slot.start
            elif after and self._goes_overnight(slot, after):
                slot.kind = "load"
                slot.start = story.local(
                    slot.start.astimezone(story.zone).date(), 16, self.rng.randint(0, 50)
                )
        self._mark_planted(slug, slots)
        whole = [slot for slot in slots if slot.kind == "whole"]
        if slug == "quayside" and len(whole) > 3:
            whole[-2].holder = "B5"
        if slug == "headland" and len(whole) > 3:
            whole[-1].fault = words.STANDING_FAULT
        return slots

    def _candidates(self, desk):
        """Mornings and afternoons of working days that are not closed."""
        story = self.story
        day, last = timezone.localdate(story.first_day, story.zone), story.today()
        while day <= last:
            if day.weekday() < 5 and not any(
                first <= day <= until for first, until, _ in self.closed[desk.instrument.slug]
            ):
                yield story.local(day, 9, self.rng.randint(0, 40))
                yield story.local(day, 13, self.rng.randint(30, 59))
            day += timedelta(days=1)

    def _goes_overnight(self, slot, after):
        zone = self.story.zone
        first, then = slot.start.astimezone(zone), after.start.astimezone(zone)
        next_morning = then.date() == first.date() + timedelta(days=1) and then.hour < 12
        return first.hour >= 13 and next_morning and self.rng.random() < OVERNIGHT

    def _mark_planted(self, slug, slots):
        for row in self.story.planted:
            if row.instrument != slug or row.what not in ("power cut", "open cylinder valve"):
                continue
            slot = next((slot for slot in slots if slot.start >= row.start), None)
            if slot is None:
                continue
            if row.what == "power cut":
                slot.problem, slot.kind = True, "check"  # due after every power cut
            else:
                slot.forgets = True
                slot.kind = "check" if slot.kind == "check" else "whole"

    # closures and bookings

    def _closures(self):
        """By instrument: first day, last day, why. Two belong to what is planted."""
        story, closed = self.story, {slug: [] for slug in self.desks}
        for year in range(story.first_day.year, story.now.year + 1):
            for listed in closed.values():
                listed.append((date(year, 12, 24), date(year + 1, 1, 1), words.BREAK))
        for row in story.planted:
            day = row.end.astimezone(story.zone).date()
            if row.what == "slow leak":
                closed["quayside"].append((day, day + timedelta(days=3), words.BAKE))
            if row.what == "failing pump":
                closed["headland"].append((day, day + timedelta(days=2), words.PUMP_CHANGE))
        return closed

    def write_bookings(self):
        """What was booked: for sessions, for nothing, closed, and for the coming fortnight."""
        taken = {}
        for slug, listed in self.closed.items():
            for first, last, why in listed:
                start = self.story.local(first, 0)
                end = self.story.local(last + timedelta(days=1), 0)
                if end > self.story.first_day and start < self.story.now:
                    self._close(self._place(slug, "stage"), start, end, why, taken)
        for sitting in self.story.told:
            self._book_session(sitting, taken)
        self._book_for_nothing(taken)
        self._book_ahead(taken)

    def _place(self, slug, kind):
        return self.desks[slug].places[kind]

    def _book_session(self, sitting, taken):
        if self.rng.random() < 0.05 and sitting.row.closed_at:
            return  # came without a booking
        slug = sitting.desk.instrument.slug
        start = _down(sitting.row.opened_at)
        end = sitting.booked_until or _down(sitting.row.closed_at) + HALF_HOUR
        kind = "introduction" if sitting.only_loaded else "stage"
        if sitting.only_loaded:
            next_day = start.astimezone(self.story.zone).date() + timedelta(days=1)
            end = self.story.local(next_day, 9)
        made = start - timedelta(days=self.rng.uniform(0.5, 13))
        sitting.row.booking = self._hold(
            self._place(slug, kind), start, end, taken, person=sitting.by, made=made
        )

    def _book_for_nothing(self, taken):
        """Cancelled in time, or nobody came."""
        people = [p for p in self.story.scene.people.values() if p.role == "user" and p.is_active]
        for desk in self.desks.values():
            starts = [s for s in self._candidates(desk) if s < self.story.now - timedelta(days=2)]
            for start in self.rng.sample(starts, min(len(starts) // 14, 18)):
                start = _down(start)
                end = start + timedelta(hours=4)
                person = self.rng.choice(people)
                if person.date_joined > start:
                    continue
                made = start - timedelta(days=self.rng.uniform(2, 9))
                cancelled = start - timedelta(hours=self.rng.uniform(3, 40))
                why = Booking.Why.PERSON
                if self.rng.random() >= 0.6:
                    cancelled, why = start + HALF_HOUR, Booking.Why.NOT_USED
                self._hold(
                    desk.places["stage"], start, end, taken, person=person, made=made,
                    cancelled=cancelled, cancelled_why=why,
                )  # fmt: skip

    def _book_ahead(self, taken):
        """The coming fortnight: days, nights, one closure."""
        story, rng = self.story, self.rng
        people = story.scene.people
        wednesday = story.today() + timedelta(days=(2 - story.today().weekday()) % 7 or 7)
        self._close(
            self._place("headland", "stage"), story.local(wednesday, 8), story.local(wednesday, 18),
            "cold-cathode gauge: cleaning", taken,
        )  # fmt: skip
        names = ("ben", "mina", "chao", "lev", "nell", "pia", "ravi", "tove", "uma", "hedda")
        first_of_ben = True
        for ahead in range(1, 15):
            day = story.today() + timedelta(days=ahead)
            if day.weekday() > 4:
                continue
            for slug in self.desks:
                for share, begins, lasts, kind in (
                    (0.6, (9, 0), 4, "stage"),
                    (0.5, (13, 30), 4, "stage"),
                    (0.25, (18, 0), 14, "introduction"),
                ):
                    person = people[rng.choice(names)]
                    if slug == "quayside" and begins == (9, 0) and first_of_ben:
                        person, share, first_of_ben = people["ben"], 1.0, False
                    if rng.random() >= share or not person.levels.get(slug):
                        continue
                    start = story.local(day, *begins)
                    self._hold(
                        self._place(slug, kind), start, start + timedelta(hours=lasts), taken,
                        person=person, made=story.now - timedelta(days=rng.uniform(0.2, 9)),
                    )  # fmt: skip

    def _close(self, place, start, end, why, taken):
        made = min(start, self.story.now) - timedelta(days=self.rng.uniform(5, 20))
        self._hold(place, start, end, taken, made=made, why=why)

    def _hold(
        self, place, start, end, taken, *, person=None, made, why="", cancelled=None,
        cancelled_why="",
    ):  # fmt: skip
        """A booking, cut short where the next one begins; None where the time is taken."""
        others = taken.setdefault(place.name, [])
        if cancelled is None:
            clash = [(s, e) for s, e in others if s < end and e > start]
            start = max([start, *(e for s, e in clash if s <= start)])
            end = min([end, *(s for s, e in clash if s > start)])
            if end - start < timedelta(minutes=10) or any(s < end and e > start for s, e in others):
                return None
            others.append((start, end))
        zone = self.story.zone
        by = person or self.story.scene.staff
        return self.chronicle.add(
            Booking(
                place=place,
                person=person,
                starts_at=start,
                ends_at=end,
                wall_start=f"{start.astimezone(zone):%Y-%m-%dT%H:%M}",
                wall_end=f"{end.astimezone(zone):%Y-%m-%dT%H:%M}",
                zone=str(zone),
                why=why,
                made_at=min(made, self.story.now),
                made_by=by,
                cancelled_at=cancelled,
                cancelled_by=person if cancelled_why == Booking.Why.PERSON else None,
                cancelled_why=cancelled_why,
                sent_id=self.chronicle.uuid(),
            )
        )

    # what stands at the end

    def left_at(self):
        """When the session begins that leaves its load measuring: by day, and some hours ago."""
        start = self.story.now - timedelta(hours=7)
        if 7 <= start.astimezone(self.story.zone).hour < 18:
            return start
        day = (self.story.now - timedelta(hours=20)).astimezone(self.story.zone).date()
        return self.story.local(day, 16, 10)

    def left_measuring(self, desk):
        """A load in the main chamber: measuring, nobody at the instrument."""
        story, start = self.story, self.left_at()
        lev = story.scene.people["lev"]
        holder = story.bench.prepare(lev, start, None)
        sitting = story.open(desk, lev, Slot(desk, start))
        sitting.look_around()
        story.close_what_stands_open(sitting)
        story.load(sitting, holder)
        story.wait_for_threshold(sitting)
        story.transfer(sitting)
        for step_id in ("raise_stage", "xrays_on", "neutraliser_on", "measure"):
            sitting.take(step_id, self.rng.randint(40, 150))
        day = (story.now + timedelta(hours=18)).astimezone(story.zone).date()
        morning = story.local(day, 8)
        sitting.leave_running("Survey and lines of all positions, unattended", morning, lev.phone)
        sitting.sign_off(
            f"Left measuring until {morning.astimezone(story.zone):%a %H:%M}: sources on, gate shut. "
            f"Phone Lev, {lev.phone}."
        )
        sitting.booked_until = morning

    def pumping_now(self, desk):
        """A session that is open now, its pump-down some minutes old."""
        story, now = self.story, self.story.now
        ben, bench = story.scene.people["ben"], story.bench
        start = now - timedelta(minutes=46)
        holder = story.scene.holders["B4"]
        if holder.free_at > start - timedelta(hours=2) or holder.standing:
            raise AssertionError("holder B4 is kept for the session that is open now")
        films = [s for s in materials.SERIES["coatings"] if s.form == "film"][:3]
        coupon = materials.SERIES["corrosion"][1]
        since = start - timedelta(minutes=35)
        bench.bring(holder, ben, since - timedelta(minutes=3))
        owners = [(series, ben) for series in films] + [(coupon, story.scene.people["chao"])]
        for n, (series, owner) in enumerate(owners, 1):
            sample = bench.describe(series, owner, since)
            spot = materials.ON_A_DISC[4][n - 1]
            bench.mount(holder, sample, n, spot, series.mounting, ben, since + seconds(90 * n))
        sitting = story.open(desk, ben, Slot(desk, start))
        sitting.whole_minutes = False
        sitting.look_around()
        story.close_what_stands_open(sitting)
        story.go_through(sitting, steps.BENCH, holders=holder)
        story.go_through(sitting, steps.LOADING[:-1], holders=holder)
        sitting.t = max(sitting.t, now - seconds(690))
        sitting.take("open_pump_valve", 0)
        story.rough_stage(sitting)
        for left in (200, 60):
            sitting.t = max(sitting.t + seconds(20), now - seconds(left))
            story.pressures.read(sitting, "fine", slips=False)
        if sitting.t > now:
            raise AssertionError(f"the open session runs {sitting.t - now} into the future")
        sitting.booked_until = _down(start) + timedelta(hours=4, minutes=30)

    def at_the_bench(self):
        """Holders that are being made ready: one with loose powder, one finished."""
        story, bench = self.story, self.story.bench
        people, since = story.scene.people, story.now - timedelta(minutes=95)
        ben, series = people["ben"], materials.SERIES
        rows = (
            (series["corrosion"][0], people["chao"], None),
            (series["coatings"][3], ben, ""),
            (series["catalysis"][0], people["tove"], "tapped"),
            (series["catalysis"][3], people["tove"], None),
            (series["coatings"][0], ben, None),
        )
        for holder, listed, minutes in (
            (story.scene.holders["B7"], rows, 0),
            (story.scene.holders["B12"], ((series["coatings"][1], people["mina"], None),) * 4, 40),
        ):
            by = listed[-1][1]
            moment = since + timedelta(minutes=minutes)
            bench.bring(holder, by, moment)
            spots = materials.spots("disc", len(listed))
            for n, (kind, owner, loose) in enumerate(listed, 1):
                moment += seconds(self.rng.randint(60, 200))
                sample = bench.describe(kind, owner, moment)
                bench.mount(holder, sample, n, spots[n - 1], kind.mounting, by, moment, loose=loose)

    def house_rules(self):
        """What stands on holders and instruments at the end, beyond their stays."""
        story, holders = self.story, self.story.scene.holders
        dirty = next((row for row in story.planted if row.what == "contaminated holder"), None)
        holders["B9"].quarantined_why = (
            "Sn 3d on three of its loads: clean it, then a blank, before it is used again"
            if dirty else "edge bent, sits askew on the stage"
        )  # fmt: skip
        holders["B18"].retired_at = story.now - timedelta(days=2)
        for name in ("B9", "B18"):
            holders[name].save()
        headland = self.desks["headland"].instrument
        headland.word, headland.word_why = Instrument.Word.CAREFUL, words.STANDING_FAULT
        for desk in self.desks.values():
            desk.instrument.last_step = desk.last_step
            desk.instrument.save()


def _down(moment):
    """The half hour before."""
    return moment - timedelta(
        minutes=moment.minute % 30, seconds=moment.second, microseconds=moment.microsecond
    )
