"""Gates: computed conditions of a step, each with its number, in one registry.

A gate that nothing here computes is a look of the person at the instrument; it is shown as such.
"""

from dataclasses import dataclass

from django.utils import timezone

from bookings import pump
from bookings.models import Flag
from facility import access
from facility.findings import STOP
from facility.vacuum import units


@dataclass(frozen=True)
class Gate:
    """A gate as it stands now: open or not, and the sentence with its number."""

    name: str
    open: bool
    says: str


@dataclass(frozen=True)
class Situation:
    """What gates may look at."""

    instrument: object
    person: object
    load: object
    states: dict


def _pressure_words(pascal, unit):
    mantissa, exponent = units.show(pascal, unit)
    return f"{mantissa} × 10^{exponent} {unit}"


def _below_threshold_and_fresh(now):
    gauges = pump.gauges_of(now.instrument, "introduction")
    newest = [row for row in pump.newest(gauges).values() if row is not None]
    reading = max(newest, key=lambda row: row.at, default=None)
    if reading is None:
        return False, "no pressure of the introduction chamber is written down yet"
    if reading.pressure_pa is None:
        return False, f"the introduction chamber's gauge reads {reading.get_state_display()}"
    unit = reading.gauge.unit
    limit = now.instrument.threshold_pa
    if reading.pressure_pa > limit:
        return False, f"pressure {reading.pressure_pa / limit:.2g} times too high"
    minutes = (timezone.now() - reading.at).total_seconds() / 60
    if timezone.now() - reading.at > pump.FRESH:
        return False, f"the last pressure is {minutes:.0f} min old: read it again"
    return True, f"{_pressure_words(reading.pressure_pa, unit)}, {minutes:.0f} min ago"


def _findings_answered(now):
    if now.load is None:
        return True, "no holder inside"
    return findings_answered(now.load.holder)


def findings_answered(holder):
    """(open, sentence): no finding of severity stop waits on this holder."""
    waiting = Flag.objects.waiting().filter(holder=holder, severity=STOP).first()
    if waiting:
        return False, f"{holder}: {waiting.says}"
    return True, f"nothing stops {holder}"


def _qualified(now):
    if access.may(now.person, "session.operate", now.instrument):
        return True, "you are qualified"
    return False, f"you have no standing qualification for {now.instrument}; ask staff"


GATES = {
    "below_threshold_and_fresh": _below_threshold_and_fresh,
    "findings_answered": _findings_answered,
    "qualified": _qualified,
}


def look(names, situation):
    """Each named gate as it stands; one that is not computed counts as open and says so."""
    found = []
    for name in names:
        if name in GATES:
            is_open, says = GATES[name](situation)
        else:
            is_open, says = True, f"{name.replace('_', ' ')}: look yourself"
        found.append(Gate(name, is_open, says))
    return found
