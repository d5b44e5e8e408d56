"""Pump-down curves of the demo: piecewise straight in log pressure against log time. Invented.

A curve has no physics behind it and is no evidence of accuracy; forecasts and diagnoses are judged
on other simulators and on published records.
"""

import math
from bisect import bisect_right
from dataclasses import dataclass, replace

# How much longer than a film each form takes, and the spread of that in ln. All invented.
FORMS = {
    "film": (1.0, 0.07),
    "single crystal": (1.0, 0.06),
    "bulk": (1.05, 0.07),
    "pellet": (1.1, 0.09),
    "fibre": (1.12, 0.09),
    "residue": (1.12, 0.09),
    "electrode": (1.15, 0.10),
    "powder": (1.15, 0.10),
    "porous powder": (1.6, 0.22),
}
SAMPLE = 0.015  # longer by this share for each sample after the first
USUAL_VENT_MIN = 10.0
SEASON = 0.06  # damp air in late July adds as much as dry air in January takes away
DAY_OF_DAMP = 205
SLOWEST_TURN_S = 600.0
FAST_UNTIL, SLOW_FROM = math.log(100.0), math.log(700.0)  # ln seconds
JITTER = 0.02  # of a corner, in ln


@dataclass(frozen=True)
class Curve:
    """Pressure of one pump-down against seconds since the pump valve opened."""

    corners: tuple  # (ln seconds, ln pascal), in order of time
    typical_s: float
    stretch: float = 1.0
    wet: float = 0.0
    raised: float = 1.0
    floor_pa: float = 0.0

    def pressure_pa(self, t_s):
        """Pressure in pascal; gas in the volume goes as ever, what is stretched is the slow part.

        A wet load's stretch grows along the run.
        """
        t_s = max(t_s, 1.0)
        slow = (math.log(t_s) - FAST_UNTIL) / (SLOW_FROM - FAST_UNTIL)
        slowed = self.stretch ** min(max(slow, 0.0), 1.0)
        slowed *= 1 + self.wet * t_s / (t_s + self.typical_s)
        pascal = math.exp(_along(self.corners, math.log(t_s / slowed)))
        raised = 1 + (self.raised - 1) / (1 + pascal / 10.0)  # a rough pump does not notice
        return pascal * raised + self.floor_pa

    def crosses_s(self, threshold_pa, most_s=9e4):
        """Seconds until the threshold, or None where `most_s` is not enough."""
        if self.pressure_pa(most_s) > threshold_pa:
            return None
        low, high = 1.0, most_s
        for _ in range(50):
            middle = math.sqrt(low * high)
            low, high = (middle, high) if self.pressure_pa(middle) > threshold_pa else (low, middle)
        return high


def _along(corners, ln_s):
    """ln pascal on the straight pieces, the outer ones extended."""
    place = min(max(bisect_right(corners, (ln_s, math.inf)), 1), len(corners) - 1)
    (left, high), (right, low) = corners[place - 1 : place + 1]
    return high + (ln_s - left) * (low - high) / (right - left)


def typical(threshold_pa, typical_s):
    """The usual curve of an instrument: from air through the threshold at `typical_s`."""
    half = max(typical_s / 2, SLOWEST_TURN_S * 1.2)
    at_half = threshold_pa * typical_s / half
    at_turn = at_half * (half / SLOWEST_TURN_S) ** 1.3
    points = [
        (5.0, 1.0e5),
        (110.0, 30.0),
        (230.0, 0.2),
        (300.0, 9.0 * at_turn),
        (SLOWEST_TURN_S, at_turn),
        (half, at_half),
        (typical_s, threshold_pa),
        (5 * typical_s, threshold_pa * 5**-0.85),
        (60 * typical_s, threshold_pa * 5**-0.85 * 12**-0.7),
    ]
    return Curve(tuple((math.log(s), math.log(p)) for s, p in points), typical_s)


def draw(usual, rng, *, form, samples, vent_min, day_of_year, mood=0.0):
    """One run's own curve: stretched by what it carries, the vent and the season, and jittered.

    `mood` is what the instrument keeps from run to run, in ln.
    """
    longer, spread = FORMS.get(form, (0.92, 0.05))  # an empty chamber is a little faster
    stretch = longer * (1 + SAMPLE * max(samples - 1, 0)) * (vent_min / USUAL_VENT_MIN) ** 0.2
    stretch *= 1 + SEASON * math.cos(2 * math.pi * (day_of_year - DAY_OF_DAMP) / 365.25)
    stretch *= math.exp(rng.gauss(mood, spread))
    corners = tuple((s, p + rng.gauss(0, JITTER)) for s, p in usual.corners)
    return replace(usual, corners=corners, stretch=stretch)
