"""What a bottle's dial says over weeks: how full, how many vents, until when, and whether it leaks. Pure."""

import math
from dataclasses import dataclass
from datetime import datetime, timedelta

from facility.vacuum import cylinders, oxygen
from facility.vacuum.gas import GAS_CONSTANT, gas_named

WINDOW = timedelta(days=28)  # over which booked use and dial are compared; own proposal
SPAN = timedelta(days=cylinders.LOSS_DAYS)
MOST_DIALS = 40  # newest readings that a trend is made of
ZERO_CELSIUS = 273.15
HIGHEST_DIAL = cylinders.PRESSURES[-1] - cylinders.ATMOSPHERE  # where the gas tables end


@dataclass(frozen=True)
class Dial:
    """A reading of the dial: when, absolute pressure [Pa], temperature [K], its key."""

    at: datetime
    pressure: float
    temperature: float = cylinders.ROOM
    key: int = 0


@dataclass(frozen=True)
class Use:
    """Gas that something booked: when, mass [kg]."""

    at: datetime
    mass: float


@dataclass(frozen=True)
class Alarm:
    """A fall of the dial that booked use does not explain, between two readings."""

    before: Dial
    after: Dial
    drop: float  # Pa
    explained: float  # Pa
    says: str


def rises(before, after):
    """Whether a bottle seems to have filled itself: then somebody changed it and did not say so.

    Takes:   two Dials, `before` the earlier.   Returns: True or False.
    Source:  a rise beyond two reading errors at one temperature; own proposal.
    >>> from datetime import UTC
    >>> old = Dial(datetime(2026, 1, 1, tzinfo=UTC), 40e5)
    >>> rises(old, Dial(old.at, 45e5)), rises(old, Dial(old.at, 180e5))
    (False, True)
    """
    then, now = (pressure_at_room(None, dial) for dial in (before, after))
    return now - then > 2 * cylinders.READING


def pressure_at_room(gas, dial):
    """A dial's absolute pressure brought to the temperature of the laboratory.

    Takes:   gas, or None for the ideal law; dial.   Returns: [Pa].
    Raises:  ValueError outside the tables of `cylinders`.
    """
    if gas is None or dial.temperature == cylinders.ROOM:
        return dial.pressure * cylinders.ROOM / dial.temperature
    return cylinders.at_temperature(gas, dial.pressure, dial.temperature)


def since_the_last_change(dials):
    """The newest readings in which the bottle never fills itself, in order of time."""
    dials = sorted(dials, key=lambda dial: dial.at)
    start = max((n for n in range(1, len(dials)) if rises(dials[n - 1], dials[n])), default=0)
    return dials[start:][-MOST_DIALS:]


def content_kg(gas, volume, dial):
    """Gas in the bottle now [kg], by the real gas."""
    return cylinders.content(gas, volume, dial.pressure, dial.temperature)


def trend(dials, volume, gas):
    """RunOut of `cylinders`, from readings on at least two days; None before that.

    Takes:   dials, of one bottle; volume [m³]; gas.   Returns: RunOut, days after the last reading.
    """
    dials = since_the_last_change(dials)
    if len(dials) < 2 or dials[-1].at - dials[0].at < timedelta(days=1):
        return None
    days = [(dial.at - dials[0].at) / timedelta(days=1) for dial in dials]
    return cylinders.run_out(
        days,
        [dial.pressure for dial in dials],
        volume,
        gas=gas,
        temperatures=[dial.temperature for dial in dials],
    )


def alarms(dials, uses, volume, gas, unit="bar"):
    """Every fall that booked use does not explain (INV-02), each found once.

    Takes:   dials and uses of one bottle; volume [m³]; gas; unit of the sentences.
    Returns: list of Alarm in order of time. A reading is compared with the oldest one of the four
             weeks before it that is at least seven days old; after an alarm, and after a bottle
             that filled itself, comparing begins anew.
    Source:  rule INV-02: more than 3 reading errors over at least 7 days; own proposal.
    """
    dials = sorted(dials, key=lambda dial: dial.at)
    found, start = [], 0
    for n, dial in enumerate(dials):
        if n and rises(dials[n - 1], dial):
            start = n
        base = next(
            (
                row
                for row in dials[start:n]
                if row.at >= dial.at - WINDOW and row.at <= dial.at - SPAN
            ),
            None,
        )
        if base and (alarm := _unexplained(base, dial, uses, volume, gas, unit)):
            found.append(alarm)
            start = n
    return found


def _unexplained(base, dial, uses, volume, gas, unit):
    mass = math.fsum(use.mass for use in uses if base.at < use.at <= dial.at)
    limit = cylinders.LOSS_READINGS * cylinders.READING
    ideal = mass * GAS_CONSTANT * cylinders.ROOM / (gas_named(gas).molar_mass * volume)
    if base.pressure - dial.pressure - ideal < limit / 2:  # far from an alarm: real gas is slow
        return None
    loss = cylinders.loss(
        [0.0, (dial.at - base.at) / timedelta(days=1)],
        [base.pressure, dial.pressure],
        volume,
        mass,
        gas=gas,
        temperatures=[base.temperature, dial.temperature],
        unit=unit,
    )
    return Alarm(base, dial, loss.drop, loss.explained, loss.says) if loss.alarm else None


def room_gas(bottles):
    """Gas that all inert bottles and dewars of a room would set free [m³ at 20 °C and 1 atm].

    Takes:   bottles, pairs of (gas, full bottle's mass [kg]); "liquid nitrogen" with its volume [m³].
    Returns: [m³].
    Source:  each bottle taken as full: the next one is.
    >>> round(room_gas([("nitrogen", 11.16), ("liquid nitrogen", 0.025)]), 1)
    26.9
    """
    total = 0.0
    for gas, much in bottles:
        if gas == "liquid nitrogen":
            total += oxygen.liquid_nitrogen_gas(much)
        else:
            total += cylinders.free_volume(gas, much, cylinders.ATMOSPHERE, cylinders.ROOM)
    return total
