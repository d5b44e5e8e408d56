"""The sorts of checks: what each asks for, and what it finds in what was typed. Pure."""

import re
import statistics
from dataclasses import dataclass, field

from facility import calibration
from facility.vacuum import units
from facility.vacuum.gauges import IDLE_READINGS, too_good
from facility.vacuum.rise import read_rise

BLANK_LEAST = 0.5  # at.%; MEM-02, own proposal
BLANK_HISTORY = 30  # blanks that say what is usual; own proposal
BLANK_FEWEST = 5
BLANK_ELEMENTS = ("C", "O", "Si", "F", "Na", "Cl")  # weekly; from memory, ISO 16129 in spirit
GAS_MASSES = ("2", "18", "28", "32", "44")  # m/z: hydrogen, water, nitrogen or CO, oxygen, CO2
COPPER = ("Cu 2p3/2", "Cu 3p")
OXYGEN_OF_AIR = 32  # where 28 stands far above 32, it is not air; common practice, no source
MOST_VALUES = 12


class NotRead(ValueError):
    """What was typed cannot be read; `problems` is {field: sentence}."""

    def __init__(self, problems):
        super().__init__(" ".join(problems.values()))
        self.problems = problems


@dataclass(frozen=True)
class Asked:
    """One field of a check."""

    name: str
    label: str
    unit: str = ""
    hint: str = ""
    kind: str = "numbers"  # numbers, pressure, shares, pressures, text
    required: bool = True


@dataclass(frozen=True)
class Setting:
    """What a check kind fixes."""

    sort: str
    name: str = "The check"
    tolerance: float | None = None
    low: float | None = None
    high: float | None = None
    unit: str = ""


@dataclass(frozen=True)
class Found:
    """What a check found: numbers for charts, a verdict, a sentence, and what is asked back."""

    values: dict
    verdict: str
    says: str
    doubt: str = ""
    more: dict = field(default_factory=dict)


def asked(setting):
    """The fields of a check, in the order in which they are typed."""
    repeats = "one figure, or repeats with spaces between"
    if setting.sort == "energy":
        needs = (calibration.AU, calibration.CU)
        return tuple(
            Asked(line, line, "eV", repeats, required=line in needs)
            for line in calibration.REFERENCES
        )
    if setting.sort == "intensity":
        return tuple(Asked(line, f"Area of {line}", "counts", repeats) for line in COPPER)
    if setting.sort == "blank":
        elements = (
            Asked(element, element, "at.%", kind="shares", required=element == "C")
            for element in BLANK_ELEMENTS
        )
        return *elements, Asked("other", "Others", "at.%", "such as: Sn 0.8", "text", False)
    if setting.sort == "base":
        return (Asked("pressure", "Pressure", setting.unit, "such as 7.4e-10", "pressure"),)
    if setting.sort == "gas":
        return tuple(
            Asked(mass, f"m/z {mass}", setting.unit, "", "pressure", mass in ("18", "28"))
            for mass in GAS_MASSES
        )
    if setting.sort == "leak":
        return (
            Asked("where", "Where, and with what", hint="such as: door seal, helium", kind="text"),
            Asked("rate", "Largest rate found", "mbar L/s", "leave empty where none was found",
                  "numbers", False),
        )  # fmt: skip
    return (Asked("value", setting.name, setting.unit, repeats),)


def find(setting, typed, past=None):
    """Reads what was typed and judges it.

    Takes:   setting, Setting; typed, {field: text}; past, {series: earlier values}, for blanks.
    Returns: Found.
    Raises:  NotRead with a sentence for each field that cannot be read.
    >>> found = find(Setting("energy", tolerance=0.1), {"Au 4f7/2": "83.97", "Cu 2p3/2": "932,63"})
    >>> found.verdict, round(found.values["Cu 2p3/2"], 2)
    ('within', 0.01)
    """
    read, problems = {}, {}
    for one in asked(setting):
        text = str(typed.get(one.name, "") or "").strip()
        try:
            read[one.name] = _read(one, text, setting)
        except ValueError as problem:
            problems[one.name] = str(problem)
    if problems:
        raise NotRead(problems)
    try:
        return FINDS[setting.sort](setting, read, past or {})
    except calibration.NotAScale as problem:
        raise NotRead({asked(setting)[0].name: str(problem)}) from None


def numbers(text, what="This"):
    """Figures with spaces or semicolons between; a comma in a figure is its point.

    >>> numbers("83,97 83.96; 83.98")
    [83.97, 83.96, 83.98]
    """
    words = [word for word in re.split(r"[\s;]+", text.replace("−", "-")) if word]
    if len(words) > MOST_VALUES:
        raise ValueError(f"{what} has {len(words)} figures; at most {MOST_VALUES} are kept.")
    found = []
    for word in words:
        try:
            value = float(word.replace(",", "."))
        except ValueError:
            value = float("nan")
        if not abs(value) < 1e12:
            raise ValueError(f"{what}: “{word[:20]}” is not a number. Type it like 83.96.")
        found.append(value)
    return found


def _read(one, text, setting):
    if not text:
        if one.required:
            raise ValueError(
                f"Enter {one.label[0].lower() + one.label[1:] if one.kind == 'text' else one.label}."
            )
        return None
    if one.kind == "numbers":
        return numbers(text, one.label)
    if one.kind == "pressure":
        typed = units.parse_pressure(text)
        if typed.state != "number":
            raise ValueError(f"{one.label}: enter a pressure, such as 7.4e-10.")
        return typed.in_pascal(setting.unit or "mbar")
    if one.kind == "shares":
        (value,) = numbers(text, one.label)[:1]
        if not 0 <= value <= 100:
            raise ValueError(f"{one.label} is {value:g} at.%; it must lie between 0 and 100.")
        return value
    return text[:200]


def _energy(setting, read, past):
    measured = {line: values for line, values in read.items() if values}
    doubts = [
        said for line, values in measured.items() for v in values
        if (said := calibration.slip_in(line, v))
    ]  # fmt: skip
    found = calibration.scale_found(measured, setting.tolerance or calibration.USUAL_TOLERANCE)
    values = {line.name: line.error for line in found.lines}
    values["scale"] = found.scale * 1e6
    if found.linearity is not None:
        values["linearity"] = found.linearity
    more = {
        "lines": [
            {
                "line": line.name,
                "mean": round(line.mean, 4),
                "error": round(line.error, 4),
                "uncertainty": None if line.uncertainty is None else round(line.uncertainty, 4),
                "repeats": line.repeats,
            }
            for line in found.lines
        ]
    }
    return Found(values, found.verdict, found.says, " ".join(doubts), more)


def _intensity(setting, read, past):
    found = calibration.intensity_found(read[COPPER[0]], read[COPPER[1]])
    values = {COPPER[0]: found.high, COPPER[1]: found.low, "ratio": found.ratio}
    says = f"Ratio of Cu 2p3/2 to Cu 3p {found.ratio:.2f}; its chart says whether it moved."
    return Found(values, "within", says)


def _blank(setting, read, past):
    values = {name: read[name] for name in BLANK_ELEMENTS if read[name] is not None}
    for element, share in re.findall(
        r"([A-Z][a-z]?)\D{0,6}?(\d+(?:[.,]\d+)?)", read["other"] or ""
    ):
        values[element] = float(share.replace(",", "."))
    total = sum(values.values())
    doubt = f"The shares add up to {total:.0f} at.%. Look at them again." if total > 105 else ""
    high = [
        (element, share, blank_limit(past.get(element, ())))
        for element, share in values.items()
        if share > (blank_limit(past.get(element, ())) or float("inf"))
        or (element not in BLANK_ELEMENTS and share > BLANK_LEAST)
    ]
    if not high:
        return Found(values, "within", f"Blank as usual: C {values.get('C', 0):.1f} at.%.", doubt)
    said = ", ".join(
        f"{element} {share:.1f} at.%" + (f" (usual up to {limit:.1f})" if limit else "")
        for element, share, limit in high
    )
    names = [element for element, _, _ in high]
    says = f"The clean blank shows {said}. See it on a second spot before anything is believed."
    return Found(values, "warn", says, doubt, {"high": names})


def blank_limit(past):
    """At.% above which a blank is not as usual; None with too few blanks before.

    Takes:   past, at.% of one element in earlier blanks.
    Source:  MEM-02: the larger of mean + 3 s and 0.5 at.%; own proposal.
    >>> blank_limit([0.0] * 10), blank_limit([1.0])
    (0.5, None)
    """
    past = list(past)[-BLANK_HISTORY:]
    if len(past) < BLANK_FEWEST:
        return None
    return max(statistics.fmean(past) + 3 * statistics.stdev(past), BLANK_LEAST)


def _base(setting, read, past):
    pascal = read["pressure"]
    shown = spoken(pascal, setting.unit)
    if setting.high is not None and pascal > setting.high:
        limit = spoken(setting.high, setting.unit)
        return Found({"pressure": pascal}, "warn", f"Base pressure {shown}, above {limit}.")
    better = too_good(pascal, past.get("pressure", ())[-IDLE_READINGS:])  # GAU-02
    if better:
        return Found({"pressure": pascal}, "warn", f"Base pressure {shown}. {better.says}")
    return Found({"pressure": pascal}, "within", f"Base pressure {shown}.")


def _gas(setting, read, past):
    parts = {mass: read[mass] for mass in GAS_MASSES if read[mass]}
    total = sum(parts.values())
    values = {f"m/z {mass}": 100 * pascal / total for mass, pascal in parts.items()}
    water, nitrogen = parts.get("18", 0.0), parts.get("28", 0.0)
    oxygen = parts.get("32", 0.0)
    says = f"Water {100 * water / total:.0f} % and m/z 28 {100 * nitrogen / total:.0f} % of the masses read."
    if nitrogen > water and oxygen and 2 < nitrogen / oxygen < 8:
        says += " Nitrogen and oxygen stand near the ratio of air, 4 to 1: look for a leak."
        return Found(values, "warn", says)
    return Found(values, "within", says)


def _leak(setting, read, past):
    rate = read["rate"]
    if not rate:
        return Found({}, "within", f"No leak found: {read['where']}.")
    largest = max(rate)
    if largest <= 0:
        raise NotRead({"rate": "The largest rate must be above zero, or left empty."})
    says = f"Leak of {units.in_words(largest)} mbar L/s ({units.in_words(largest * 0.1)} Pa m³/s): {read['where']}."
    return Found({"rate": largest * 0.1}, "staff", says)


def _other(setting, read, past):
    value = statistics.fmean(read["value"])
    shown = f"{value:g} {setting.unit}".strip()
    for limit, word, beyond in (
        (setting.low, "below", setting.low is not None and value < setting.low),
        (setting.high, "above", setting.high is not None and value > setting.high),
    ):
        if beyond:
            return Found({"value": value}, "warn", f"{setting.name} {shown}, {word} {limit:g}.")
    return Found({"value": value}, "within", f"{setting.name} {shown}.")


def rise_found(times, pressures, *, volume_l, pumped_min, usual_rate, cold_cathode, unit):
    """A rate of rise that was read at a tablet.

    Takes:   times [s]; pressures [Pa]; volume_l [L] or None; pumped_min before [min] or None;
             usual_rate [Pa/s] of the last good rise or None; cold_cathode; unit to speak in.
    Returns: Found; the values are the rate [Pa/s], the ratio of its halves and the load [Pa m³/s].
    Source:  facility/vacuum/rise.py (PMP-02).
    """
    volume = None if volume_l is None else volume_l * 1e-3
    found = read_rise(
        times, pressures, volume=volume,
        pumped_for=None if pumped_min is None else 60 * pumped_min,
        usual_rate=usual_rate, cold_cathode=cold_cathode, unit=unit,
    )  # fmt: skip
    values = {
        name: float(value)
        for name, value in (("rate", found.rate), ("ratio", found.ratio), ("load", found.load))
        if value is not None and (name == "ratio" or value > 0)
    }
    says = found.says
    if found.load is not None:
        says += (
            f" In other units: load {_both_units(found.load)}, "
            f"leak at most {_both_units(found.leak_at_most)}."
        )
    verdict = {"leak": "warn", "outgassing": "within"}.get(found.verdict, "undecided")
    more = {"verdict": found.verdict, "leak_at_most": found.leak_at_most}
    return Found(values, verdict, says, more=more)


def _both_units(load):
    """A gas load [Pa m³/s] in SI and in mbar L/s."""
    return f"{units.in_words(load)} Pa m³/s ({units.in_words(load * 10)} mbar L/s)"


def spoken(pascal, unit):
    """A pressure with two figures in a unit, as words.

    >>> spoken(7.4e-8, "mbar")
    '7.4 × 10⁻¹⁰ mbar'
    """
    unit = unit or "mbar"
    return f"{units.in_words(units.from_pascal(pascal, unit))} {unit}"


FINDS = {
    "energy": _energy,
    "intensity": _intensity,
    "blank": _blank,
    "base": _base,
    "gas": _gas,
    "leak": _leak,
    "other": _other,
}

# Which series a sort's chart shows first; those on a log scale; smallest spread believed.
CHARTED = {
    "energy": (*calibration.REFERENCES, "scale", "linearity"),
    "intensity": ("ratio", *COPPER),
    "blank": BLANK_ELEMENTS,
    "base": ("pressure",),
    "rise": ("rate", "ratio"),
    "gas": tuple(f"m/z {mass}" for mass in GAS_MASSES),
    "leak": (),
    "other": ("value",),
}
LOGARITHMIC = {("base", "pressure"), ("rise", "rate"), ("leak", "rate")}
LEAST_SPREAD = {"energy": 0.005, "blank": 0.15}  # eV, half of the last digit; at.%, own choice

# Which events begin a new phase of a sort's charts, and which make it due. Substantive change:
# ASTM E2108; the rest of the list is an own proposal.
_SCALE = ("bake", "vent", "analyser", "source")
_VACUUM = ("bake", "vent", "pump", "gauge", "seal")
PHASES = {
    "energy": _SCALE, "intensity": _SCALE, "blank": ("bake", "vent"), "base": _VACUUM,
    "rise": _VACUUM, "gas": _VACUUM, "leak": _VACUUM, "other": (),
}  # fmt: skip
DUE_AFTER = {
    "energy": (*_SCALE, "power", "water"), "intensity": _SCALE, "blank": ("bake", "vent", "gun"),
    "base": ("bake", "vent", "pump", "gauge"), "rise": ("bake", "vent", "pump", "seal"),
    "gas": ("bake", "vent"), "leak": (), "other": (),
}  # fmt: skip
OF_PUMP_DOWNS = ("bake", "vent", "pump", "gauge", "seal")
