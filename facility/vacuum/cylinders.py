"""Gas cylinders: what is in them, how long it lasts, when it goes too fast.

Pressures are absolute; a dial shows the pressure above the air around (`from_dial`).
"""

import math
from dataclasses import dataclass

import numpy as np

from facility.vacuum.gas import GAS_CONSTANT, above_zero, gas_named, not_below_zero
from facility.vacuum.units import from_pascal, unit_named

ATMOSPHERE = 101325.0  # Pa
BAR = 1e5  # Pa
ROOM, STORE = 293.15, 288.15  # K: laboratory, and the 15 °C at which suppliers quote contents
EMPTY = (
    5 * BAR
)  # leave this much in, so that no air gets into the bottle; common practice, no source
READING = 5 * BAR  # how far a dial may be read off; own proposal
LOSS_READINGS, LOSS_DAYS = 3, 7  # own proposal
LEAST_WANDER = 0.3  # variance of a day's use over its mean squared: weekends alone make that much
FARTHEST = 3650.0  # days; beyond ten years a run-out means nothing

# Compressibility pV/(nRT). Rows: TEMPERATURES; columns: PRESSURES. Source: reference equations of
# state (N2 Span et al. 2000, Ar Tegeler et al. 1999, O2 Schmidt and Wagner 1985, He Ortiz-Vega et
# al. 2013, air Lemmon et al. 2000) as computed by CoolProp 8.0.0, rounded to four places.
TEMPERATURES = (250.0, 270.0, 290.0, 310.0, 330.0)  # K
PRESSURES = tuple(p * BAR for p in (0.0, 50.0, 100.0, 150.0, 200.0, 250.0, 300.0))  # Pa
COMPRESSIBILITY = {
    "nitrogen": (
        (1.0, 0.9690, 0.9586, 0.9715, 1.0054, 1.0548, 1.1145),
        (1.0, 0.9827, 0.9818, 0.9983, 1.0305, 1.0749, 1.1280),
        (1.0, 0.9927, 0.9986, 1.0179, 1.0493, 1.0903, 1.1386),
        (1.0, 1.0000, 1.0109, 1.0324, 1.0633, 1.1020, 1.1467),
        (1.0, 1.0055, 1.0201, 1.0431, 1.0737, 1.1107, 1.1526),
    ),
    "argon": (
        (1.0, 0.9373, 0.8877, 0.8598, 0.8586, 0.8812, 0.9205),
        (1.0, 0.9551, 0.9215, 0.9039, 0.9047, 0.9228, 0.9545),
        (1.0, 0.9681, 0.9459, 0.9360, 0.9396, 0.9561, 0.9832),
        (1.0, 0.9778, 0.9640, 0.9599, 0.9661, 0.9822, 1.0067),
        (1.0, 0.9853, 0.9777, 0.9780, 0.9864, 1.0026, 1.0256),
    ),
    "oxygen": (
        (1.0, 0.9348, 0.8820, 0.8514, 0.8480, 0.8692, 0.9076),
        (1.0, 0.9533, 0.9175, 0.8980, 0.8972, 0.9140, 0.9446),
        (1.0, 0.9669, 0.9431, 0.9318, 0.9342, 0.9496, 0.9758),
        (1.0, 0.9771, 0.9621, 0.9569, 0.9622, 0.9774, 1.0013),
        (1.0, 0.9849, 0.9765, 0.9759, 0.9837, 0.9992, 1.0216),
    ),
    "helium": (
        (1.0, 1.0288, 1.0572, 1.0853, 1.1131, 1.1406, 1.1679),
        (1.0, 1.0265, 1.0526, 1.0785, 1.1041, 1.1294, 1.1545),
        (1.0, 1.0245, 1.0487, 1.0726, 1.0963, 1.1197, 1.1430),
        (1.0, 1.0228, 1.0452, 1.0675, 1.0895, 1.1113, 1.1329),
        (1.0, 1.0212, 1.0422, 1.0630, 1.0835, 1.1039, 1.1241),
    ),
    "air": (
        (1.0, 0.9611, 0.9412, 0.9447, 0.9710, 1.0145, 1.0697),
        (1.0, 0.9758, 0.9670, 0.9755, 1.0006, 1.0393, 1.0876),
        (1.0, 0.9865, 0.9857, 0.9980, 1.0230, 1.0586, 1.1023),
        (1.0, 0.9944, 0.9994, 1.0148, 1.0399, 1.0735, 1.1138),
        (1.0, 1.0004, 1.0097, 1.0273, 1.0527, 1.0848, 1.1225),
    ),
}


@dataclass(frozen=True)
class RunOut:
    """When a bottle reaches its rest pressure, in days after the last reading; None: not in sight."""

    soonest: float | None  # a tenth of bottles are empty earlier
    likely: float | None
    latest: float | None  # a tenth last longer
    use_per_day: float  # kg
    says: str


@dataclass(frozen=True)
class Loss:
    """Whether a bottle empties faster than its use explains."""

    alarm: bool
    drop: float  # Pa at one temperature
    explained: float  # Pa
    limit: float  # Pa; what may stay unexplained
    says: str


@dataclass(frozen=True)
class _Level:
    """Gas left after a time: mean and standard uncertainty [kg/m³]."""

    mean: float
    doubt: float


def from_dial(dial):
    """Absolute pressure of a bottle.

    Takes:   dial [Pa], the pressure above the air around, not below zero.   Returns: [Pa].
    Raises:  ValueError below zero.   Source: definition.   Valid: near sea level.
    >>> from_dial(199e5) / 1e5
    200.01325
    """
    not_below_zero(dial=dial)
    return dial + ATMOSPHERE


def compressibility(gas, pressure, temperature=STORE):
    """How a real gas departs from the ideal law.

    Takes:   gas, one of COMPRESSIBILITY; pressure [Pa], absolute; temperature [K].
    Returns: p V / (n R T).
    Raises:  ValueError for another gas, or outside 0 to 300 bar and 250 to 330 K.
    Source:  polynomial through every value of the table beside COMPRESSIBILITY.
    Valid:   0 to 300 bar, 250 to 330 K; within 0.03 % of CoolProp.
    >>> round(compressibility("nitrogen", 200e5), 3), round(compressibility("argon", 200e5), 3)
    (1.048, 0.937)
    """
    name = gas_named(gas).name
    if name not in COMPRESSIBILITY:
        raise ValueError(f"no table for {name}; there are {', '.join(COMPRESSIBILITY)}")
    if not 0 <= pressure <= PRESSURES[-1]:
        raise ValueError(f"the table holds from 0 to 300 bar, not at {pressure / BAR:g} bar")
    if not TEMPERATURES[0] <= temperature <= TEMPERATURES[-1]:
        raise ValueError(f"the table holds from 250 to 330 K, not at {temperature:g} K")
    rows, columns = _weights(temperature, TEMPERATURES), _weights(pressure, PRESSURES)
    return float(rows @ np.array(COMPRESSIBILITY[name]) @ columns)


def density(gas, pressure, temperature=STORE):
    """Density of a real gas.

    Takes, Raises, Source, Valid: as `compressibility`.   Returns: density [kg/m³].
    >>> round(density("argon", 2400 * 6894.757, 300), 1)
    279.2
    """
    factor = compressibility(gas, pressure, temperature)
    return pressure * gas_named(gas).molar_mass / (factor * GAS_CONSTANT * temperature)


def content(gas, volume, pressure, temperature=STORE):
    """Gas in a bottle.

    Takes:   gas; volume [m³] of water it would hold; pressure [Pa], absolute; temperature [K].
    Returns: mass [kg].   Raises: as `compressibility`, and for a volume not above zero.
    Source:  density x volume.   Valid: as `compressibility`.
    >>> round(content("nitrogen", 0.050, 200e5), 2)
    11.16
    """
    above_zero(volume=volume)
    return density(gas, pressure, temperature) * volume


def free_volume(gas, mass, pressure=BAR, temperature=STORE):
    """Volume that a mass of gas takes up once it is let out.

    Takes:   gas; mass [kg]; pressure [Pa]; temperature [K].   Returns: volume [m³].
    Raises:  as `compressibility`, and for a negative mass.
    Source:  mass / density; suppliers quote 15 °C and 1 bar.   Valid: as `compressibility`.
    >>> round(free_volume("nitrogen", content("nitrogen", 0.050, 200e5)), 2)
    9.54
    """
    not_below_zero(mass=mass)
    above_zero(pressure=pressure)
    return mass / density(gas, pressure, temperature)


def at_temperature(gas, pressure, temperature, new_temperature=ROOM):
    """Pressure of a closed bottle after its temperature has changed.

    Takes:   gas; pressure [Pa] at temperature [K]; new_temperature [K].   Returns: pressure [Pa].
    Raises:  ValueError as `compressibility`, the new pressure included.
    Source:  equal density.   Valid: as `compressibility`.
    >>> round(at_temperature("nitrogen", 200e5, 288.15, 298.15) / 1e5)
    210
    """
    return _pressure_of(gas, density(gas, pressure, temperature), new_temperature)


def vents_left(
    gas, cylinder_volume, pressure, chamber_volume, *, temperature=ROOM, rest=EMPTY, purge=0.0
):
    """How often a bottle can still vent a chamber.

    Takes:   gas; cylinder_volume, chamber_volume [m³]; pressure, rest [Pa], absolute;
             temperature [K]; purge [m³], gas flushed through at each vent, at atmosphere.
    Returns: number of vents, 0 or more, not rounded.
    Raises:  ValueError as `compressibility`, and for volumes not above zero.
    Source:  (density full - density at rest) V / (density at 1 atm (chamber + purge)).
    Valid:   nothing else drawn from the bottle.
    >>> round(vents_left("nitrogen", 0.050, 200e5, 0.020))
    457
    """
    above_zero(cylinder_volume=cylinder_volume, chamber_volume=chamber_volume)
    not_below_zero(purge=purge)
    usable = density(gas, pressure, temperature) - density(gas, rest, temperature)
    each = density(gas, ATMOSPHERE, temperature) * (chamber_volume + purge)
    return max(usable, 0.0) * cylinder_volume / each


def use_of_vents(gas, vents, chamber_volume, *, purge=0.0, temperature=ROOM):
    """Gas that vents and flushing draw.

    Takes:   gas; vents, a count; chamber_volume, purge [m³] at each; temperature [K].
    Returns: mass [kg].   Raises: ValueError for negative values; as `compressibility`.
    Source:  one filling to 1 atm and the purge.   Valid: vents from vacuum.
    >>> round(use_of_vents("nitrogen", 10, 0.005), 4)
    0.0582
    """
    not_below_zero(vents=vents, chamber_volume=chamber_volume, purge=purge)
    return vents * (chamber_volume + purge) * density(gas, ATMOSPHERE, temperature)


def use_of_gun(gas, hours, pressure, speed, temperature=ROOM):
    """Gas that an ion gun draws: too little to see on a dial.

    Takes:   gas; hours; pressure [Pa] in the chamber, true for this gas; speed [m³/s] of its pump.
    Returns: mass [kg].   Raises: ValueError for negative values.
    Source:  throughput p S over the time.   Valid: gas reaches the chamber only.
    >>> f"{use_of_gun('argon', 10, 15e-3, 0.050) * 1e3:.2f} g"
    '0.44 g'
    """
    not_below_zero(hours=hours, pressure=pressure, speed=speed)
    flow = pressure * speed * hours * 3600  # Pa m³
    return flow * gas_named(gas).molar_mass / (GAS_CONSTANT * temperature)


def run_out(
    days, pressures, volume, *, gas="nitrogen", temperatures=None, rest=EMPTY, reading=READING
):
    """When a bottle will be down to its rest pressure, with an 80 % interval.

    Takes:   days and pressures [Pa], absolute, each (n,), of one bottle, n at least 2; volume [m³];
             temperatures [K], (n,) or None for one temperature; rest [Pa]; reading [Pa], how far a
             dial may be read off.
    Returns: RunOut.
    Raises:  ValueError for fewer or unpaired readings, readings of one day only; as `density`.
    Source:  a steady mean use that comes in lumps (random walk) seen through reading noise: best
             linear prediction; one day's use is taken to scatter by its own size until the
             readings say otherwise (own proposal).
    Valid:   use goes on as it was; no change of bottle among the readings.
    >>> days, pressures = [0, 10, 20, 30], [200e5, 180e5, 160e5, 140e5]
    >>> round(run_out(days, pressures, 0.050).likely)
    76
    """
    days, levels, noise = _levels(days, pressures, gas, temperatures, reading)
    empty = density(gas, rest, ROOM)
    per_day = -_line(days, levels, noise, 0.0)[0][1]
    if levels[-1] <= empty:
        return RunOut(
            0.0, 0.0, 0.0, per_day * volume, "The bottle is at its rest pressure: change it."
        )
    wander = _wander(days, levels, noise, per_day)
    ahead = _predictor(days, levels, noise, wander)
    spread = _spread(len(days))
    soonest, likely, latest = (
        _first_day(lambda t, k=k: ahead(t).mean + k * ahead(t).doubt - empty)
        for k in (-spread, 0.0, spread)
    )
    return RunOut(
        soonest, likely, latest, per_day * volume, _run_out_words(soonest, likely, latest)
    )


def loss(
    days,
    pressures,
    volume,
    explained_use,
    *,
    gas="nitrogen",
    temperatures=None,
    reading=READING,
    delivery_in=None,
    unit="bar",
):
    """Whether a bottle loses more than its use explains, or runs dry before the next delivery.

    Takes:   as `run_out`; explained_use [kg] between first and last reading (`use_of_vents`,
             `use_of_gun`); delivery_in [days] after the last reading, or None; unit of sentences.
    Returns: Loss.
    Raises:  ValueError as `run_out`, and for a negative use.
    Source:  rule INV-02: more than 3 reading uncertainties unexplained over 7 days or longer; own
             proposal.
    Valid:   as `run_out`.
    >>> loss([0, 10], [200e5, 160e5], 0.050, explained_use=0.3).alarm
    True
    """
    unit = unit_named(unit)
    not_below_zero(explained_use=explained_use)
    days, levels, _ = _levels(days, pressures, gas, temperatures, reading)
    first, last = (_pressure_of(gas, level) for level in (levels[0], levels[-1]))
    after_use = _pressure_of(gas, max(levels[0] - explained_use / volume, 0.0))
    drop, explained, limit = first - last, first - after_use, LOSS_READINGS * reading
    span = float(days[-1] - days[0])
    unexplained = drop - explained
    if unexplained > limit and span >= LOSS_DAYS:
        shown = [f"{from_pascal(p, unit):.0f} {unit}" for p in (drop, explained)]
        return Loss(
            *(True, drop, explained, limit),
            f"The bottle fell by {shown[0]} in {span:.0f} days, use explains {shown[1]}: look for a "
            "leak at the regulator and the lines, or flushing that nobody wrote down.",
        )
    if delivery_in is not None:
        left = run_out(days, pressures, volume, gas=gas, temperatures=temperatures, reading=reading)
        if left.likely is not None and left.likely < delivery_in:
            return Loss(
                *(True, drop, explained, limit),
                f"{left.says} The next delivery comes in {delivery_in:.0f} days: order earlier.",
            )
    return Loss(False, drop, explained, limit, "The bottle falls no faster than its use explains.")


def _weights(value, nodes):
    """Lagrange weights: the polynomial through all nodes, taken at `value`."""
    nodes = np.array(nodes)
    apart = nodes[:, None] - nodes[None, :] + np.eye(nodes.size)
    steps = np.where(np.eye(nodes.size, dtype=bool), 1.0, (value - nodes)[None, :] / apart)
    return steps.prod(axis=1)


def _pressure_of(gas, level, temperature=ROOM):
    """Pressure at which a gas has the density `level`."""
    found = ideal = level * GAS_CONSTANT * temperature / gas_named(gas).molar_mass
    for _ in range(60):  # closes in: within the table Z changes by under half of what p does
        before = found
        found = ideal * compressibility(gas, min(found, PRESSURES[-1]), temperature)
        if abs(found - before) <= 1e-13 * ideal:
            break
    compressibility(gas, found, temperature)  # refuses an answer beyond the table
    return found


def _levels(days, pressures, gas, temperatures, reading):
    """Days, densities and the noise of one density, in order of time."""
    days, pressures = np.asarray(days, float).ravel(), np.asarray(pressures, float).ravel()
    warmth = np.full(days.shape, ROOM) if temperatures is None else np.asarray(temperatures, float)
    if not days.size == pressures.size == warmth.size:
        raise ValueError(f"{days.size} days do not pair with {pressures.size} pressures")
    if not np.isfinite(days).all():
        raise ValueError("days of a trend must be finite")
    if days.size < 2 or np.ptp(days) == 0:
        raise ValueError("a trend needs readings of at least two different days")
    above_zero(reading=reading)
    order = np.argsort(days, kind="stable")
    levels = np.array([density(gas, p, t) for p, t in zip(pressures, warmth, strict=True)])[order]
    middle = float(np.median(pressures))
    per_pascal = density(gas, middle, ROOM) / middle
    return days[order], levels, reading / math.sqrt(3) * per_pascal  # read off evenly within +-


def _covariance(days, noise, wander):
    since = days - days[0]
    return noise**2 * np.eye(days.size) + wander * np.minimum(since[:, None], since[None, :])


def _line(days, levels, noise, wander):
    """Level at the first day and slope by generalised least squares, and what else needs them."""
    design = np.column_stack([np.ones(days.size), days - days[0]])
    weight = np.linalg.inv(_covariance(days, noise, wander))
    inner = np.linalg.inv(design.T @ weight @ design)
    return inner @ design.T @ weight @ levels, design, weight, inner


def _wander(days, levels, noise, per_day):
    """Variance of use per day: from the steps, beside a guess that counts as three steps."""
    steps, spans = np.diff(levels), np.diff(days)
    excess = ((steps + per_day * spans) ** 2 - 2 * noise**2).sum() / spans.mean()
    return max((3 * per_day**2 + excess) / (3 + steps.size), LEAST_WANDER * per_day**2)


def _predictor(days, levels, noise, wander):
    """Best linear prediction of the level any number of days after the last reading."""
    line, design, weight, inner = _line(days, levels, noise, wander)
    gain = weight @ (levels - design @ line)
    since = days - days[0]

    def ahead(later):
        after = since[-1] + later
        shared = wander * since  # what the walk up to each reading has in common with `after`
        row = np.array([1.0, after]) - design.T @ weight @ shared
        variance = wander * after - shared @ weight @ shared + row @ inner @ row
        return _Level(
            float(np.array([1.0, after]) @ line + shared @ gain), max(variance, 0.0) ** 0.5
        )

    return ahead


def _spread(readings):
    """Standard deviations that leave a tenth on one side, wider for few readings (Student's t)."""
    z, freedom = 1.2816, readings + 1  # two lost to the line, three lent by the guess of _wander
    return z + (z**3 + z) / (4 * freedom)


def _first_day(left):
    """Days until `left` falls to zero, None beyond FARTHEST."""
    grid = np.concatenate([[0.0], np.geomspace(0.1, FARTHEST, 80)])
    high = next((float(day) for day in grid if left(day) <= 0), None)
    if high is None:
        return None
    low = max((float(day) for day in grid if day < high), default=0.0)
    for _ in range(40):
        middle = (low + high) / 2
        low, high = (low, middle) if left(middle) <= 0 else (middle, high)
    return high


def _run_out_words(soonest, likely, latest):
    if likely is None:
        if soonest is None:
            return "No use to be seen yet; the bottle lasts."
        return f"The bottle lasts; a tenth of such bottles would be empty in {soonest:.0f} days."
    until = f"{latest:.0f} days" if latest is not None else "no end in sight"
    return f"Empty in about {likely:.0f} days, 80 % between {soonest:.0f} and {until}."
