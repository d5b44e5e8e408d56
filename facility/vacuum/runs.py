"""Pump-down runs: cleaned, put on the clock of their pumping, and when they were ready.

A run is what a laboratory has of one pump-down: readings by somebody's hand or by a logger, in any
state of repair. A run keeps all of it; `clean` says which readings can be believed.
"""

import math
from dataclasses import dataclass
from datetime import datetime, timedelta

import numpy as np

CLOCK_EVENTS = ("restart", "isolated", "resumed")
EVENTS = ("restart", "isolated", "resumed", "gauge_off", "gate_open", "degas")

# Readings of exactly these stand for "above the range", not for a pressure. Source: open records of
# breenci/am4space_outgassing (MIT) hold exactly 1000 mbar for minutes after a vent; 1013 mbar and
# 760 torr are the same habit of other controllers (common practice, no source).
CLAMPS_PA = (1000e2, 1013e2, 1013.25e2, 760 * 101325 / 760, 1000 * 101325 / 760)
STUCK_AT_TOP = 3  # identical highest readings of one gauge in a row are a clamp too (own proposal)
DECADE = math.log(10.0)
SLIPS = {  # typed / meant, in ln; a slipped exponent, or another unit of the same gauge
    "decade": (DECADE, -DECADE, 2 * DECADE, -2 * DECADE),
    "unit": (math.log(133.322), -math.log(133.322), math.log(100.0), -math.log(100.0)),
}
LEAP = 10.0  # a gauge that leaps up by this was not lit before
STILL_READ = 0.5  # ln(s); a gauge read so near the end of a run is in use (own proposal)
AT_ITS_END = 1.1  # ln p; a gauge that reads so much higher than another ends there (own proposal)
BURST_S = 1800.0  # s; a burst of gate or degas is over by then at the latest (own proposal)
KNOWN_WITHIN = 1.5  # bounds of a crossing with a smaller ratio are read as one number


@dataclass(frozen=True, eq=False)
class Run:
    """One pump-down as it was recorded; NaN pressure is a row without a number."""

    run_id: str
    instrument: str
    started_at: datetime
    form: str
    samples: float | None
    vent_minutes: float | None
    t_s: np.ndarray
    pressure_pa: np.ndarray
    gauge: np.ndarray
    source: np.ndarray
    event: np.ndarray
    unread: int = 0

    @property
    def ended_at(self):
        """The time of the last row; the start where there is none."""
        return self.started_at + timedelta(seconds=float(self.t_s[-1]) if self.t_s.size else 0.0)

    def until(self, at_s):
        """The run as it was known at `at_s` [s]."""
        return self.only(self.t_s <= at_s)

    def only(self, rows):
        """The same run with these rows (a mask or indices)."""
        return Run(
            self.run_id,
            self.instrument,
            self.started_at,
            self.form,
            self.samples,
            self.vent_minutes,
            self.t_s[rows],
            self.pressure_pa[rows],
            self.gauge[rows],
            self.source[rows],
            self.event[rows],
            self.unread,
        )


@dataclass(frozen=True, eq=False)
class Readings:
    """What can be believed of a run, in order, on two clocks.

    t_s counts from the start on the run's own clock; pumped_s counts pumping only, since the last
    restart and without pauses. `spread_s` is what the clock leaves open. `slips` names dropped
    readings: (row, kind, pressure meant [Pa] or None).
    """

    t_s: np.ndarray
    pumped_s: np.ndarray
    ln_p: np.ndarray
    gauge: np.ndarray
    spread_s: np.ndarray
    slips: tuple


@dataclass(frozen=True)
class Crossing:
    """When the threshold was reached: between low_s and high_s (None: not seen)."""

    low_s: float
    high_s: float | None
    best_s: float | None

    @property
    def known_s(self):
        """The one number, where the bounds are close enough for one."""
        if self.best_s is None or self.low_s <= 0 or self.high_s > KNOWN_WITHIN * self.low_s:
            return None
        return self.best_s


# The clock of pumping


@dataclass(frozen=True)
class Clock:
    """Seconds of pumping: since the last restart (`began`), without pauses ((start, end), ...)."""

    began: float
    pauses: tuple
    paused: bool

    def pumped(self, t_s):
        """Seconds of pumping at t_s [s], any shape; NaN before this pumping began."""
        t_s = np.asarray(t_s, dtype=float)
        pumped = t_s - self.began
        for start, end in self.pauses:
            pumped = pumped - np.clip(t_s - start, 0.0, end - start)
        return np.where(t_s >= self.began, pumped, np.nan)


def clock_of(run):
    """The clock of a run's pumping, from its events restart, isolated and resumed."""
    marked = [row for row in np.flatnonzero(run.event != "") if run.event[row] in CLOCK_EVENTS]
    marked.sort(key=lambda row: run.t_s[row])
    began, pauses, since = 0.0, [], None
    for row in marked:
        at, event = float(run.t_s[row]), run.event[row]
        if event == "restart":
            began, pauses, since = at, [], None
        elif event == "isolated" and since is None:
            since = at
        elif event == "resumed" and since is not None:
            pauses, since = [*pauses, (since, at)], None
    if since is not None:
        pauses.append((since, math.inf))
    return Clock(began, tuple(pauses), since is not None)


def _while_pumping(run):
    """A mask of the rows that show pumping: not isolated, not a burst, not a gauge switched off."""
    keep = np.ones(run.t_s.size, dtype=bool)
    if not np.any(run.event != ""):
        return keep
    isolated, burst_from, before, calm = False, None, None, None
    for row in np.argsort(run.t_s, kind="stable"):
        event, at, value = run.event[row], run.t_s[row], run.pressure_pa[row]
        if event == "isolated":
            isolated = True
        elif event in ("resumed", "restart"):
            isolated, burst_from = False, None
            keep[row] = event == "restart"
            continue
        elif event in ("gate_open", "degas"):
            burst_from, before = at, calm
        if burst_from is not None and at > burst_from:
            over = before is not None and value <= before
            if over or at - burst_from > BURST_S:
                burst_from = None
        keep[row] = not isolated and burst_from is None and event != "gauge_off"
        if keep[row] and math.isfinite(value):
            calm = value
    return keep


# What can be believed


def clean(run):
    """The readings of a run that can be believed, in order of time.

    Takes:   run.
    Returns: Readings. Left out: no number, clamps, isolation, bursts, and readings that fit their
    neighbours only with another exponent or unit. Same moment and gauge: the median.
    Valid:   depends on rows up to each reading and the next two, so a cut run is cleaned as such.
    """
    pumped = clock_of(run).pumped(run.t_s)
    believed = np.isfinite(run.pressure_pa) & np.isfinite(pumped) & _while_pumping(run)
    believed &= run.t_s >= 0
    rows = np.flatnonzero(believed)
    rows = rows[np.argsort(run.t_s[rows], kind="stable")]
    rows = rows[~_clamped(run.pressure_pa[rows], run.gauge[rows])]
    rows = rows[~_not_lit(run.pressure_pa[rows], run.gauge[rows])]
    rows = rows[_leading_gauge(run.t_s[rows], run.pressure_pa[rows], run.gauge[rows])]
    rows = _one_a_moment(run, rows)
    ln_p = np.log(run.pressure_pa[rows])
    wrong = slipped(pumped[rows], ln_p)
    keep = ~np.isin(np.arange(rows.size), [place for place, *_ in wrong])
    slips = tuple((int(rows[i]), kind, meant) for i, kind, meant in wrong)
    rows = rows[keep]
    return Readings(
        run.t_s[rows],
        pumped[rows],
        ln_p[keep],
        run.gauge[rows],
        _clock_spread(run, rows),
        slips,
    )


def _clamped(pressure, gauge):
    """A mask of readings that stand for "above the range".

    >>> _clamped(np.array([1e5, 1e5, 40.0]), np.array(["a", "a", "a"]))
    array([ True,  True, False])
    """
    clamps = np.zeros(pressure.size, dtype=bool)
    for clamp in CLAMPS_PA:
        clamps |= np.abs(pressure / clamp - 1) < 1e-4
    for name in set(gauge):
        own = np.flatnonzero((gauge == name) & ~clamps)
        if own.size > STUCK_AT_TOP:
            top = pressure[own].max()
            stuck = own[pressure[own] == top]
            later = pressure[own[own > stuck[-1]]] if stuck.size else []
            in_a_row = stuck.size == np.searchsorted(own, stuck[-1]) + 1
            # a gauge that starts at its limit and then falls was over range
            if in_a_row and stuck.size >= STUCK_AT_TOP and len(later) and later[0] < top / 1.2:
                clamps[stuck] = True
    return clamps


def _not_lit(pressure, gauge):
    """A mask of first readings of a gauge that was on but not lit: one low value, then a leap up.

    Source: a cold cathode reads its floor until it lights; step of ten or more is own proposal.
    """
    dark = np.zeros(pressure.size, dtype=bool)
    for name in set(gauge):
        own = np.flatnonzero(gauge == name)
        first = pressure[own]
        same = int(np.argmax(first != first[0])) if np.any(first != first[0]) else 0
        if same and first[same] > LEAP * first[0] and np.all(first[same:] > 2 * first[0]):
            dark[own[:same]] = same > 1 or first[0] < 1e-5
    return dark


def _leading_gauge(t_s, pressure, gauge):
    """A mask that keeps one gauge at a time: from its first reading on, the leading one.

    Two gauges on one chamber differ by a factor; a curve of both by turns would be neither. Those
    that are read to the end may lead; one that reads much higher there is at the end of its range;
    of the rest the one that is read most often leads (a logger, not a look now and then).
    """
    keep = np.ones(pressure.size, dtype=bool)
    if pressure.size and np.any(gauge != gauge[0]):
        own = gauge == _leading(t_s, np.log(pressure), gauge)
        keep = own | (np.arange(pressure.size) < int(np.argmax(own)))
    return keep


def _leading(t_s, ln_p, gauge):
    x = np.log(np.maximum(t_s, 1.0))
    rows = {name: np.flatnonzero(gauge == name) for name in sorted(set(gauge))}
    last = {name: own for name, own in rows.items() if x[own[-1]] > x[-1] - STILL_READ}
    level = {name: _at_the_end(x[own], ln_p[own], x) for name, own in last.items()}
    lowest = min(level.values())
    near = [name for name in last if level[name] < lowest + AT_ITS_END]
    return max(near, key=lambda name: (last[name].size, -level[name]))


def _at_the_end(x, ln_p, all_x):
    """What a gauge shows where the run ends [ln Pa]; the middle of three, so that no slip decides."""
    near = x > max(x[-1] - STILL_READ, all_x[-1] - 2 * STILL_READ)
    return float(np.median(ln_p[near][-3:]))


def _one_a_moment(run, rows):
    """One row for each moment and gauge: the median one of those that share it."""
    if rows.size < 2 or np.all(np.diff(run.t_s[rows]) > 0):
        return rows
    groups = {}
    for row in rows:
        groups.setdefault((run.t_s[row], run.gauge[row]), []).append(row)
    chosen = [
        sorted(same, key=lambda row: run.pressure_pa[row])[len(same) // 2]
        for same in groups.values()
    ]
    return np.array(sorted(chosen, key=lambda row: (run.t_s[row], row)), dtype=int)


def slipped(t_s, ln_p):
    """Readings that fit their neighbours only with another exponent or another unit.

    Takes:   seconds (n,) in order; ln of the pressure (n,).
    Returns: list of (place, kind, pressure meant or None).
    Valid:   between neighbours; first and last are judged only against the two next to them.
    """
    if t_s.size < 4 or t_s.size > 2000:
        return _slipped_long(t_s, ln_p) if t_s.size > 2000 else []
    wrong, good = [], list(range(t_s.size))
    x = np.log(np.maximum(t_s, 1.0))
    while len(good) >= 4:
        places = np.array(good)
        off, scale = _off_neighbours(x[places], ln_p[places])
        worst = int(np.argmax(np.abs(off) - scale))
        if abs(off[worst]) < 1.2 + scale[worst] or len(wrong) > t_s.size // 4:
            break
        wrong.append((good[worst], *_meant(ln_p[good[worst]], _off_line(x, ln_p, good, worst))))
        del good[worst]
    return sorted(wrong)


def _slipped_long(t_s, ln_p):
    """A logger's record: compare with the running median of five."""
    padded = np.pad(ln_p, 2, mode="edge")
    middle = np.median(np.lib.stride_tricks.sliding_window_view(padded, 5), axis=1)
    off = ln_p - middle
    return [(int(i), *_meant(ln_p[i], off[i])) for i in np.flatnonzero(np.abs(off) > 1.2)]


def _off_neighbours(x, y):
    """How far each reading lies outside what its neighbours allow, and what they leave open.

    A falling curve may lie anywhere between its neighbours; outside of both by much is a slip.
    """
    n = y.size
    off, scale = np.zeros(n), np.zeros(n)
    inner = np.arange(1, n - 1)
    low = np.minimum(y[:-2], y[2:])
    high = np.maximum(y[:-2], y[2:])
    off[inner] = np.where(y[1:-1] > high, y[1:-1] - high, np.minimum(y[1:-1] - low, 0.0))
    # the last may fall on along the steepest recent slope, never rise far; the first mirrors it
    step = max(x[-1] - x[-2], 1e-6)
    slope = max(-(y[-2] - y[-3]) / max(x[-2] - x[-3], 1e-3), 0.0)
    fall = max(2.0, slope) * step
    last = y[-1] - y[-2]
    off[-1] = last if last > 0 else min(last + fall, 0.0)
    scale[-1] = 0.3
    first = y[0] - y[1]
    off[0] = min(first, 0.0)
    return off, scale


def _off_line(x, ln_p, good, place):
    """How far a reading lies off the straight line of its neighbours, in both logarithms."""
    near = sorted((i for i in range(len(good)) if i != place), key=lambda i: abs(i - place))[:2]
    a, b = sorted(good[i] for i in near)
    slope = (ln_p[b] - ln_p[a]) / max(x[b] - x[a], 1e-3)
    return ln_p[good[place]] - ln_p[a] - slope * (x[good[place]] - x[a])


def _meant(ln_p, off):
    """The slip that explains best why a reading is off by so much: (kind, pressure meant)."""
    miss, kind, step = min(
        (abs(off - step), kind, step) for kind, steps in SLIPS.items() for step in steps
    )
    return (kind, math.exp(ln_p - step)) if miss < 0.6 else ("stray", None)


def _clock_spread(run, rows):
    """What the clock leaves open at each reading [s]: half a minute where it shows minutes only."""
    manual = run.source[rows] == "manual"
    whole = np.mod(run.t_s[rows], 60.0) == 0
    minutes_only = rows.size > 0 and whole.all() and (manual.any() or rows.size < 20)
    return np.where(manual | minutes_only, 25.0, 4.0)


# The threshold


def crossing(run, threshold_pa):
    """When the pressure first fell below the threshold.

    Takes:   run; threshold [Pa].
    Returns: Crossing on the run's own clock; None without any reading.
    Valid:   indicated pressure; one reading below that does not last is not believed.
    """
    readings = clean(run)
    t, y, goal = readings.t_s, readings.ln_p, math.log(threshold_pa)
    if t.size == 0:
        return None
    below = y < goal - 1e-9  # at the threshold is not below it
    if t.size > 2:  # a single dip that the next reading takes back is noise
        lasting = below & np.r_[y[1:] <= goal + 0.1, True]
        below = lasting
    if not below.any():
        return Crossing(float(t[-1]), None, None)
    first = int(np.argmax(below))
    high = float(t[first])
    if first == 0:
        return Crossing(0.0, high, None)
    low = float(t[first - 1])
    return Crossing(low, high, _between(t, y, goal, first))


def _between(t, y, goal, first):
    """The best one number for the crossing before place `first` [s].

    A dense record is read off a line through its neighbourhood: the first reading below would be
    early by its noise. A sparse one is read between two readings, straight in both logarithms.
    """
    x = np.log(np.maximum(t, 1.0))
    near = np.abs(x - x[first]) < 0.15
    if near.sum() >= 8:
        slope, level = np.polyfit(x[near] - x[first], y[near] - goal, 1)
        if slope < -0.2 and abs(level / slope) < 0.15:
            return float(math.exp(x[first] - level / slope))
    drop = max(y[first - 1] - y[first], 1e-9)
    share = min(max((y[first - 1] - goal) / drop, 0.0), 1.0)
    return float(math.exp(x[first - 1] + share * (x[first] - x[first - 1])))
