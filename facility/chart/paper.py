"""The paper a chart is drawn on: sizes, scales, lines, dots, words, and the drawing they make."""

import math
from dataclasses import dataclass, field

from facility.vacuum.units import from_pascal


@dataclass(frozen=True, slots=True)
class Line:
    """A path; `kind` is its CSS class."""

    kind: str
    d: str


@dataclass(frozen=True, slots=True)
class Dot:
    """A mark on a value. With a `url` it is a link, and `hit` the strip that a finger may tap."""

    x: float
    y: float
    kind: str
    r: float = 5
    url: str = ""
    says: str = ""
    hit: tuple[float, float, float, float] | None = None
    stop: bool = False  # whether the Tab key stops here; ordinary points are passed over


@dataclass(frozen=True, slots=True)
class Word:
    """Writing in the drawing; `kind` is its CSS class."""

    text: str
    x: float
    y: float
    kind: str = "axis-word"
    anchor: str = "start"


@dataclass(frozen=True, slots=True)
class Drawing:
    """One chart drawn for one place. `clip` is the plot's own rectangle: x, y, width, height."""

    size: str
    width: int
    height: int
    clip: tuple[float, float, float, float]
    says: str
    ground: tuple[Line, ...] = ()  # grid and axes
    inside: tuple[Line, ...] = ()  # clipped to the plot
    above: tuple[Line, ...] = ()  # brackets and ticks that may stand over an edge
    dots: tuple[Dot, ...] = ()
    words: tuple[Word, ...] = ()

    @property
    def view_box(self):
        """For the svg's viewBox."""
        return f"0 0 {self.width} {self.height}"

    @property
    def clip_box(self):
        """For the inner svg's viewBox: the same units, so nothing moves."""
        return " ".join(f"{side:g}" for side in self.clip)

    @property
    def has_links(self):
        """With links inside the role is group, because img would hide them."""
        return any(dot.url for dot in self.dots)


@dataclass(frozen=True, slots=True)
class Size:
    """How large a drawing is and what its edges keep free for axis words."""

    name: str
    width: int
    height: int
    left: float = 58
    right: float = 16
    top: float = 14
    bottom: float = 34
    most_ticks: int = 7
    letter: float = 7.2  # how wide a letter is, about, for keeping words apart

    @property
    def foot(self):
        """The y of the time axis."""
        return self.height - self.bottom

    @property
    def end(self):
        """The x where the plot ends."""
        return self.width - self.right


UPRIGHT = Size("upright", 780, 232)
ACROSS = Size("across", 600, 345, most_ticks=6)
PHONE = Size("phone", 360, 300, left=46, right=10, most_ticks=4, letter=8.2)
SIZES = (UPRIGHT, ACROSS, PHONE)


@dataclass(frozen=True, slots=True)
class Scale:
    """A value to a place on paper; `log` takes the logarithm first."""

    low: float
    high: float
    start: float
    end: float
    log: bool = False
    do_not_call_in_templates: bool = field(default=True, init=False, repr=False)
    _from: float = field(init=False, repr=False)
    _step: float = field(init=False, repr=False)

    def __post_init__(self):
        low, high = (
            (math.log10(self.low), math.log10(self.high)) if self.log else (self.low, self.high)
        )
        object.__setattr__(self, "_from", low)
        object.__setattr__(self, "_step", (self.end - self.start) / (high - low))

    def __call__(self, value):
        """Where `value` lies; outside the scale it lies outside the plot.

        >>> Scale(1e-6, 1e-2, 100, 0, log=True)(1e-4)
        50.0
        """
        at = math.log10(value) if self.log else value
        return self.start + (at - self._from) * self._step

    def holds(self, value):
        """Whether `value` lies on the scale, its ends included."""
        return self.low <= value <= self.high


def thinned(places):
    """The lowest and the highest place of every pixel column, in order, so that spikes survive.

    Takes:   places, (x, y) in time order.   Returns: list of (x, y), at most two for each whole x.
    >>> thinned([(1.0, 5), (1.1, 9), (1.2, 5), (1.3, 1), (1.4, 5)])
    [(1.1, 9), (1.3, 1)]
    """
    kept, column = [], []
    for place in places:
        if column and int(place[0]) != int(column[0][0]):
            kept += _ends(column)
            column = []
        column.append(place)
    return kept + _ends(column)


def _ends(column):
    if len(column) < 3:
        return column
    lowest, highest = min(column, key=lambda p: p[1]), max(column, key=lambda p: p[1])
    if lowest[1] == highest[1]:
        return [column[0], column[-1]]
    return sorted({lowest, highest})


def path_of(places):
    """An svg path through places; empty for none.

    >>> path_of([(1, 2), (3, 4.25)])
    'M1.0 2.0L3.0 4.2'
    """
    if not places:
        return ""
    return "M" + "L".join(f"{x:.1f} {y:.1f}" for x, y in places)


def strip(at, linked, size):
    """What a finger may tap for one point: everything nearer to it than to its neighbours."""
    left = max((other for other in linked if other < at), default=None)
    right = min((other for other in linked if other > at), default=None)
    start = (left + at) / 2 if left is not None else max(size.left, at - 22)
    end = (right + at) / 2 if right is not None else min(size.width, at + 22)
    return round(start, 1), size.top, round(end - start, 1), round(size.foot - size.top, 1)


def drawable(pascal):
    """Whether a number can stand on a log scale."""
    return pascal is not None and math.isfinite(pascal) and pascal > 0


def height_of(y, pascal, unit):
    """Where a pressure lies; what is no number lies far below the plot and is clipped away."""
    return y(from_pascal(pascal, unit)) if drawable(pascal) else y.start + 10_000
