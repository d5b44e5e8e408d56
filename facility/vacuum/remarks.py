"""What a diagnosis says to people: the evidence in one sentence, and what to do next."""

import math

from facility.vacuum.units import from_pascal, in_words

NAMES = {
    "leak": "a leak",
    "outgassing": "extra outgassing",
    "slow_pump": "slow pumping",
    "gauge": "a gauge fault",
}
# Second causes with less than this chance are not worth a word (own proposal).
WORTH_SAYING = 0.1
RISE_TEST = (
    "a rise test tells (rate constant: leak; slowing down: outgassing; as usual: pump) where the "
    "chamber can be isolated, else a residual-gas scan or the pressure after a night of pumping"
)
TELL_APART = {
    frozenset(("leak", "slow_pump")): "a pumped curve cannot tell the two apart: " + RISE_TEST,
    frozenset(("leak", "outgassing")): RISE_TEST,
    frozenset(("outgassing", "slow_pump")): (
        "the next empty or light load tells: slow again means the pump; where the chamber can be "
        "isolated, a rise test tells at once"
    ),
    frozenset(("gauge", "slow_pump")): (
        "compare with a second gauge on the same chamber; if both read high, look at the pump's "
        "speed, the valve and the backing pressure"
    ),
    frozenset(("gauge", "leak")): (
        "compare with a second gauge; if both stop at the same pressure, take a rise test"
    ),
    frozenset(("gauge", "outgassing")): (
        "compare with a second gauge; if both agree, leave it pumping and look again in an hour"
    ),
}
NEXT = {
    "leak": "check the door seal and the last flange opened, then " + RISE_TEST,
    "outgassing": (
        "leave it pumping; note what this load was and how it was dried. A fresh reading below "
        "the threshold is enough to transfer"
    ),
    "slow_pump": (
        "look at the pump's speed and current, the valve's position and the backing pressure; a "
        "rise test as usual confirms the pump where the chamber can be isolated"
    ),
    "gauge": "compare with a second gauge on the same chamber before trusting this one",
}


def usual(readings, past_runs):
    """The sentence for a run that is as usual, or that nobody can judge yet."""
    if not readings:
        return "No reading to judge by yet."
    if not past_runs:
        return "This instrument has no past runs to compare with."
    return "As usual for this load."


def unusual(first, second, second_chance, sign, gap, at_s, threshold_pa, unit):
    """The sentence for an unusual run.

    Takes:   first and second cause; chance of the second; sign (kind, size) that fits best; gap,
    ln of the last pressure over the usual one; at_s [s]; threshold [Pa]; unit to speak in.
    Returns: evidence, then what to do.
    """
    says = f"Unusual, most like {NAMES[first]}: {_evidence(first, sign, gap, at_s, threshold_pa, unit)}"
    if second_chance >= WORTH_SAYING:
        pair = TELL_APART[frozenset((first, second))]
        return f"{says}. It may also be {NAMES[second]}; {pair}."
    return f"{says}. Next: {NEXT[first]}."


def _evidence(cause, sign, gap, at_s, threshold_pa, unit):
    kind, size = sign
    ratio = f"{_times(gap)} at {span(at_s)}"
    if cause == "leak":
        floor = f"{in_words(from_pascal(size * threshold_pa, unit))} {unit}"
        return f"the curve flattens as if {floor} were added to it, {ratio}"
    if cause == "outgassing":
        return f"the slow part fades more slowly than usual, {ratio}"
    if cause == "slow_pump":
        early = "" if kind == "turbo" else " from the start"
        return f"as with {math.exp(-size):.0%} of the usual speed{early}, {ratio}"
    if kind == "stuck":
        stands = f"{in_words(from_pascal(size * threshold_pa, unit))} {unit}"
        return f"the reading stands at {stands} instead of falling on, {ratio}"
    if kind == "noisy":
        return (
            f"readings scatter by {math.expm1(size):.0%} where they usually follow a smooth curve"
        )
    way = "high" if size > 0 else "low"
    return (
        f"it reads {math.exp(abs(size)):.1f} times too {way} against the rest of the curve, {ratio}"
    )


def _times(gap):
    if abs(gap) < 0.05:
        return "the pressure is as usual"
    way = "above" if gap > 0 else "below"
    return f"the pressure is {math.exp(abs(gap)):.1f} times {way} the usual"


def span(seconds):
    """A time in words that fit its size.

    >>> span(45), span(3240), span(30000)
    ('45 s', '54 min', '8 h 20 min')
    """
    if seconds < 90:
        return f"{seconds:.0f} s"
    minutes = round(seconds / 60)
    if minutes < 100:
        return f"{minutes} min"
    return f"{minutes // 60} h {minutes % 60:02d} min"
