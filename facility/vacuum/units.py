"""Pressure units: what people type, what we store (pascal), what pages show.

Pressures are kept in pascal beside the text and the unit that was typed. Nothing here knows a
gauge or a person; a gauge's own unit is given by whoever calls.
"""

import math
import re
from dataclasses import dataclass

TORR = 101325 / 760  # Pa, exact by definition (scipy.constants.torr)
MMHG = 13.5951 * 9.80665  # Pa, conventional: density [g/cm³] x standard gravity [m/s²] x 1 mm
INCH = 0.0254  # m, exact (international inch)
POUND_FORCE = 0.45359237 * 9.80665  # N, exact (international pound x standard gravity)

# Each unit in pascal. Source: definitions above; bar, atm: SI Brochure (BIPM), NIST SP 811.
PASCAL_PER = {
    "Pa": 1.0,
    "hPa": 100.0,
    "kPa": 1000.0,
    "mbar": 100.0,
    "bar": 1e5,
    "torr": TORR,
    "mTorr": TORR / 1000,
    "micron": MMHG / 1000,  # micrometre of mercury; a thousandth of a mmHg, not of a torr
    "mmHg": MMHG,
    "inHg": 25.4 * MMHG,
    "psi": POUND_FORCE / INCH**2,
    "atm": 101325.0,
}
UNITS = tuple(PASCAL_PER)

# Other spellings, compared without case and spaces. "mPa" is left out: mPa and MPa differ by 1e9.
SPELLINGS = {name.lower(): name for name in UNITS} | {
    "mb": "mbar",
    "millibar": "mbar",
    "pascal": "Pa",
    "torrs": "torr",
    "millitorr": "mTorr",
    "microns": "micron",
    "µ": "micron",
    "µmhg": "micron",
    "umhg": "micron",
    "psia": "psi",
}
COUNTED_FROM_AIR = {"psig", "barg", "bar(g)", "psi(g)", "mbarg"}

# Beyond these a number is a slip in any unit (own proposal; best vacuum made is about 1e-15 mbar).
SMALLEST, LARGEST = 1e-15, 1e9
LONGEST = 60  # characters; the longest honest spelling is about 30

EXAMPLE = "Type it like 1.2e-6 mbar."

STATES = {
    "off": ("off", "gauge off", "switched off", "not lit", "no reading", "-", "--", "---"),
    "over": ("over", "over range", "overrange", "over-range", "or", "ol", "ovr"),
    "under": ("under", "under range", "underrange", "under-range", "ur"),
}
STATE_OF = {word: state for state, words in STATES.items() for word in words}

PLAIN = str.maketrans(
    {
        **dict.fromkeys(
            "\t\u00a0\u2002\u2003\u2005\u2007\u2008\u2009\u200a\u202f\u205f\u3000", " "
        ),
        **dict.fromkeys("\u200b\u2060\ufeff", ""),  # zero width: nobody sees them
        **dict.fromkeys("\u2010\u2011\u2012\u2013\u2014\u2212\ufe63\uff0d", "-"),
        **dict.fromkeys("×·⋅∙•*✕", "x"),
        **dict(zip("０１２３４５６７８９．，", "0123456789.,", strict=True)),
        "\u03bc": "µ",  # Greek mu and the micro sign look the same
    }
)
RAISED = str.maketrans("⁰¹²³⁴⁵⁶⁷⁸⁹⁻⁺", "0123456789-+")

MANTISSA = r"(?P<sign>[-+]?)\s*(?P<mantissa>[0-9]{1,3}(?:\s[0-9]{3})+|[0-9]*[.,]?[0-9]*)"
EXPONENT = (
    r"(?:\s*[eE]\s*(?P<e>[-+]?\s?[0-9]{1,4})"
    r"|\s*[xX]?\s*10\s*(?:\^|xx)\s*(?P<caret>[-+]?\s?[0-9]{1,4})"
    r"|\s*[xX]\s*10\s*(?P<bare>[-+]\s?[0-9]{1,4}))?"
)
NUMBER = re.compile(rf"{MANTISSA}{EXPONENT}")
POWER = re.compile(r"(?P<sign>[-+]?)\s*10\s*(?:\^|xx)\s*(?P<caret>[-+]?\s?[0-9]{1,4})")


@dataclass(frozen=True)
class Typed:
    """A pressure as somebody typed it; `value` is in `unit`, or in the gauge's unit if that is None."""

    value: float | None
    unit: str | None
    state: str  # "number", "off", "over" or "under"
    text: str

    def in_pascal(self, gauge_unit):
        """The value in pascal, or None where the gauge gave no number.

        >>> parse_pressure("5e-3").in_pascal("mbar")
        0.5
        """
        return None if self.value is None else to_pascal(self.value, self.unit or gauge_unit)


@dataclass(frozen=True)
class Slip:
    """A typed value that fits what was expected once a usual mistake is undone."""

    kind: str  # "unit" or "decade"
    factor: float  # typed / meant
    meant_pa: float
    says: str


def unit_named(text):
    """The unit's own spelling for what was typed.

    Takes:   text, any case and spacing.   Returns: one of UNITS.
    Raises:  ValueError with one sentence for an unknown unit.
    >>> unit_named("TORR"), unit_named("mm Hg"), unit_named("microns")
    ('torr', 'mmHg', 'micron')
    """
    plain = "".join(str(text).translate(PLAIN).split()).lower()
    if plain in SPELLINGS:
        return SPELLINGS[plain]
    if plain in COUNTED_FROM_AIR:
        raise ValueError(f"{_quoted(text)} counts from the air around; type the absolute pressure.")
    raise ValueError(f"The unit {_quoted(text)} is not known here; use one of {', '.join(UNITS)}.")


def to_pascal(value, unit):
    """A pressure in pascal.

    Takes:   value, number or array of any shape, in `unit` (a name in UNITS or another spelling).
    Returns: pressure [Pa], same shape.   Raises: ValueError for an unknown unit.
    Source:  torr = 101325/760 Pa; conventional mmHg = 13.5951 x 9.80665 Pa; psi = lbf/in²; exact.
    Valid:   any finite value; sign and size are not judged here.
    >>> to_pascal(1, "mbar"), round(to_pascal(1, "torr"), 9)
    (100.0, 133.322368421)
    """
    return value * _pascal_per(unit)


def from_pascal(pascal, unit):
    """A pressure in `unit`; the inverse of `to_pascal`.

    Takes:   pascal [Pa], number or array; unit, a name in UNITS or another spelling.
    Returns: pressure in `unit`, same shape.   Raises: ValueError for an unknown unit.
    Source, Valid: as `to_pascal`.
    >>> from_pascal(101325.0, "torr")
    760.0
    """
    return pascal / _pascal_per(unit)


def parse_pressure(text):
    """Reads a pressure the way people and controllers write it.

    Takes:   text: a number (point or comma, e or x 10^, raised digits, any kind of space) with or
             without a unit, or what a gauge says instead of a number (OFF, over, under range, < >).
    Returns: Typed; a state other than "number" has no value.
    Raises:  ValueError, one sentence for the person who typed it.
    Source:  notation seen on controllers and in notebooks; common practice, no source.
    Valid:   numbers from 1e-15 to 1e9 in the unit typed.
    >>> parse_pressure("1,2 × 10⁻⁶ mbar")
    Typed(value=1.2e-06, unit='mbar', state='number', text='1,2 × 10⁻⁶ mbar')
    >>> parse_pressure("OFF").state
    'off'
    """
    plain = _plain(text)
    word = re.sub(r"\s+", " ", plain.lower())
    if word in STATE_OF:
        return Typed(None, None, STATE_OF[word], text)
    if plain[0] in "<≤>≥":
        typed = parse_pressure(plain[1:])
        if typed.state == "number":
            return Typed(None, typed.unit, "under" if plain[0] in "<≤" else "over", text)
    number, unit = _split_unit(plain, text)
    if number.lower() in STATE_OF:
        return Typed(None, unit, STATE_OF[number.lower()], text)
    return Typed(_number(number, text), unit, "number", text)


def show(pascal, unit):
    """Two significant digits and a power of ten, for pages.

    Takes:   pascal [Pa], above zero; unit.
    Returns: (mantissa text, exponent), in `unit`.
    Raises:  ValueError unless the pressure is finite and above zero.
    Source:  own convention: one digit before the point.   Valid: any unit in UNITS.
    >>> show(1.23e-4, "mbar"), show(9.96e-5, "mbar")
    (('1.2', -6), ('1.0', -6))
    """
    if not (math.isfinite(pascal) and pascal > 0):
        raise ValueError(f"a pressure to show must be finite and above zero, not {pascal} Pa")
    mantissa, exponent = f"{from_pascal(pascal, unit):.1e}".split("e")
    return mantissa, int(exponent)


TO_RAISED = str.maketrans("0123456789-", "⁰¹²³⁴⁵⁶⁷⁸⁹⁻")


def in_words(value):
    """A number with two figures and a power of ten, for a sentence; zero is 0.

    >>> in_words(2.13e-7), in_words(-4e3), in_words(0.0)
    ('2.1 × 10⁻⁷', '−4.0 × 10³', '0')
    """
    if not value:
        return "0"
    mantissa, exponent = f"{value:.1e}".split("e")
    return f"{mantissa.replace('-', '−')} × 10{str(int(exponent)).translate(TO_RAISED)}"


# Steps between two units that one dial can be set to, by size; 1.33 (torr, mbar) cannot be told
# from an ordinary surprise. Source: PASCAL_PER.
UNIT_STEPS = {
    100.0: "mbar and Pa differ by 100, as do two decades",
    TORR: "torr and Pa differ by 133",
    1000 * 100 / TORR: "mbar and mTorr differ by 750",
    1000.0: "torr and mTorr differ by 1000, as do three decades",
}


def likely_slip(value_pa, expected_pa, spread=1.6, unit="Pa"):
    """The usual mistake that would explain a value far from the expected one, or None.

    Takes:   value_pa, expected_pa [Pa]; spread: how many times off the expectation itself may be;
             unit: the one the sentence speaks in.
    Returns: Slip (unit or decade, nearest first), or None where the value is as expected or where
             no usual mistake explains it.
    Raises:  ValueError unless both pressures are finite and above zero and spread is above 1.
    Source:  steps between units by definition; spread 1.6 is an own proposal.
    Valid:   spread below 3.16; above, every value would be some wrong decade.
    >>> likely_slip(1.33e-2, 1e-4).kind, likely_slip(1e-5, 1e-4).kind, likely_slip(2e-4, 1e-4)
    ('unit', 'decade', None)
    """
    if not all(math.isfinite(p) and p > 0 for p in (value_pa, expected_pa)):
        raise ValueError(f"{value_pa} Pa and {expected_pa} Pa must both be finite and above zero")
    if not 1 < spread < math.sqrt(10):
        raise ValueError(f"spread must lie between 1 and 3.16, not {spread}")
    times = value_pa / expected_pa
    size = abs(math.log(times))
    steps = [(factor, "unit") for factor in UNIT_STEPS] + [
        (10.0**n, "decade") for n in (1, 4, 5, 6)
    ]
    step, kind = min(steps, key=lambda s: abs(math.log(s[0]) - size))
    if abs(math.log(step) - size) > math.log(spread):
        return None
    factor = step if times > 1 else 1 / step
    says = _slip_sentence(value_pa, expected_pa, unit, step, kind)
    return Slip(kind, factor, value_pa / factor, says)


def _slip_sentence(value_pa, expected_pa, unit, step, kind):
    way = "above" if value_pa > expected_pa else "below"
    size = max(value_pa / expected_pa, expected_pa / value_pa)
    typed, expected = (f"{in_words(from_pascal(p, unit))} {unit}" for p in (value_pa, expected_pa))
    what = UNIT_STEPS[step] if kind == "unit" else f"a wrong exponent makes {step:.0f}"
    return (
        f"{typed} is {size:.0f} times {way} the {expected} expected now, and {what}; "
        "look at the gauge again, then keep it as read or type it anew."
    )


def _pascal_per(unit):
    return PASCAL_PER[unit] if unit in PASCAL_PER else PASCAL_PER[unit_named(unit)]


def _plain(text):
    """The text with one kind of space, minus and times sign; refuses what cannot be a pressure."""
    if not text or not text.strip():
        raise ValueError("Enter the pressure, such as 1.2e-6 mbar.")
    if len(text) > LONGEST:
        raise ValueError(f"A pressure is shorter than these {len(text)} characters. {EXAMPLE}")
    if any(ord(letter) < 32 and letter != "\t" for letter in text.strip()):
        raise ValueError(f"The pressure holds a character that cannot be read. {EXAMPLE}")
    raised = re.sub("[⁻⁺]?[⁰¹²³⁴⁵⁶⁷⁸⁹]+", lambda m: "^" + m[0].translate(RAISED), text)
    plain = raised.translate(PLAIN).strip()
    if not plain:
        raise ValueError("Enter the pressure, such as 1.2e-6 mbar.")
    if any(letter.isdigit() and not letter.isascii() for letter in plain):
        raise ValueError(f"{_quoted(text)} has digits other than 0 to 9. {EXAMPLE}")
    return plain


def _split_unit(plain, text):
    """The part before the unit, and the unit's own name or None."""
    for start in [m.start() for m in re.finditer(r"(?<![A-Za-zµ])[A-Za-zµ]", plain)]:
        tail = plain[start:]
        if "".join(tail.split()).lower() in SPELLINGS:
            return plain[:start].strip(), unit_named(tail)
    unknown = re.fullmatch(rf"{NUMBER.pattern}\s*(?P<unit>[A-Za-zµ%°][A-Za-zµ%°() ]*)", plain)
    if unknown and unknown["mantissa"] and unknown["unit"].lower() != "e":
        unit_named(unknown["unit"])  # raises with the list of units
    return plain, None


def _number(plain, text):
    """The number in `plain`, above zero."""
    if power := POWER.fullmatch(plain):
        mantissa, parts = "1", power.groupdict()
    elif (parts := NUMBER.fullmatch(plain)) and re.search("[0-9]", parts["mantissa"]):
        parts = parts.groupdict()
        mantissa = parts["mantissa"]
    else:
        raise ValueError(_why_not_a_number(plain, text))
    exponent = next((parts[k] for k in ("e", "caret", "bare") if parts.get(k)), None)
    if exponent is None and re.fullmatch("[1-9][0-9]{0,2},[0-9]{3}", mantissa):
        whole, rest = mantissa.split(",")
        raise ValueError(
            f"{_quoted(text)} may mean {whole}.{rest} or {whole}{rest}; type one of the two."
        )
    return _in_reach(parts["sign"], mantissa, exponent or "0", text)


def _in_reach(sign, mantissa, exponent, text):
    digits = mantissa.replace(",", ".").replace(" ", "")
    value = float(f"{digits}e{exponent.replace(' ', '')}")
    if sign == "-" and value:
        raise ValueError(f"A pressure is above zero, {_quoted(text)} is not. {EXAMPLE}")
    if not re.search("[1-9]", digits):
        raise ValueError(
            "No gauge reads zero; type OFF for a gauge that is off, or UNDER for one below its range."
        )
    if not SMALLEST <= value <= LARGEST:
        raise ValueError(
            f"{_quoted(text)} is outside anything a gauge shows; look at the exponent again. {EXAMPLE}"
        )
    return value


def _why_not_a_number(plain, text):
    if re.fullmatch(r"[0-9.,]+\s*-\s*[0-9]+", plain):
        return f"{_quoted(text)} may be a range or a power of ten; type it like 1.2e-6 mbar."
    if re.fullmatch(r"[0-9]{1,3}(,[0-9]{3})+(\.[0-9]*)?|[0-9]{1,3}(\.[0-9]{3})+,[0-9]*", plain):
        return f"{_quoted(text)} groups its thousands; type the digits alone, like 1013.25 mbar."
    return f"{_quoted(text)} is not a pressure that can be read. {EXAMPLE}"


def _quoted(text):
    shown = "".join(letter if letter.isprintable() else "?" for letter in str(text).strip())
    return f"“{shown[:40]}…”" if len(shown) > 40 else f"“{shown}”"
