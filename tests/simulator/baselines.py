"""What a person without this product would do; each takes (history, threshold) and gives a
function of (run so far, seconds) that answers (ready, low, high) in seconds, or None."""

import math

import numpy as np

from facility.vacuum.runs import clean, crossing

WIDE = 1.6  # interval of a fit that says nothing about its own error (own choice)


def _line(scale):
    def learn(_, threshold_pa):
        goal = math.log(threshold_pa)

        def ask(run, at_s):
            readings = clean(run)
            late = readings.t_s > at_s / 2
            if late.sum() < 2:
                return None
            x, y = scale(readings.t_s[late]), readings.ln_p[late]
            if np.ptp(x) == 0:
                return None
            slope, level = np.polyfit(x, y, 1)
            if slope >= 0:
                return None
            x_goal = (goal - level) / slope
            ready = x_goal if scale is _plain else math.exp(min(x_goal, 14.0))
            return _around(max(ready, at_s * 1.01 + 1), at_s)

        return ask

    return learn


def _plain(t_s):
    return t_s


def _log(t_s):
    return np.log(np.maximum(t_s, 1.0))


def _around(ready, at_s):
    left = ready - at_s
    return ready, at_s + left / WIDE, at_s + left * WIDE


def spreadsheet(history, threshold_pa):
    """Median and 10 to 90 % of past times by form, of those longer than the time passed."""
    times, forms = [], []
    for run in history:
        seen = crossing(run, threshold_pa)
        if seen and seen.known_s:
            times.append(seen.known_s)
            forms.append(run.form)
    times, forms = np.array(times), np.array(forms)

    def ask(run, at_s):
        own = times[forms == run.form] if (forms == run.form).sum() >= 5 else times
        if (own > at_s).sum() < 2:
            own = times
        if (own > at_s).sum() < 2:
            return _around(at_s * 1.2 + 60, at_s)
        return tuple(np.quantile(own[own > at_s], [0.5, 0.1, 0.9]))

    return ask


def textbook(_, threshold_pa):
    """Least squares of A t^-a + floor on the readings after five minutes, a from 0.5 to 1.5."""
    goal = threshold_pa

    def ask(run, at_s):
        readings = clean(run)
        late = readings.t_s > 300
        if late.sum() < 3:
            late = readings.t_s > 60
        if late.sum() < 3:
            return None
        t, p = readings.t_s[late], np.exp(readings.ln_p[late])
        best = None
        for exponent in np.arange(0.5, 1.55, 0.05):
            design = np.column_stack([t**-exponent, np.ones(t.size)])
            (size, floor), *_ = np.linalg.lstsq(design, p, rcond=None)
            miss = np.sum((design @ [size, floor] - p) ** 2)
            if size > 0 and (best is None or miss < best[0]):
                best = (miss, exponent, size, floor)
        if best is None or best[3] >= goal:
            return None
        ready = (best[2] / (goal - best[3])) ** (1 / best[1])
        return _around(max(min(ready, 1e6), at_s * 1.01 + 1), at_s)

    return ask


BASELINES = {
    "a line ln p / t": _line(_plain),
    "b line ln p / ln t": _line(_log),
    "c median by form": spreadsheet,
    "d textbook fit": textbook,
}
