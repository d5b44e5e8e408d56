"""Template words of the lab: pressures, times, codes, marks. A builtin, so nobody loads it."""

import re
from dataclasses import dataclass
from datetime import UTC, timedelta
from functools import cache

from django import template
from django.templatetags.static import static
from django.utils import timezone
from django.utils.html import format_html

from facility import chart
from facility.vacuum import units

register = template.Library()

RAISED = str.maketrans("0123456789-", "⁰¹²³⁴⁵⁶⁷⁸⁹⁻")
THIN = "\u2009"  # around the times sign; the figure never breaks, CSS and no-break spaces see to it
NARROW = "\u202f"

MARKS = frozenset(
    [
        "empty",
        "mounted",
        "introduction",
        "main",
        "needs-cleaning",
        "quarantined",
        "ready",
        "pumping",
        "in-use",
        "fault",
        "closed",
        "unknown",
        "note",
        "warn",
        "staff",
        "stop",
        "done",
        "open",
        "gap",
        "happened",
        "waiting",
        "yours",
    ]
)
WORDS = {
    "introduction": "in introduction chamber",
    "main": "in main chamber",
    "needs-cleaning": "needs cleaning",
    "in-use": "in use",
    "unknown": "not known",
    "staff": "ask staff",
    "open": "not yet",
    "gap": "not given yet",
    "happened": "happened anyway",
    "waiting": "waits on this tablet",
}


@dataclass(frozen=True, slots=True)
class Figure:
    """A pressure ready to print: two figures, the power of ten, the unit."""

    mantissa: str
    exponent: int
    unit: str

    @property
    def power(self):
        """The exponent with a real minus sign."""
        return str(self.exponent).replace("-", "−")

    @property
    def spoken(self):
        """Plain text for labels and aria, such as 1.3e-5 mbar."""
        return f"{self.mantissa}e{self.exponent} {self.unit}"

    def __str__(self):
        if not self.exponent:
            return f"{self.mantissa}\u00a0{self.unit}"
        raised = str(self.exponent).translate(RAISED)
        return f"{self.mantissa}{NARROW}×{NARROW}10{raised}\u00a0{self.unit}"


@register.filter
def pressure(pascal, unit="mbar"):
    """Pascal as a Figure in `unit`, two figures; None where there is no number to print.

    >>> str(pressure(1.3e-3, "mbar"))
    '1.3\\u202f×\\u202f10⁻⁵\\xa0mbar'
    >>> pressure(None) is None, pressure(0.0) is None
    (True, True)
    """
    if pascal in (None, "") or not pascal > 0 or pascal == float("inf"):
        return None
    return Figure(*units.show(pascal, unit), unit)


@register.filter
def pressure_text(pascal, unit="mbar"):
    """Pascal as one piece of text in `unit`, or “no reading”.

    >>> pressure_text(None)
    'no reading'
    """
    return str(pressure(pascal, unit) or "no reading")


@register.filter
def plate(code):
    """A code as it is engraved: four and four characters.

    >>> plate("h7kqm4t2")
    'H7KQ M4T2'
    """
    code = str(code or "").upper()
    return f"{code[:4]} {code[4:]}" if len(code) == 8 else code


@register.filter
def when(moment, now=None):
    """The clock time in the facility's zone; with its day unless that is today."""
    if moment is None or moment == "":
        return ""
    at = timezone.localtime(moment)
    today = timezone.localtime(now)
    if at.date() == today.date():
        return f"{at:%H:%M}"
    if at.year == today.year:
        return f"{at:%a} {at.day} {at:%b}, {at:%H:%M}"
    return f"{at.day} {at:%b %Y}, {at:%H:%M}"


@register.filter
def minutes(span):
    """A span of time in words; takes a timedelta or a number of minutes.

    >>> minutes(72), minutes(timedelta(minutes=9)), minutes(3000), minutes(0.4)
    ('1 h 12 min', '9 min', '2 days 2 h', 'under a minute')
    """
    if span in (None, ""):
        return ""
    total = span.total_seconds() / 60 if isinstance(span, timedelta) else float(span)
    whole = int(total + 0.5)
    hours, rest = divmod(whole, 60)
    days, hours_of_day = divmod(hours, 24)
    if total < 1:
        return "under a minute"
    if days >= 2:
        return f"{days} days {hours_of_day} h" if hours_of_day else f"{days} days"
    if not hours:
        return f"{whole} min"
    return f"{hours} h {rest} min" if rest else f"{hours} h"


@register.filter
def word_of(state):
    """The word that stands beside a mark.

    >>> word_of("staff"), word_of("in_use"), word_of("ready")
    ('ask staff', 'in use', 'ready')
    """
    name = _name(state)
    return WORDS.get(name, name)


@register.simple_tag
def mark(name):
    """One mark of marks.svg, hidden from readers because its word stands beside it."""
    return _drawn_mark(_name(name))


@cache  # a page holds dozens, and the address of the file is looked up slowly
def _drawn_mark(name):
    if name not in MARKS:
        raise ValueError(f"there is no mark {name!r}; there are {', '.join(sorted(MARKS))}")
    address = static("img/marks.svg")
    return format_html(
        '<svg viewBox="0 0 24 24" aria-hidden="true"><use href="{}#m-{}"/></svg>', address, name
    )


@register.filter
def has_mark(name):
    """Whether marks.svg holds a mark of this name."""
    return _name(name) in MARKS


@register.filter
def hand(text):
    """What a person wrote, in their own words: serif italic in the pen's colour."""
    return format_html('<span class="hand">{}</span>', text) if text else ""


@register.filter
def moment(at):
    """A moment for the datetime attribute of a time element, in UTC to the second.

    >>> from datetime import UTC, datetime
    >>> moment(datetime(2026, 3, 2, 9, 0, tzinfo=UTC))
    '2026-03-02T09:00:00Z'
    """
    return f"{at.astimezone(UTC):%Y-%m-%dT%H:%M:%SZ}" if at else ""


@register.filter
def zone_of(at):
    """The short name of the facility's zone at that moment, such as GMT."""
    return timezone.localtime(at).tzname() if at else ""


@register.filter
def minus(number):
    """A number with a real minus sign.

    >>> minus(-5), minus(3)
    ('−5', '3')
    """
    return str(number).replace("-", "−")


@register.filter
def first_sentences(text, most=130):
    """The first sentence of a verdict, and what follows while it stays short; a list needs no more.

    >>> first_sentences("A leak. Search for it.")
    'A leak. Search for it.'
    >>> first_sentences("Like outgassing: it slows down. " + "In other units it is this. " * 9, 40)
    'Like outgassing: it slows down.'
    """
    said = ""
    for sentence in re.split(r"(?<=[.!?]) (?=[A-Z])", str(text)):
        if said and len(said) + len(sentence) > most:
            break
        said = f"{said} {sentence}".strip()
    return said


@register.filter
def after_first_sentences(text, most=130):
    """What `first_sentences` leaves, with the space before it.

    >>> after_first_sentences("Like outgassing: it slows down. In other units it is this.", 40)
    ' In other units it is this.'
    """
    return str(text)[len(first_sentences(text, most)) :]


@register.filter
def plain(number):
    """A number as a sentence says it: at most three figures, no tail of zeros, no power of ten
    between a thousandth and a million.

    >>> plain(23.04), plain(3.0), plain(0.14), plain(1200), plain(-0.5), plain(2.4e-8)
    ('23', '3', '0.14', '1200', '−0.5', '2.4 × 10⁻⁸')
    """
    if number is None or number == "":
        return ""
    value = float(number)
    if value and not 1e-3 <= abs(value) < 1e6:
        return chart.figure_text(value)
    decimals = 0 if abs(value) >= 10 else 1 if abs(value) >= 1 else 3
    text = f"{value:.{decimals}f}"
    return minus(text.rstrip("0").rstrip(".") if "." in text else text)


@register.filter
def bare(figure):
    """A Figure without its unit, as words in a drawing; “no reading” for None.

    >>> bare(pressure(1.3e-3, "mbar")), bare(None)
    ('1.3 × 10⁻⁵', 'no reading')
    """
    return (
        chart.figure_text(float(f"{figure.mantissa}e{figure.exponent}")) if figure else "no reading"
    )


@register.filter
def spoken(figure):
    """A Figure for readers, such as 1.3e-5 mbar; “no reading” for None."""
    return figure.spoken if figure else "no reading"


@register.filter
def on_decades(pascal, unit="mbar"):
    """Where a pressure stands on the decade rule, or None."""
    return chart.on_decade_rule(units.from_pascal(pascal, unit)) if pascal else None


@dataclass(frozen=True, slots=True)
class Bar:
    """A value and its limit on a rule of 236 units; `more` where the value runs off its end."""

    wide: float
    limit: float
    more: bool
    crowded: bool = False  # long figures: the limit's word begins at its stroke


@register.filter
def against(value, limit):
    """The bar of components/against.html; None without two numbers above zero.

    The limit stands at the middle, so that one look says how far off a value is; what is more than
    twice the limit runs off the rule.
    >>> against(23, 20)
    Bar(wide=135.7, limit=120.0, more=False, crowded=False)
    >>> against(90, 20).more, against(None, 20)
    (True, None)
    """
    if value is None or limit is None or not value >= 0 or not limit > 0:
        return None
    wide = min(value / limit * 118, 236)
    crowded = len(plain(value)) + len(plain(limit)) > 8
    return Bar(round(wide, 1), 120.0, value > 2 * limit, crowded)


def _name(state):
    return str(state).replace("_", "-").replace(" ", "-")


@register.filter
def spaced(name):
    """A device or state as words: `gate_valve` is gate valve."""
    return str(name).replace("_", " ")


@register.filter
def signed(number):
    """A power of ten with a real minus sign."""
    return str(number).replace("-", "−")


@register.filter
def chamber(row, load):
    """A chamber as the plan draws it, from its gauge, newest reading and the load inside."""
    gauge, reading = row["gauge"], row["reading"]
    words = "no gauge" if gauge is None else str(gauge.principle).replace("_", " ")
    if reading is not None and reading.pressure_pa is None:
        words = reading.get_state_display()
    return {
        "figure": pressure(reading.pressure_pa, gauge.unit) if reading and gauge else None,
        "gauge": words,
        "holder": load.holder.code if load else "",
        "words": [when(reading.at)] if reading else ["not read yet"],
    }
