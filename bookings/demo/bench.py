"""Samples and holders in the demo's story: described, mounted, measured, taken off, cleaned."""

from datetime import timedelta

from bookings.demo import materials, words
from bookings.demo.chronicle import seconds
from bookings.demo.desk import move
from bookings.models import Flag
from facility.findings import STOP
from samples.codes import new_code
from samples.models import Cleaning, Mount, Sample, Whereabouts

KEPT_FREE = ("B1", "B5", "B9")  # foils; what comes out dirty at the end; the dirty holder
LATELY_FREE = ("B4", "B7", "B12", "B18")  # for what stands at the end
LATER_LOADS = (4, 9, 14, 19, 24)  # days after the spill at which the dirty holder is used again
HOW_MANY = {
    "disc": ((1, 2, 3, 4, 5), (8, 20, 26, 26, 20)),
    "rectangle": ((3, 4, 5, 6), (1, 1, 1, 1)),
}
AGAIN = 0.52  # of mounts, with a sample that was measured before
SHARED = 0.08  # of holders, with a sample of another group beside one's own
HOME = {
    "coatings": "shelf box A", "corrosion": "shelf box B", "batteries": "glove box, batteries",
    "catalysis": "desiccator by the window", "": "shelf box C",
}  # fmt: skip


class Bench:
    """Who has which samples, and which holder is free from when on."""

    def __init__(self, chronicle, scene, now):
        self.chronicle, self.rng, self.scene = chronicle, chronicle.rng, scene
        self.now = now
        self.samples = {}  # group's name -> samples
        self.counts = {}  # series' title -> how many so far
        self.boxes = {place.name: place for place in scene.places.values()}
        self.foils = self._mount_references()

    def describe(self, series, owner, moment, **more):
        """A new sample of a series, declared some days before."""
        rng = self.rng
        count = self.counts[series.title] = self.counts.get(series.title, 0) + 1
        group = owner.group.name if owner.group else ""
        declared = moment - timedelta(days=rng.uniform(0.4, 12))
        width, height = series.size
        row = self.chronicle.add(
            Sample(
                **{
                    "code": new_code("S", choice=rng.choice),
                    "title": series.title.format(n=count),
                    "owner": owner,
                    "group": owner.group,
                    "form": series.form,
                    "composition": series.composition,
                    "wants": series.wants,
                    "shape": "disc" if series.disc else "rectangle",
                    "diameter_mm": width if series.disc else None,
                    "width_mm": None if series.disc else width,
                    "height_mm": None if series.disc else height,
                    "thickness_mm": round(rng.uniform(*series.thickness), 2),
                    "mass_mg": round(rng.uniform(*series.mass_mg), 1) if series.mass_mg else None,
                    "surface_m2_g": series.surface_m2_g or None,
                    "hazards": series.hazards,
                    "history": series.history,
                    "confidential": series.confidential,
                    "declared_at": declared,
                    "declared_before_arrival": rng.random() < 0.94,
                    "keep_until": (declared + timedelta(days=rng.randint(150, 400))).date(),
                    **more,
                }
            )
        )
        box = self.boxes[HOME.get(group, "shelf box C")]
        row.here = self.chronicle.add(
            Whereabouts(sample=row, place=box, since=declared + timedelta(hours=6), by=owner)
        )
        row.free_at, row.holder, row.box = declared + timedelta(hours=7), None, box
        self.samples.setdefault(group, []).append(row)
        return row

    def _mount_references(self):
        """Three foils that stay on holder B1."""
        dee, holder = self.scene.people["dee"], self.scene.holders["B1"]
        since = self.scene.opened + timedelta(days=1)
        for n, (title, metal, wants) in enumerate(materials.REFERENCES, 1):
            series = materials.Series(
                title, "bulk", metal, wants, "tantalum clip", (0.1, 0.1),
                history="99.99 %, sputter-cleaned before each check.",
            )  # fmt: skip
            row = self.describe(series, dee, since, keep_until=None)
            self.mount(holder, row, n, materials.ON_A_DISC[3][n - 1], "tantalum clip", dee, since)
        self.samples[""] = []
        return holder

    # before a session

    def prepare(self, by, start, wanted, *, holder=""):
        """A holder with samples of this person's group, ready before `start`; None if none is free."""
        dirties = bool(holder)
        holder = self.scene.holders.get(holder) or self._choose_holder(by, start, wanted)
        if holder is None:
            return None
        counts, weights = HOW_MANY[holder.type.shape]
        count = self.rng.choices(counts, weights)[0]
        since = start - timedelta(minutes=self.rng.uniform(25, 80))
        self.bring(holder, by, since - timedelta(minutes=4))
        chosen = self._choose_samples(by, start, since, count, wanted)
        if dirties:
            chosen[0] = self._new(materials.RUST, by, since)
        holder.wet = wanted if wanted and wanted.what == "wet load" else False
        spots = materials.spots(holder.type.shape, len(chosen))
        for n, (sample, spot) in enumerate(zip(chosen, spots, strict=True), 1):
            since += seconds(self.rng.randint(40, 200))
            self.mount(holder, sample, n, spot, sample.mounted_with, by, since)
        return holder

    def references(self, start):
        """The holder with the reference foils, unless it is in vacuum elsewhere."""
        if self.foils.free_at > start:
            return None
        dee = self.scene.people["dee"]
        self.bring(self.foils, dee, start - timedelta(minutes=10))
        return self.foils

    def _choose_holder(self, by, start, wanted):
        holders = self.scene.holders
        if wanted and wanted.what == "contaminated holder":
            return holders[wanted.holder]
        group = by.group.name
        free = [
            holder
            for name, holder in holders.items()
            if name not in KEPT_FREE
            and (name not in LATELY_FREE or start < self.now - timedelta(days=4))
            and not holder.standing
            and holder.free_at <= start - timedelta(minutes=90)
            and (not holder.dedicated_to or (name, group) in (("L2", "batteries"), ("B11", "corrosion")))
        ]  # fmt: skip
        return self.rng.choice(free) if free else None

    def due(self, row, moment):
        """Whether the dirty holder is used again about now: the spill, then five loads."""
        holder = self.scene.holders[row.holder]
        if holder.standing or holder.free_at > moment - timedelta(minutes=90):
            return False
        done = len(row.loads)
        if done == 0:
            return True
        return done <= len(LATER_LOADS) and moment >= row.start + timedelta(
            days=LATER_LOADS[done - 1]
        )

    def shows(self, row, load):
        """Whether a load on the dirty holder finds the element: each second one of the later."""
        return load in row.loads[1::2]

    def _choose_samples(self, by, start, since, count, wanted):
        group, rng, chosen = by.group.name, self.rng, []
        if wanted and wanted.what == "wet load":
            chosen.append(self._new(materials.WET, by, since))
            count = max(count, 2)
        if wanted and wanted.what == "contaminated holder" and not wanted.loads:
            chosen.append(self._new(materials.TIN, by, since))
            count = max(count, 3)
        if rng.random() < SHARED and count > 1:
            groups = [name for name in self.samples if name not in ("", group)]
            if groups and (sample := self._again(rng.choice(sorted(groups)), start, chosen)):
                chosen.append(sample)
        series = materials.SERIES[group]
        weights = [row.share if row is not materials.TIN else 0.0 for row in series]
        while len(chosen) < count:
            again = self._again(group, start, chosen) if rng.random() < AGAIN else None
            chosen.append(again or self._new(rng.choices(series, weights)[0], by, since))
        return chosen

    def _new(self, series, by, since):
        sample = self.describe(series, by, since)
        sample.mounted_with = series.mounting
        return sample

    def _again(self, group, start, chosen):
        """A sample that was there before, lately rather than long ago."""
        lately = [
            sample
            for sample in self.samples.get(group, [])[-40:]
            if sample.holder is None
            and sample not in chosen
            and sample.free_at <= start - timedelta(hours=2)
            and sample.composition != "Sn"
            and "undried" not in sample.title
        ]
        return self.rng.choice(lately) if lately else None

    def bring(self, holder, by, moment):
        if holder.here.place.kind != "bench":
            moment = max(moment, holder.here.since)
            move(self.chronicle, holder, self.scene.places["bench"], by, moment)

    def mount(self, holder, sample, number, spot, mounting, by, since, *, loose=None):
        """A mount as the verb makes it; powders are asked for their loose grains."""
        if loose is None:
            loose = self.rng.choice(("tapped", "tapped", "pressed", "blown"))
        row = self.chronicle.add(
            Mount(
                holder=holder,
                sample=sample,
                position=number,
                since=since,
                x_mm=spot[0],
                y_mm=spot[1],
                mounting=mounting,
                stack=[],
                thickness_mm=sample.thickness_mm,
                loose_powder=loose if sample.is_powder else "",
                by=by,
            )
        )
        if sample.is_powder and loose and self.rng.random() < 0.1:
            self._asked_once(row)
        sample.here.until = max(since, sample.here.since)
        sample.holder, sample.mounted_with = holder, mounting
        holder.standing.append(row)
        return row

    def _asked_once(self, mount):
        """Loose powder was a finding for some minutes, until it was tapped off."""
        row = self.chronicle.add(
            Flag(
                rule="PWD-01",
                severity=STOP,
                says=f"Position {mount.position}: loose powder not shaken off",
                do="Tap it off upside down in the extraction, press again, then say how.",
                source="grains reach valve seat and turbo pump; common practice, no source",
                holder=mount.holder,
                mount=mount,
                raised_at=mount.since + seconds(5),
                cleared_at=mount.since + seconds(self.rng.randint(120, 600)),
            )
        )
        row.late = lambda: {"key": f"PWD-01|{mount.pk}"}

    # after a session

    def came_out(self, inside, by, moment):
        """Samples go home, the holder is cleaned, or not, and goes back to the rack."""
        holder, rng = inside.holder, self.rng
        if holder is self.foils:
            holder.free_at = moment + timedelta(minutes=30)
            return
        for mount in inside.mounts:
            moment += seconds(rng.randint(60, 300))
            self.take_off(mount, by, moment)
        holder.standing, holder.wet = [], False
        powder = any(mount.sample.is_powder for mount in inside.mounts)
        cleaned = moment + timedelta(minutes=rng.uniform(20, 120))
        if moment.hour >= 19:
            cleaned += timedelta(hours=13)
        holder.free_at = cleaned + timedelta(minutes=40)
        if holder.free_at >= self.now:
            return
        if holder.short_name not in ("B5", "B9") and rng.random() < (0.98 if powder else 0.7):
            self.chronicle.add(
                Cleaning(holder=holder, at=cleaned, method=rng.choice(words.CLEANINGS), by=by)
            )
        move(self.chronicle, holder, self.scene.places["rack"], by, holder.free_at)

    def take_off(self, mount, by, moment):
        sample = mount.sample
        mount.until, mount.taken_off_by = moment, by
        sample.holder, sample.free_at = None, moment + timedelta(minutes=20)
        sample.here = self.chronicle.add(
            Whereabouts(sample=sample, place=sample.box, since=moment, by=by)
        )

    def send_home(self, now):
        """Samples that nobody has needed for some months are returned, or thrown away."""
        everyone = [sample for rows in self.samples.values() for sample in rows]
        for sample in everyone:
            idle = now - sample.free_at
            if sample.holder or idle < timedelta(days=60) or self.rng.random() < 0.4:
                continue
            sample.gone_at = sample.free_at + timedelta(days=self.rng.uniform(20, 50))
            sample.gone_how = self.rng.choice(("returned to its owner", "disposed of"))
            sample.here.until = max(sample.gone_at, sample.here.since)
