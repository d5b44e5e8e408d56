"""What the rules see of a holder: its mounts with their texts read, gaps, limits."""

from dataclasses import dataclass
from functools import partial
from itertools import combinations

from facility.errors import Refused
from samples import geometry
from samples.layout import Layout, Mount
from samples.matter import kinds, lines, volatility
from samples.matter.composition import Composition, parse
from samples.matter.declared import Declared, Surroundings
from samples.matter.mounts import Mounting, find_mounting

POWDERS = ("powder", "porous powder")
NOT_DONE = frozenset({"no", "not yet", "not removed", "not removed yet", "not done", "unknown"})


@dataclass(frozen=True, slots=True)
class Specimen:
    """One mount with what was read of its texts."""

    mount: Mount
    composition: Composition | None
    mounting: Mounting | None
    wants: tuple[tuple[str, tuple[lines.Line, ...]], ...]
    declared: Declared
    evaporations: tuple[volatility.Evaporation, ...]

    @property
    def id(self):
        return self.mount.id

    @property
    def called(self):
        """Its name for a sentence."""
        return f"{self.mount.name} ({self.mount.id})" if self.mount.name else self.mount.id

    @property
    def is_powder(self):
        return self.mount.form in POWDERS

    @property
    def is_loose(self):
        """Powder of which nobody has said that what was loose is off."""
        done = self.mount.loose_powder_removed
        if isinstance(done, str):
            done = done.casefold().strip(" .") not in NOT_DONE
        return self.is_powder and not done


@dataclass(frozen=True, slots=True)
class Case:
    """A holder as the rules see it."""

    layout: Layout
    specimens: tuple[Specimen, ...]
    surroundings: Surroundings
    clearances: dict

    def limit(self, name):
        return self.layout.rules[name]

    @property
    def photon_energy_ev(self):
        return self.layout.instrument.photon_energy_ev if self.layout.instrument else None

    @property
    def spot_um(self):
        return self.layout.instrument.spot_um if self.layout.instrument else None

    def clearance(self, one, other):
        """Gap of two specimens [mm]; where they overlap, minus the depth."""
        pair = (one.id, other.id)
        return self.clearances[pair if pair in self.clearances else pair[::-1]]

    def gap(self, one, other):
        """Gap of two specimens [mm], 0 where they touch or overlap."""
        clearance = self.clearance(one, other)
        return clearance if clearance > geometry.TOUCH_MM else 0.0

    def called(self, id_):
        """The name of a mount for a sentence."""
        return next(specimen.called for specimen in self.specimens if specimen.id == id_)

    def is_volatile(self, specimen):
        """Whether it may spread by evaporating or creeping."""
        if specimen.composition is None:
            return False
        if kinds.oil_or_grease(specimen.composition) or kinds.creeping(specimen.composition):
            return True
        return any(self.evaporates(one) for one in specimen.evaporations)

    def evaporates(self, evaporation):
        """stop, staff or None for one evaporation under the limits in force."""
        return volatility.severity_of(
            evaporation,
            staff_torr=self.limit("vapour_staff_torr"),
            stop_torr=self.limit("vapour_stop_torr"),
        )


def read_case(layout, surroundings=None, *, on_problem=None):
    """A Case from a layout; texts that mean nothing are refused by the name of their mount.

    Takes:  on_problem, a function that gets each Refused instead of it being raised; what it was
            about then counts as not given.
    """
    surroundings = surroundings or Surroundings()
    photon_ev = layout.instrument.photon_energy_ev if layout.instrument else None
    specimens = tuple(
        _specimen(mount, surroundings, photon_ev, on_problem) for mount in layout.mounts
    )
    clearances = {
        (one.id, other.id): geometry.clearance(one.footprint, other.footprint)
        for one, other in combinations(layout.mounts, 2)
    }
    return Case(layout, specimens, surroundings, clearances)


def _specimen(mount, surroundings, photon_ev, on_problem):
    composition = mounting = None
    read = partial(_read, mount, on_problem)
    if mount.composition:
        composition = read("composition", parse, mount.composition)
    if mount.mounting:
        mounting = read("mounting", find_mounting, mount.mounting, surroundings.mountings)
    wants = tuple(
        (want, read("wants", lines.wanted_lines, want, photon_ev) or ())
        for want in dict.fromkeys(mount.wants)
    )
    return Specimen(
        mount,
        composition,
        mounting,
        wants,
        surroundings.of.get(mount.id, Declared()),
        tuple(volatility.evaporations(composition, mount.max_temperature_c))
        if composition is not None
        else (),
    )


def _read(mount, on_problem, name, reader, *texts):
    """What a field means; None where it means nothing and somebody takes the refusal."""
    try:
        return reader(*texts)
    except Refused as refusal:
        # The sentence begins with the field's own word; the mount takes its place here.
        said = str(refusal)
        for word in ("Composition ", "Wanted line ", "mounting "):
            said = said.removeprefix(word)
        named = Refused(f"{name} of mount {mount.id}, {said}")
        if on_problem is None:
            raise named from None
        on_problem(named)
        return None
