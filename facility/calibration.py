"""Energy scale and intensity checks: errors, scale, linearity, verdict, and when the next is due."""

import statistics
from dataclasses import dataclass
from datetime import timedelta

REFERENCES = {"Au 4f7/2": 83.96, "Ag 3d5/2": 368.21, "Cu 2p3/2": 932.62}
"""eV, metallic, monochromatic Al Kα.

Source: ISO 15472:2010 as quoted by M. C. Biesinger, xpsfitting.com 2008/10 "Spectrometer
Calibration", and Seah, Gilmore, Spencer, Appl. Surf. Sci. 144-145 (1999) 178.
"""
AU, AG, CU = REFERENCES

SMALLEST_TOLERANCE = 0.03
"""eV; ISO 15472 is not for tolerance limits of this or less (its scope; summary abstract 2001)."""
USUAL_TOLERANCE = 0.1  # eV; ASTM E2108: 0.1 to 0.2 eV is the typical need
WARN_SHARE = 0.7  # of the tolerance; from memory
LONGEST_INTERVAL = timedelta(days=122)  # four months, from memory of ISO 15472
SLIP = 1.0  # eV; farther off than this a typed line is asked back; own proposal
SOURCE = (
    "ISO 15472:2010 reference energies; tolerance is the laboratory's (ASTM E2108: 0.1 to 0.2 eV)"
)


class NotAScale(ValueError):
    """What was given is no energy scale check; the sentence says why."""


@dataclass(frozen=True)
class LineFound:
    """One reference line: mean of its repeats, error, and the spread of the mean (None for one)."""

    name: str
    mean: float  # eV
    error: float  # eV, measured less reference
    uncertainty: float | None  # eV, standard deviation of the mean
    repeats: int


@dataclass(frozen=True)
class ScaleFound:
    """What a check of the energy scale says."""

    lines: tuple[LineFound, ...]
    scale: float | None  # eV per eV: slope of the error between Au and Cu
    linearity: float | None  # eV: Ag's deviation from the straight line between Au and Cu
    linearity_uncertainty: float | None
    verdict: str  # "within", "warn" or "staff"
    says: str

    @property
    def worst(self):
        """The line that is farthest off."""
        return max(self.lines, key=lambda line: abs(line.error))


def refuse_tolerance(tolerance):
    """Raise NotAScale for a tolerance that the standard does not cover.

    Takes:   tolerance [eV].   Returns: nothing.
    Raises:  NotAScale at 0.03 eV or less, and for anything that is no number of eV below 5.
    Source:  scope of ISO 15472.
    >>> refuse_tolerance(0.1)
    """
    if not SMALLEST_TOLERANCE < tolerance <= 5:
        raise NotAScale(
            f"A tolerance of {tolerance:g} eV cannot be kept by this check: it must be above "
            f"{SMALLEST_TOLERANCE} eV (ISO 15472 does not cover less) and at most 5 eV."
        )


def line_found(name, values):
    """One reference line from its repeats.

    Takes:   name, a key of REFERENCES; values [eV], one or more.
    Returns: LineFound; the uncertainty is the standard deviation of the mean, None for one value.
    Raises:  NotAScale for an unknown line or no value.
    >>> round(line_found("Au 4f7/2", [83.97, 83.99]).error, 3)
    0.02
    """
    if name not in REFERENCES:
        raise NotAScale(f"{name} is none of the reference lines {', '.join(REFERENCES)}.")
    if not values:
        raise NotAScale(f"Enter at least one value of {name}.")
    mean = statistics.fmean(values)
    spread = statistics.stdev(values) / len(values) ** 0.5 if len(values) > 1 else None
    return LineFound(name, mean, mean - REFERENCES[name], spread, len(values))


def scale_found(measured, tolerance):
    """Errors, scale and linearity of an energy scale, and the verdict against the tolerance.

    Takes:   measured, {line: values [eV]}, Au 4f7/2 and Cu 2p3/2 at least; tolerance [eV].
    Returns: ScaleFound. Linearity needs Ag 3d5/2 too.
    Raises:  NotAScale where a line is missing or the tolerance is not covered.
    Source:  errors and scale as in ISO 15472 (one low and one high binding energy, one intermediate
             check); the share of 0.7 that warns is from memory.
    Valid:   neutraliser off, clean metals, earthed, monochromatic Al Kα.
    >>> found = scale_found({"Au 4f7/2": [83.96], "Cu 2p3/2": [932.76]}, 0.1)
    >>> found.verdict, round(found.worst.error, 2), round(found.scale * 1e6)
    ('staff', 0.14, 165)
    """
    refuse_tolerance(tolerance)
    lines = tuple(line_found(name, measured[name]) for name in REFERENCES if measured.get(name))
    by_name = {line.name: line for line in lines}
    missing = [name for name in (AU, CU) if name not in by_name]
    if missing:
        raise NotAScale(
            f"Enter {' and '.join(missing)}: a scale needs one low and one high binding energy."
        )
    gold, copper, silver = by_name[AU], by_name[CU], by_name.get(AG)
    scale = (copper.error - gold.error) / (REFERENCES[CU] - REFERENCES[AU])
    linearity = doubt = None
    if silver:
        share = (REFERENCES[AG] - REFERENCES[AU]) / (REFERENCES[CU] - REFERENCES[AU])
        linearity = silver.error - (gold.error + share * (copper.error - gold.error))
        parts = (silver.uncertainty, gold.uncertainty, copper.uncertainty)
        if None not in parts:
            doubt = (parts[0] ** 2 + ((1 - share) * parts[1]) ** 2 + (share * parts[2]) ** 2) ** 0.5
    worst = max(lines, key=lambda line: abs(line.error))
    verdict = verdict_of(worst.error, tolerance)
    says = _scale_sentence(lines, worst, tolerance, verdict, linearity, scale)
    return ScaleFound(lines, scale, linearity, doubt, verdict, says)


def verdict_of(error, tolerance):
    """within, warn (above 0.7 of the tolerance) or staff (above the tolerance).

    >>> verdict_of(0.07, 0.1), verdict_of(-0.08, 0.1), verdict_of(0.101, 0.1)
    ('within', 'warn', 'staff')
    """
    off = round(abs(error), 6)
    if off > tolerance:
        return "staff"
    return "warn" if off > round(WARN_SHARE * tolerance, 6) else "within"


def _scale_sentence(lines, worst, tolerance, verdict, linearity, scale):
    high = "high" if worst.error > 0 else "low"
    if verdict == "within":
        says = (
            f"Energy scale within {tolerance:g} eV: {worst.name} is off most, "
            f"{signed(worst.error)} eV."
        )
    else:
        others = [line for line in lines if line is not worst]
        largest = max((abs(line.error) for line in others), default=0)
        names = " and ".join(line.name.split()[0] for line in others)
        says = (
            f"{worst.name} reads {abs(worst.error):.2f} eV {high}: {worst.mean:.2f} eV measured, "
            f"{REFERENCES[worst.name]:.2f} expected."
        )
        if others:
            says += f" {names} within {largest:.2f} eV."
    if linearity is not None and abs(linearity) > WARN_SHARE * tolerance:
        says += f" Ag lies {signed(linearity)} eV from the straight line between Au and Cu."
    if any(line.uncertainty is None for line in lines):
        says += " Without uncertainty: not every line was repeated."
    return says


def signed(value, decimals=2):
    """A number with its sign, as people write it.

    >>> signed(0.14), signed(-0.021, 3), signed(0.0)
    ('+0.14', '−0.021', '0.00')
    """
    text = f"{value:+.{decimals}f}"
    return text[1:] if float(text) == 0 else text.replace("-", "−")


def slip_in(name, value):
    """What to ask back about a line far from where it belongs, or an empty text.

    >>> slip_in("Au 4f7/2", 88.96)
    'Au 4f7/2 at 88.96 eV is 5.00 eV from its place at 83.96 eV. Look at the figure again.'
    >>> slip_in("Au 4f7/2", 84.5)
    ''
    """
    off = value - REFERENCES[name]
    if abs(off) <= SLIP:
        return ""
    return (
        f"{name} at {value:.2f} eV is {abs(off):.2f} eV from its place at "
        f"{REFERENCES[name]:.2f} eV. Look at the figure again."
    )


@dataclass(frozen=True)
class Intensity:
    """Two copper lines and their ratio: constancy, not the response of the analyser."""

    low: float  # area of Cu 3p
    high: float  # area of Cu 2p3/2
    ratio: float


def intensity_found(high_areas, low_areas):
    """Mean areas of Cu 2p3/2 and Cu 3p and their ratio.

    Takes:   high_areas of Cu 2p3/2, low_areas of Cu 3p, any one unit of area, above zero.
    Returns: Intensity.   Raises: NotAScale for a value that is not above zero, or none.
    Source:  ISO 24237:2005 (repeatability and constancy of intensity); the two lines from memory.
    >>> intensity_found([400.0, 420.0], [100.0]).ratio
    4.1
    """
    if not high_areas or not low_areas or min((*high_areas, *low_areas)) <= 0:
        raise NotAScale("Enter the area of both copper lines, each above zero.")
    high, low = statistics.fmean(high_areas), statistics.fmean(low_areas)
    return Intensity(low, high, high / low)


@dataclass(frozen=True)
class Due:
    """When a check is due, and why."""

    at: object  # datetime, or None where nothing says so
    why: str


def next_due(last, every, events=(), drift=None, tolerance=None):
    """When the next check is due: the earliest of interval, drift and the events since the last one.

    Takes:   last, when it was done, or None for never; every, timedelta or None; events, pairs of
             (moment, word) that ask for a new check; drift, (error [eV], eV per day) of the line
             that moves most; tolerance [eV].
    Returns: Due.
    Source:  interval by the laboratory, four months at most from memory of ISO 15472; after
             substantive change ASTM E2108; the list of events is an own proposal.
    >>> from datetime import datetime, UTC
    >>> day = datetime(2026, 1, 5, tzinfo=UTC)
    >>> next_due(day, timedelta(days=14)).at.day
    19
    >>> next_due(day, timedelta(days=14), drift=(0.05, 0.01), tolerance=0.1).why
    'at this drift it reaches 0.1 eV'
    """
    since = sorted((at, word) for at, word in events if last is None or at > last)
    if since:
        return Due(since[0][0], f"after {since[0][1]}")
    if last is None:
        return Due(None, "never done yet")
    found = [Due(last + every, f"every {every.days} days")] if every else []
    if drift and tolerance:
        error, rate = drift
        left = tolerance - (error if rate > 0 else -error)
        if rate:
            days = max(left, 0.0) / abs(rate)
            if days < 3650:
                said = f"at this drift it reaches {tolerance:g} eV"
                found.append(Due(last + timedelta(days=days), said))
    return min(found, key=lambda due: due.at, default=Due(None, ""))
