"""Gates: computed conditions of a step, each with its number, in one registry.

A gate that nothing here computes is a look of the person at the instrument; it is shown as such.
No gate stands before making safe, unloading, signing off or writing something down.
"""

from dataclasses import dataclass, field
from datetime import datetime, timedelta

from django.utils import timezone

from bookings import pump, told
from bookings.models import Flag, Reading
from facility import access
from facility.findings import STOP
from facility.models import Chamber, Place, Qualification
from facility.vacuum import gas, units
from samples import bench, heights, layout
from samples.models import Whereabouts

CROSSOVER_PA = 1e-3 * units.TORR  # where a cold cathode may be switched on; common practice
ARGON_PA = 15e-3  # indicated on the gun's own gauge; common practice, no source
ARGON_WITHIN = 0.2  # of its target; own proposal
STEADY = timedelta(minutes=1)  # one to two minutes; common practice, no source
RECOVERY_AGE = timedelta(minutes=30)  # a main chamber's reading older than this is read again


@dataclass(frozen=True)
class Gate:
    """A gate as it stands now: open or not, and the sentence with its number."""

    name: str
    open: bool
    says: str
    computed: bool = True


@dataclass(frozen=True)
class Situation:
    """What gates may look at: `load` in the introduction chamber, `measured` on the stage.

    `at` is the moment they are asked about: now, or when a tablet without a network took the step.
    """

    instrument: object
    person: object
    load: object
    measured: object
    states: dict
    step: object = None
    at: datetime = field(default_factory=timezone.now)


def words(pascal, unit):
    """A pressure in a sentence, such as 1.2 × 10⁻⁶ torr."""
    return f"{units.in_words(units.from_pascal(pascal, unit))} {unit}"


def _newest(now, kind):
    """The newest reading of a chamber, whichever of its gauges it is from, or None."""
    found = pump.newest(pump.gauges_of(now.instrument, kind), now.at).values()
    return max((row for row in found if row is not None), key=lambda row: row.at, default=None)


def _ago(now, reading):
    """How old a reading is, in the largest unit that says it."""
    minutes = (now.at - reading.at).total_seconds() / 60
    if minutes < 90:
        return f"{minutes:.0f} min"
    return f"{minutes / 60:.0f} h" if minutes < 48 * 60 else f"{minutes / 1440:.0f} days"


def _when(now, reading):
    """When a fresh reading was read, in words."""
    return "just now" if now.at - reading.at < timedelta(minutes=1) else f"{_ago(now, reading)} ago"


def _times(ratio):
    """A ratio in two figures, written out: 900, not 9e+02."""
    return f"{ratio:.2g}" if ratio < 10 else f"{float(f'{ratio:.2g}'):,.0f}"


def _below_threshold_and_fresh(now):
    reading = _newest(now, Chamber.Kind.INTRODUCTION)
    if reading is None:
        return False, "no pressure of the introduction chamber is written down yet"
    if reading.pressure_pa is None:
        # a gauge that was just switched off hides a reading that is still fresh
        last = (
            Reading.objects.filter(gauge=reading.gauge, state="number", at__lte=reading.at)
            .order_by("-at", "-pk")
            .first()
        )
        if last is None or reading.state != Reading.State.OFF:
            return False, f"the introduction chamber's gauge reads {reading.get_state_display()}"
        reading = last
    limit = now.instrument.threshold_pa
    if reading.pressure_pa > limit:
        return False, f"pressure {_times(reading.pressure_pa / limit)} times too high"
    if now.at - reading.at > pump.FRESH:
        return False, f"the last pressure is {_ago(now, reading)} old: read it again"
    return True, f"{words(reading.pressure_pa, reading.gauge.unit)}, read {_when(now, reading)}"


def _gauge_can_read(now):
    reading = _newest(now, Chamber.Kind.INTRODUCTION)
    if reading is None or reading.pressure_pa is None:
        return False, "write the rough gauge's pressure down first"
    unit = reading.gauge.unit
    limit = words(CROSSOVER_PA, unit)
    if reading.pressure_pa > CROSSOVER_PA:
        return False, f"{words(reading.pressure_pa, unit)}, the gauge may be lit below {limit}"
    if now.at - reading.at > pump.FRESH:
        return False, f"the last pressure is {_ago(now, reading)} old: read it again"
    return True, f"{words(reading.pressure_pa, unit)}, below {limit}"


def _gauge_off(now):
    state = now.states.get("gauge")
    if state is None:
        return None
    return state == "off", f"the gauge is {state}"


def _burst_within_limit(now):
    """PMP-03: gas shared between both chambers the moment the gate opens, no pump counted."""
    intro = _newest(now, Chamber.Kind.INTRODUCTION)
    main = _newest(now, Chamber.Kind.MAIN)
    volumes = dict(now.instrument.chambers.values_list("kind", "volume_l"))
    if intro is None or intro.pressure_pa is None or len(volumes) < 2:
        return None
    after = gas.burst_on_opening(
        intro.pressure_pa,
        volumes[Chamber.Kind.INTRODUCTION] / 1000,
        main.pressure_pa if main and main.pressure_pa else 0.0,
        volumes[Chamber.Kind.MAIN] / 1000,
    )
    unit = (main or intro).gauge.unit
    ceiling = now.instrument.burst_ceiling_pa
    says = f"opening brings the main chamber to about {words(after, unit)}"
    if after > ceiling:
        return False, f"{says}, above its limit of {words(ceiling, unit)}"
    return True, f"{says}, limit {words(ceiling, unit)}"


def _slot_free(now):
    """Nothing lies where this holder has to go: the stage on the way in, the chamber on the way out."""
    kind = Place.Kind.STAGE if now.load else Place.Kind.INTRODUCTION
    if not now.load and not now.measured:
        kind = Place.Kind.INTRODUCTION
    there = (
        Whereabouts.objects.now()
        .filter(place__instrument=now.instrument, place__kind=kind, holder__isnull=False)
        .select_related("holder", "place")
        .first()
    )
    if there and there.place.capacity <= 1:
        return False, f"holder {there.holder} is in the {there.place.get_kind_display()}"
    return True, "its way is free"


def _main_recovered(now):
    reading = _newest(now, Chamber.Kind.MAIN)
    if reading is None or reading.pressure_pa is None:
        return False, "write the main chamber's pressure down first"
    unit, ceiling = reading.gauge.unit, now.instrument.main_ceiling_pa
    if reading.pressure_pa > ceiling:
        return False, (
            f"main chamber {words(reading.pressure_pa, unit)}, above {words(ceiling, unit)}"
        )
    if now.at - reading.at > RECOVERY_AGE:
        return False, f"the main chamber was read {_ago(now, reading)} ago: read it again"
    return True, f"main chamber {words(reading.pressure_pa, unit)}"


def _height_set(now):
    """HGT-01: the limit that the stage must not pass with this holder on it."""
    load = now.measured or now.load
    if load is None:
        return True, "no holder on the stage"
    found = height_of(load)
    if found is None or found.max_mm is None:
        return False, (
            f"the height limit of {load.holder} is not known: give every thickness, and ask staff "
            "for the instrument's own constants"
        )
    return (
        True,
        f"never above Z {found.max_mm:.2f} mm ({found.formula}); set the stage's own limit too",
    )


def height_of(load):
    """Heights of a load's layout as it was when the door closed, or None without its constants."""
    document = bench.layout_document(load.holder, load.mounts_inside(), load.instrument)
    found = heights.heights(layout.read_layout(document))
    return found if found.max_mm is not None else None


def _argon_steady(now):
    gauge = pump.gun_gauge_of(now.instrument)
    if gauge is None:
        return None
    told = Reading.objects.filter(gauge=gauge, state="number", at__lte=now.at)
    rows = list(told.order_by("-at", "-pk")[:12])
    if not rows or now.at - rows[0].at > pump.FRESH:
        return False, "write the argon pressure of the gun's own gauge down"
    held = [row for row in rows if abs(row.pressure_pa / ARGON_PA - 1) <= ARGON_WITHIN]
    if not held or held[0] != rows[0]:
        return (
            False,
            f"argon {words(rows[0].pressure_pa, gauge.unit)}, target {words(ARGON_PA, gauge.unit)}",
        )
    main = _newest(now, Chamber.Kind.MAIN)
    if main and main.pressure_pa and main.pressure_pa > now.instrument.argon_ceiling_pa:
        return False, f"main chamber {words(main.pressure_pa, main.gauge.unit)}, too high for argon"
    unbroken = []
    for row in rows:
        if row not in held:
            break
        unbroken.append(row)
    stood = now.at - unbroken[-1].at
    if stood < STEADY:
        return (
            False,
            f"argon at its target for {stood.total_seconds():.0f} s; wait one to two minutes",
        )
    return True, f"argon steady at {words(rows[0].pressure_pa, gauge.unit)}"


def _argon_pumped_away(now):
    gauge = pump.gun_gauge_of(now.instrument)
    if gauge is None:
        return None
    row = Reading.objects.filter(gauge=gauge, at__lte=now.at).order_by("-at", "-pk").first()
    if row is None or row.pressure_pa is None:
        return True, "the gun's own gauge shows nothing"
    if row.pressure_pa > ARGON_PA / 10:
        return (
            False,
            f"the gun's own gauge last read {words(row.pressure_pa, gauge.unit)}: read it again",
        )
    return True, f"the gun's own gauge reads {words(row.pressure_pa, gauge.unit)}"


def _findings_answered(now):
    if now.load is None:
        return True, "no holder in the introduction chamber"
    return findings_answered(now.load.holder, now.person)


def findings_answered(holder, reader):
    """(open, sentence): no finding of severity stop waits on this holder, in words for its reader."""
    waiting = Flag.objects.waiting().filter(holder=holder, severity=STOP).first()
    if waiting:
        says, _ = told.in_full(waiting, reader)
        return False, f"{holder}: {says.rstrip('.')}"
    return True, f"nothing stops {holder}"


def _powder_answered(now):
    load = now.measured or now.load
    if load is None:
        return True, "no holder inside"
    open_ = [m for m in load.mounts_inside() if m.sample.is_powder and not m.loose_powder_removed]
    if open_:
        return False, f"loose powder of position {open_[0].position} was not said to be removed"
    return True, "no loose powder"


def _qualified(now):
    needs = Qualification.Level.ASSISTED
    if now.step is not None and "ion_gun" in now.step.sets:
        needs = Qualification.Level.ION_GUN
    if now.person.is_house_staff or access.level_of(now.person, now.instrument) >= needs:
        return True, "you are qualified"
    return False, (
        f"your qualification for {now.instrument} does not reach {needs.label}; ask staff"
    )


GATES = {
    "below_threshold_and_fresh": _below_threshold_and_fresh,
    "gauge_can_read": _gauge_can_read,
    "gauge_off": _gauge_off,
    "burst_within_limit": _burst_within_limit,
    "slot_free": _slot_free,
    "main_recovered": _main_recovered,
    "height_set": _height_set,
    "argon_steady": _argon_steady,
    "argon_pumped_away": _argon_pumped_away,
    "findings_answered": _findings_answered,
    "powder_answered": _powder_answered,
    "qualified": _qualified,
}

OPENED_BY_PRESSURE = frozenset(["below_threshold_and_fresh", "gauge_can_read"])
"""Gates of the steps that wait for a pressure of the introduction chamber: writing it takes them."""

LOOK_YOURSELF = {
    "coolant_flows": "see that the coolant flows",
    "heights_agree": "the holder passes under the height gauge",
    "positions_named": "every position has a sample or is empty",
    "mount_shares_no_line": "the tape hides no wanted line",
    "reference_check_current": "the energy scale was checked lately",
    "fate_of_holder_said": "say where the holder goes",
    "specimen_conducts": "the specimen conducts",
    "gauge_off": "see that the gauge is off",
}


def look(names, situation):
    """Each named gate as it stands; what cannot be computed counts as open and asks for a look."""
    found = []
    for name in names:
        answer = GATES[name](situation) if name in GATES else None
        if answer is None:
            says = LOOK_YOURSELF.get(name, f"{name.replace('_', ' ')}: look yourself")
            found.append(Gate(name, True, says, computed=False))
        else:
            found.append(Gate(name, *answer))
    return found
