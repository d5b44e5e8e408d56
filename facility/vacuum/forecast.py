"""When will the chamber be ready: learned from the instrument's past runs, asked at any moment.

`learn` reads past runs once, `add` brings it up to date by one, `forecast` answers. A forecast is
a mixture of normal distributions of curves, one for each form the load may be of and one for a run
unlike others, given the readings so far; the threshold is crossed where the curve says so. The
intervals are then set right by what the same method would have said of past runs.
"""

import math
from dataclasses import dataclass, replace

import numpy as np

from facility.vacuum.chances import (
    before,
    candidates,
    chances,
    forms_of,
    gathered,
    in_another_unit,
    quantiles,
    without_strays,
)
from facility.vacuum.learning import (
    SCORES,
    Past,
    Reasons,
    fit_reasons,
    form_effects,
    of_forms,
    one_ahead,
    past_of,
    solved,
)
from facility.vacuum.pumpdown import KNOTS, Seen, basis, expected_time, seen
from facility.vacuum.runs import clock_of, crossing
from facility.vacuum.usual import Curves, fit_curves

VERSION = 1
# Where nobody says otherwise. Source: transfer at 5e-7 mbar or better, MAX IV Bloch beamline,
# blochdocs.maxiv.lu.se/loadlock.html.
DEFAULT_THRESHOLD_PA = 5e-5
KEPT = 300  # past runs; older ones say little about today
POINTS = ("x", "y", "spread", "count")
REASONS_KEPT = ("reader", "shape", "sizes", "restless", "expected")
STAGES = np.array([0.03, 0.12, 0.3, 0.5, 0.7])  # of the usual time; edges of the stages
HELD = (
    0.76  # of past questions; with what follows, about 0.8 of later ones (simulated, own proposal)
)
EARLY, FITTED, FEW = 2, 20.0, 3.0  # stages; runs: widen where the past is short (own proposal)
# With few past runs the prior's own doubt is counted beside what the runs leave open, which is too
# careful; and runs of restless forms stray further than a normal distribution says. Set on simulated
# laboratories, seeds 31 to 33; below eight runs left wide, which the open records ask for.
CAREFUL, CAREFUL_RUNS, LEAST_RUNS = 0.38, 30.0, 8
RESTLESS, STRAYS = 1.3, 1.15
ASKED = np.array([0.1, 0.25, 0.45, 0.65, 0.8])  # of a past run's time: when it is asked
NO_WIDTH = 1e-9  # in ln of the time left; where one past curve alone is left, all quantiles are one
SURE = 0.03  # in ln of the time left; a past crossing known worse judges no interval


@dataclass(frozen=True)
class Forecast:
    """When the threshold will be reached, on the run's own clock [s], and what to say."""

    ready_s: float
    low80_s: float
    high80_s: float
    says: str


@dataclass(frozen=True, eq=False)
class Learned:
    """What an instrument's past runs taught, for one threshold; goes to JSON and back."""

    threshold_pa: float
    past: Past
    seens: tuple
    ids: tuple
    curves: Curves
    reasons: Reasons
    by_stage: np.ndarray  # factors on the interval
    by_form: np.ndarray
    fitted_on: int

    @property
    def runs(self):
        return len(self.ids)


def learn(runs, threshold_pa):
    """Everything that past runs teach about when the threshold will be reached.

    Takes:   runs, past runs of one instrument in any order; threshold [Pa].
    Returns: Learned.   Raises: ValueError for a threshold that is not above zero.
    """
    if not (math.isfinite(threshold_pa) and threshold_pa > 0):
        raise ValueError(f"the threshold ({threshold_pa} Pa) must be above zero")
    runs = sorted(runs, key=lambda run: (run.started_at, run.run_id))[-KEPT:]
    kept = [(run, seen(run, threshold_pa)) for run in runs]
    kept = [(run, points) for run, points in kept if points.x.size]
    past = past_of([run for run, _ in kept])
    seens = tuple(points for _, points in kept)
    curves, heights, left = fit_curves(threshold_pa, seens)
    typical = _typical(curves, threshold_pa)
    reasons = fit_reasons(curves, past, heights, left, typical)
    learned = Learned(
        threshold_pa,
        past,
        seens,
        tuple(run.run_id for run, _ in kept),
        curves,
        reasons,
        np.ones(STAGES.size + 1),
        np.ones(len(reasons.forms)),
        len(kept),
    )
    return _calibrated(learned, *_pumped_to(heights, left))


def add(learned, run):
    """The same with one more past run; sizes and intervals stay as they were learned.

    Takes:   learned; run, ended.   Returns: Learned.
    """
    points = seen(run, learned.threshold_pa)
    if not points.x.size:
        return learned
    load = past_of([run])
    place = int(np.searchsorted(learned.past.day, load.day[0], side="right"))
    past = learned.past.joined(place, load)
    seens = _inserted(learned.seens, place, points)
    ids = _inserted(learned.ids, place, run.run_id)
    if len(ids) > KEPT:
        past = past.without_first()
        seens, ids = seens[1:], ids[1:]
    if learned.runs >= 12:
        fitted = fit_curves(learned.threshold_pa, seens, start=learned.curves, rounds=1)
    else:
        fitted = fit_curves(learned.threshold_pa, seens)
    curves, heights, left = fitted
    reasons = fit_reasons(
        curves, past, heights, left, _typical(curves, learned.threshold_pa), learned.reasons.sizes
    )
    by_form = np.ones(len(reasons.forms))
    for name, factor in zip(learned.reasons.forms, learned.by_form, strict=True):
        if name in reasons.forms:
            by_form[reasons.forms.index(name)] = factor
    return replace(
        learned,
        past=past,
        seens=seens,
        ids=ids,
        curves=curves,
        reasons=reasons,
        by_stage=learned.by_stage * _narrowed(len(ids)) / _narrowed(learned.runs),
        by_form=by_form,
    )


def as_json(learned):
    """What was learned as plain lists and numbers, with the format's version; see `from_json`."""
    past, curves, reasons = learned.past, learned.curves, learned.reasons
    return {
        "version": VERSION,
        "threshold_pa": learned.threshold_pa,
        "fitted_on": learned.fitted_on,
        "runs": [
            {
                "run_id": name,
                "day": float(past.day[i]),
                "form": past.form[i],
                "samples": _or_none(past.samples[i]),
                "vent": _or_none(past.vent[i]),
                "x": points.x.tolist(),
                "y": points.y.tolist(),
                "spread": points.spread.tolist(),
                "count": points.count.tolist(),
                "numbers": reasons.numbers[i].tolist(),
                "open": reasons.open[i].tolist(),
            }
            for i, (name, points) in enumerate(zip(learned.ids, learned.seens, strict=True))
        ],
        "curves": {name: _plain(value) for name, value in vars(curves).items()},
        "reasons": {name: _plain(getattr(reasons, name)) for name in REASONS_KEPT},
        "forms": list(reasons.forms),
        "by_stage": learned.by_stage.tolist(),
        "by_form": learned.by_form.tolist(),
    }


def from_json(kept):
    """What `as_json` kept, ready to forecast from.

    Takes:   kept, a dictionary.   Returns: Learned, which says the same as the one that was kept.
    Raises:  ValueError for another version of the format: learn again from the runs.
    """
    if kept.get("version") != VERSION:
        raise ValueError(
            f"format {kept.get('version')} is not {VERSION}; learn again from the runs"
        )
    runs = kept["runs"]
    past = Past(
        np.array([run["day"] for run in runs], dtype=float),
        tuple(run["form"] for run in runs),
        np.array([run["samples"] for run in runs], dtype=float),  # None becomes NaN
        np.array([run["vent"] for run in runs], dtype=float),
    )
    empty = np.zeros((0, SCORES))
    reasons = Reasons(
        numbers=np.array([run["numbers"] for run in runs]) if runs else empty,
        open=np.array([run["open"] for run in runs]) if runs else empty,
        forms=tuple(kept["forms"]),
        inverse=np.zeros((SCORES, 0, 0)),
        pull=np.zeros((SCORES, 0)),
        **{name: np.array(value) for name, value in kept["reasons"].items()},
    )
    return Learned(
        kept["threshold_pa"],
        past,
        tuple(Seen(*(np.array(run[name]) for name in POINTS)) for run in runs),
        tuple(run["run_id"] for run in runs),
        Curves(**{name: _array(value) for name, value in kept["curves"].items()}),
        solved(reasons, past),
        np.array(kept["by_stage"]),
        np.array(kept["by_form"]),
        kept["fitted_on"],
    )


def _plain(value):
    return value.tolist() if isinstance(value, np.ndarray) else value


def _array(value):
    return np.array(value) if isinstance(value, list) else value


def _or_none(value):
    return None if math.isnan(value) else float(value)


def in_turn(history, runs, threshold_pa, running=()):
    """Each run with what could be known before it started.

    Takes:   history and runs, lists of Run, any instruments and order; threshold [Pa]; running,
    names of runs that are not over: nothing is learned from them.
    Returns: an iterator of (run, Learned), by instrument and start.
    """
    for instrument in dict.fromkeys(run.instrument for run in runs):
        asked = [run for run in runs if run.instrument == instrument]
        asked.sort(key=lambda run: run.started_at)
        past = [run for run in (*history, *asked) if run.instrument == instrument]
        past = [run for run in past if run.run_id not in running]
        past.sort(key=lambda run: run.ended_at)
        done = [run for run in past if run.ended_at <= asked[0].started_at]
        learned, place = learn(done, threshold_pa), len(done)
        for run in asked:
            while place < len(past) and past[place].ended_at <= run.started_at:
                learned, place = add(learned, past[place]), place + 1
            yield run, learned


def _inserted(items, place, item):
    return (*items[:place], item, *items[place:])


def forecast(learned, run, at_s):
    """When the threshold will be reached, as known at `at_s`.

    Takes:   learned; run (rows later than at_s are not looked at); at_s [s].
    Returns: Forecast on the run's own clock; its low end is never before at_s.
    """
    run = run.until(at_s)
    clock = clock_of(run)
    reached = crossing(run, learned.threshold_pa) if run.t_s.size else None
    points = seen(run, learned.threshold_pa)
    now = max(float(clock.pumped(at_s)), 0.0) if at_s >= clock.began else 0.0
    means, spreads, weights = candidates(
        learned.curves, learned.reasons, learned.past, past_of([run])
    )
    factor = in_another_unit(learned.curves, points, means[0], spreads[0])
    if factor:
        points = replace(points, y=points.y - math.log(factor))
        reached = None
    points, strays = without_strays(learned.curves, points, means[0], spreads[0])
    if reached and reached.high_s is not None and _believed(points, clock, reached):
        return _reached(reached)
    left, odds = chances(learned.curves, points, now, means, spreads, weights)
    low, ready, high = _widened(learned, quantiles(left, odds), now, run.form)
    says = _says(learned, points, strays, clock, (low, ready, high), at_s, factor)
    return Forecast(at_s + ready, at_s + low, at_s + high, says)


def _believed(points, clock, reached):
    """Whether the reading below the threshold survived as one that somebody meant."""
    at = float(clock.pumped(reached.high_s))
    if math.isnan(at):  # reached before a restart
        return False
    return at < 45.0 or bool(np.any((points.y <= 0.05) & (points.x >= math.log(at) - 0.11)))


def _reached(reached):
    best = reached.best_s if reached.best_s is not None else reached.high_s
    if reached.known_s is None:
        return Forecast(
            best,
            reached.low_s,
            reached.high_s,
            f"Below the threshold at {_span(reached.high_s)}; it was reached after "
            f"{_span(reached.low_s)}, nobody read the gauge in between.",
        )
    return Forecast(best, best, best, f"Below the threshold since {_span(best)} after the start.")


# Setting the intervals right


def _stage(learned, now):
    typical = _typical(learned.curves, learned.threshold_pa)
    return int(np.searchsorted(STAGES, now / typical))


def _widened(learned, seconds, now, form):
    low, ready, high = np.log(seconds)
    factor = learned.by_stage[_stage(learned, now)]
    if form in learned.reasons.forms:
        factor = factor * learned.by_form[learned.reasons.forms.index(form)]
    edges = [ready - factor * (ready - low), ready, ready + factor * (high - ready)]
    return tuple(math.exp(edge) for edge in edges)


def _calibrated(learned, ready_s, unsure):
    """Factors on the intervals, from what would have been said of past runs by those before them."""
    n = learned.runs
    known = np.flatnonzero(unsure < SURE)
    narrow = _narrowed(n)
    if n < 12 or known.size < 6:
        return replace(learned, by_stage=learned.by_stage * narrow)
    means, variances = one_ahead(learned.reasons, learned.past)
    effects = form_effects(learned.reasons, learned.past)
    known = known[known >= n // 4][-80:]
    ratios, stages, forms = [], [], []
    for i in known:
        rows, weights = forms_of(learned.reasons, learned.past, learned.past.form[i])
        heights, spreads, weights = gathered(
            learned.curves,
            learned.reasons,
            rows,
            weights,
            *of_forms(learned.reasons, learned.past.form[i], rows, means[i], variances[i], effects),
        )
        for now in (0.0, *(ready_s[i] * ASKED)):
            if unsure[i] * ready_s[i] > SURE * (ready_s[i] - now):
                continue
            so_far = before(learned.seens[i], now)
            so_far, _ = without_strays(learned.curves, so_far, heights[0], spreads[0])
            left, odds = chances(learned.curves, so_far, now, heights, spreads, weights)
            low, ready, high = np.log(quantiles(left, odds))
            off = math.log(ready_s[i] - now) - ready
            width = high - ready if off > 0 else ready - low
            ratios.append(abs(off) / max(width, NO_WIDTH))
            stages.append(_stage(learned, now))
            forms.append(learned.past.form[i])
    ratios, stages, forms = np.array(ratios), np.array(stages), np.array(forms)
    overall = _held(_quantile(ratios), ratios.size, 1.0, 25)
    by_stage = np.array(
        [
            _held(_quantile(ratios[stages == s]), (stages == s).sum(), overall, 40)
            for s in range(STAGES.size + 1)
        ]
    )
    by_form = np.array(
        [
            _held(_quantile(ratios[forms == f]) / overall, (forms == f).sum(), 1.0, 60)
            for f in learned.reasons.forms
        ]
    )
    # the reasons were fitted to the runs that judge here; early on they are all there is
    by_stage[:EARLY] *= math.sqrt(1.0 + FITTED / n)
    own = np.array([learned.past.form.count(form) for form in learned.reasons.forms])
    by_form = by_form * np.sqrt(1.0 + FEW / (own + 1.0))  # few runs of a form know its spread badly
    by_form = np.where(learned.reasons.restless > RESTLESS, STRAYS, 1.0) * by_form
    return replace(
        learned, by_stage=np.clip(by_stage * narrow, 0.4, 2.5), by_form=np.clip(by_form, 0.7, 1.8)
    )


def _narrowed(runs):
    """The factor on the intervals of a short history."""
    return 1.0 - CAREFUL * math.exp(-runs / CAREFUL_RUNS) if runs >= LEAST_RUNS else 1.0


def _quantile(ratios):
    return np.quantile(ratios, HELD) if ratios.size else 1.0


def _held(value, count, prior, weight):
    return (value * count + prior * weight) / (count + weight)


# Small things


def _typical(curves, threshold_pa):
    """Usual time to the threshold [s]: where the usual curve crosses it."""
    below = np.flatnonzero((curves.mean[1:] <= 0) & (curves.mean[:-1] > 0))
    if not below.size:
        return expected_time(threshold_pa)
    k = below[0]
    share = curves.mean[k] / (curves.mean[k] - curves.mean[k + 1])
    return float(math.exp(KNOTS[k] + share * (KNOTS[k + 1] - KNOTS[k])))


def _pumped_to(heights, left):
    """Seconds of pumping to the threshold, read off each run's own curve, and how sure in ln of it.

    A curve through all readings of a run says more than the two readings beside the threshold.
    """
    found, unsure = np.full(heights.shape[0], np.nan), np.full(heights.shape[0], np.inf)
    for i, curve in enumerate(heights):
        below = np.flatnonzero((curve[1:] <= 0) & (curve[:-1] > 0))
        if below.size:
            k = below[0]
            slope = (curve[k] - curve[k + 1]) / (KNOTS[k + 1] - KNOTS[k])
            x = KNOTS[k] + curve[k] / slope
            at = basis(np.array([x]))[0]
            found[i], unsure[i] = math.exp(x), math.sqrt(max(at @ left[i] @ at, 0.0)) / slope
    return found, unsure


def _span(seconds):
    """A time in words that fit its size.

    >>> _span(45), _span(3240), _span(30000)
    ('45 s', '54 min', '8 h 20 min')
    """
    if seconds < 90:
        return f"{seconds:.0f} s"
    minutes = round(seconds / 60)
    if minutes < 100:
        return f"{minutes} min"
    return f"{minutes // 60} h {minutes % 60:02d} min"


def _says(learned, points, strays, clock, seconds, at_s, factor):
    low, ready, high = (at_s + left for left in seconds)
    parts = [
        f"Ready about {_span(ready)} after the start, 80 % between {_span(low)} and {_span(high)}"
    ]
    if clock.paused:
        parts = [
            f"Pumping is paused; the forecast waits. Resumed now, ready about {_span(ready)} after "
            f"the start, 80 % between {_span(low)} and {_span(high)}"
        ]
    readings = int(points.count.sum()) if points.x.size else 0
    basis_of = f"from {readings} reading{'s' * (readings != 1)} and {learned.runs} past runs"
    if learned.runs == 0:
        basis_of = (
            f"from {readings} reading{'s' * (readings != 1)} and published magnitudes only: "
            "this instrument has no past runs yet"
        )
    parts.append(basis_of)
    if factor:
        parts.append(
            f"all readings are {factor if factor > 1 else 1 / factor:.0f} times too "
            f"{'high' if factor > 1 else 'low'}, as if typed in another unit: which unit is it?"
        )
    for when, kind, typed, meant in points.slips[-1:]:
        slip = {"decade": "a slipped exponent", "unit": "another unit"}.get(kind, "a stray reading")
        fit = f"; {meant:.1e} Pa would fit" if meant else ""
        parts.append(f"{typed:.1e} Pa at {_span(when)} looks like {slip} and was left out{fit}")
    if strays:
        parts.append(
            f"{strays} reading{'s do not fit and were' if strays > 1 else ' does not fit and was'} left out"
        )
    return "; ".join(parts) + "."
