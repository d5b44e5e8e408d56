"""Why runs of an instrument differ: form, samples, vent, and the runs before.

The late part of each run in three numbers, each explained as a sum of kernels whose sizes the runs
themselves decide. The curves come from `usual.py`.
"""

import math
from dataclasses import dataclass, replace
from datetime import UTC, datetime

import numpy as np

from facility.vacuum.pumpdown import KNOTS

EPOCH, DAY = datetime(1970, 1, 1, tzinfo=UTC), 86400.0
SCORES = 3  # numbers that stand for the late part of a curve
ODD = 2.8  # standard deviations; a past run further off is not explained, and counts less

# Form effects before there is history, in ln of the time (own proposal: porous and wet is slower).
EXPECTED_EXTRA = {
    "film": 0.0,
    "single crystal": 0.0,
    "bulk": 0.04,
    "powder": 0.12,
    "pellet": 0.12,
    "electrode": 0.15,
    "fibre": 0.2,
    "residue": 0.15,
    "porous powder": 0.45,
}
FORMS = tuple(EXPECTED_EXTRA)
USUAL_SAMPLES, USUAL_VENT = 3.0, 10.0
SAMPLES_UNKNOWN, VENT_UNKNOWN = 0.4, 0.6  # variance of their logarithm where nobody wrote them

RESTLESS_UNKNOWN = 1.3  # a load of unknown form may be anything

# Parts of the explanation and their sizes before the runs decide, as shares of the whole variance.
PARTS = ("form", "form by samples", "samples", "vent", "weeks", "days", "rest")
SIZES = np.array([0.30, 0.08, 0.06, 0.06, 0.12, 0.12, 0.35])
WEEKS, DAYS = 45.0, 2.5  # days over which the memory of an instrument fades: slow and quick


@dataclass(frozen=True, eq=False)
class Past:
    """What is kept of past runs, one row each, in order of time."""

    day: np.ndarray  # days since 1970
    form: tuple
    samples: np.ndarray  # NaN where not known
    vent: np.ndarray

    def joined(self, place, load):
        """The same with one more row (a Past of one row) before `place`."""
        return Past(
            np.insert(self.day, place, load.day),
            (*self.form[:place], *load.form, *self.form[place:]),
            np.insert(self.samples, place, load.samples),
            np.insert(self.vent, place, load.vent),
        )

    def without_first(self):
        return Past(self.day[1:], self.form[1:], self.samples[1:], self.vent[1:])


def past_of(runs):
    """What is known of runs besides their readings."""
    return Past(
        np.array([(run.started_at - EPOCH).total_seconds() / DAY for run in runs], dtype=float),
        tuple(run.form for run in runs),
        np.array([_or_nan(run.samples) for run in runs], dtype=float),
        np.array([_or_nan(run.vent_minutes) for run in runs], dtype=float),
    )


def _or_nan(value):
    return math.nan if value is None else float(value)


# Why runs differ


@dataclass(frozen=True, eq=False)
class Reasons:
    """The late part of past runs in a few numbers, and what explains them."""

    reader: np.ndarray  # (q, k): numbers = reader @ (heights - mean)
    shape: np.ndarray  # (k, q): what a number does to the curve
    numbers: np.ndarray  # (n, q)
    open: np.ndarray  # (n, q), variance left open by each run's readings
    sizes: np.ndarray  # (q, parts)
    forms: tuple  # names with an effect of their own
    restless: np.ndarray  # (forms,), how much more than usual runs of a form differ
    expected: np.ndarray  # (forms, q), effect of a form before history
    inverse: np.ndarray  # (q, n, n)
    pull: np.ndarray  # (q, n)
    described: tuple = ()  # past runs as the kernels read them

    def restless_of(self, forms):
        """How much more than usual runs of these forms differ, shape (n,)."""
        known = dict(zip(self.forms, self.restless, strict=True))
        return np.array([known.get(form, RESTLESS_UNKNOWN) for form in forms])


def fit_reasons(curves, past, runs, left, typical_s, sizes=None):
    """Explain the late part of each run by form, samples, vent and the runs before it.

    Takes:   curves; past (n rows); runs (n, k), left (n, k, k) from fit_curves; typical time [s];
    sizes, parts' sizes to keep (else they are fitted).
    Returns: Reasons.
    """
    reader, shape = _late_numbers(curves, typical_s)
    numbers = (runs - curves.mean) @ reader.T
    within = np.einsum("qj,ijk,qk->iq", reader, left, reader)
    within = np.clip(within, 1e-4, 0.999)
    # a run's numbers were pulled to the mean; undo that: value and variance of what it says
    told = 1 / within - 1.0
    numbers = numbers / within / told
    within = 1 / told
    forms = tuple(FORMS) + tuple(sorted(set(past.form) - set(FORMS) - {""}))
    expected = _expected_effects(curves, forms, reader)
    restless = np.array([1.6 if form == "porous powder" else 1.0 for form in forms])
    chosen = np.tile(SIZES, (SCORES, 1)) if sizes is None else sizes
    reasons = Reasons(
        reader, shape, numbers, within, chosen, forms, restless, expected,
        np.zeros((SCORES, 0, 0)), np.zeros((SCORES, 0)),
    )  # fmt: skip
    if len(past.form) >= 12 and sizes is None:
        reasons = replace(reasons, sizes=_fitted_sizes(reasons, past))
    if len(past.form) >= 12:
        reasons = _odd_runs_apart(reasons, past)
        reasons = replace(reasons, restless=_restless(reasons, past))
    return solved(reasons, past)


def _late_numbers(curves, typical_s):
    late = (np.exp(KNOTS) > 240.0) & (np.exp(KNOTS) < 2.5 * typical_s)
    values, vectors = np.linalg.eigh(curves.spread[np.ix_(late, late)])
    values, vectors = values[::-1][:SCORES], vectors[:, ::-1][:, :SCORES]
    vectors = vectors * np.where(vectors.sum(0) < 0, -1.0, 1.0)
    reader = np.zeros((SCORES, KNOTS.size))
    reader[:, late] = (vectors / np.sqrt(values)).T
    return reader, curves.spread @ reader.T


def _expected_effects(curves, forms, reader):
    """Effects of forms before history: the late part that much later, on a slope of about one."""
    extra = np.array([EXPECTED_EXTRA.get(form, 0.1) for form in forms]) - 0.1
    raised = np.where(np.exp(KNOTS) > 240.0, 1.0, 0.0)
    return np.outer(extra, reader @ raised)


def _features(past, forms):
    member = np.array([[form == name for name in forms] for form in past.form], dtype=float)
    member = member.reshape(len(past.form), len(forms))
    samples = np.log(np.maximum(past.samples, 0.5) / USUAL_SAMPLES)
    vent = np.log(np.maximum(past.vent, 0.5) / USUAL_VENT)
    return member, np.nan_to_num(samples), np.nan_to_num(np.clip(vent, -3, 4))


def _kernels(one, other):
    """Parts of the covariance of two sets of runs, (parts - 1, n, m)."""
    member, samples, vent, day = one
    member2, samples2, vent2, day2 = other
    same = member @ member2.T
    gap = np.abs(day[:, None] - day2[None, :])
    product = np.outer(samples, samples2)
    return np.stack(
        [
            same,
            same * product,
            product,
            np.outer(vent, vent2),
            np.exp(-gap / WEEKS),
            np.exp(-gap / DAYS),
        ]
    )


def _described(past, forms):
    return (*_features(past, forms), past.day)


def _noise_of_runs(reasons, past, score):
    member = _features(past, reasons.forms)[0]
    restless = reasons.restless_of(past.form)
    unknown = np.where(member.any(1), 0.0, reasons.sizes[score, 0])  # any form it may have been
    return reasons.open[:, score] + reasons.sizes[score, -1] * restless + unknown


def _centred(reasons, past, score):
    member = _features(past, reasons.forms)[0]
    return reasons.numbers[:, score] - member @ reasons.expected[:, score]


def _fitted_sizes(reasons, past):
    """Sizes of the parts for each number, by the likelihood of the past runs, step by step."""
    mine = _described(past, reasons.forms)
    kernels = _kernels(mine, mine)
    restless = reasons.restless_of(past.form)
    sizes = reasons.sizes.copy()
    for score in range(SCORES):
        y, within = _centred(reasons, past, score), reasons.open[:, score]
        y = np.clip(y, -3.5, 3.5)

        def cost(size, y=y, within=within):
            total = np.tensordot(size[:-1], kernels, 1)
            total[np.diag_indices(y.size)] += within + size[-1] * restless
            lower = np.linalg.cholesky(total)
            white = np.linalg.solve(lower, y)
            shy = 0.5 * np.sum((np.log(size / SIZES) / 1.5) ** 2)
            return 0.5 * white @ white + np.log(np.diag(lower)).sum() + shy

        size, best = sizes[score].copy(), None
        best = cost(size)
        for step in (4.0, 2.0, 1.5):
            for part in range(len(PARTS)):
                for factor in (step, 1 / step):
                    tried = size.copy()
                    tried[part] = np.clip(tried[part] * factor, 1e-3, 10.0)
                    now = cost(tried)
                    if now < best:
                        size, best = tried, now
        sizes[score] = size
    return sizes


def _odd_runs_apart(reasons, past):
    """Runs that nothing explains (a leak, a wet load) tell little about the next: open them up."""
    ready = solved(reasons, past)
    own = np.diagonal(ready.inverse, axis1=1, axis2=2)
    off2 = (ready.pull**2 / own).T / ODD**2  # left-one-out, in its own variance
    more = np.maximum(off2 - 1.0, 0.0) / own.T
    return replace(reasons, open=reasons.open + more)


def _restless(reasons, past):
    """How much more runs of a form differ than others, held to the prior by eight runs."""
    ready = solved(reasons, past)
    own = np.diagonal(ready.inverse, axis1=1, axis2=2)
    z2 = np.minimum(ready.pull**2 / own, 12.0).mean(0)  # left-one-out, in its own variance
    member = _features(past, reasons.forms)[0]
    count = member.sum(0)
    return reasons.restless * (member.T @ z2 + 8.0) / (count + 8.0)


def solved(reasons, past):
    """The same reasons, ready to expect from: what follows from past runs, worked out once."""
    n = len(past.form)
    if not n:
        return reasons
    mine = _described(past, reasons.forms)
    kernels = _kernels(mine, mine)
    inverse, pull = np.empty((SCORES, n, n)), np.empty((SCORES, n))
    for score in range(SCORES):
        total = np.tensordot(reasons.sizes[score, :-1], kernels, 1)
        total[np.diag_indices(n)] += _noise_of_runs(reasons, past, score)
        inverse[score] = np.linalg.inv(total)
        pull[score] = inverse[score] @ _centred(reasons, past, score)
    return replace(reasons, inverse=inverse, pull=pull, described=mine)


def expect(reasons, past, load, form_rows):
    """The late numbers of a run about to start, for several candidate forms at once.

    Takes:   reasons; past; load, a Past of one row; form_rows (c, forms), 1 at the candidate's form.
    Returns: means (c, q) and variances (c, q).
    """
    count = form_rows.shape[0]
    _, samples, vent = (np.repeat(part, count, axis=0) for part in _features(load, reasons.forms))
    mine = (form_rows, samples, vent, np.repeat(load.day, count))
    own = np.ones((len(PARTS) - 1, count))
    own[0] = form_rows.sum(1)
    # what is not known may be anything usual
    unsure = SAMPLES_UNKNOWN if np.isnan(load.samples[0]) else samples**2
    own[1], own[2] = unsure * own[0], unsure
    own[3] = VENT_UNKNOWN if np.isnan(load.vent[0]) else vent**2
    restless = form_rows @ reasons.restless
    means, variances = np.empty((count, SCORES)), np.empty((count, SCORES))
    if len(past.form):
        kernels = _kernels(mine, reasons.described or _described(past, reasons.forms))
    for score in range(SCORES):
        size = reasons.sizes[score]
        whole = size[:-1] @ own + size[-1] * restless
        means[:, score] = form_rows @ reasons.expected[:, score]
        if len(past.form):
            k = np.tensordot(size[:-1], kernels, 1)
            means[:, score] += k @ reasons.pull[score]
            whole = whole - ((k @ reasons.inverse[score]) * k).sum(1)
        variances[:, score] = np.maximum(whole, 0.02)
    return means, variances


def one_ahead(reasons, past):
    """What would have been expected of each past run from the runs before it alone.

    Returns: means (n, q), variances (n, q), of its late numbers.
    """
    n = len(past.form)
    mine = _described(past, reasons.forms)
    kernels = _kernels(mine, mine)
    means, variances = np.empty((n, SCORES)), np.empty((n, SCORES))
    for score in range(SCORES):
        total = np.tensordot(reasons.sizes[score, :-1], kernels, 1)
        total[np.diag_indices(n)] += _noise_of_runs(reasons, past, score)
        lower = np.linalg.cholesky(total)
        y = _centred(reasons, past, score)
        white = np.linalg.solve(lower, y)
        own = np.diag(lower)
        means[:, score] = reasons.numbers[:, score] - own * white
        variances[:, score] = np.maximum(own**2 - reasons.open[:, score], 0.02)
    return means, variances


def form_effects(reasons, past):
    """What being of each form does to the late numbers, (forms, q)."""
    member = _features(past, reasons.forms)[0]
    return reasons.expected + reasons.sizes[:, 0] * (member.T @ reasons.pull.T)


def of_forms(reasons, form, rows, mean, variance, effects):
    """Late numbers expected of a run (mean, variance, (q,)) had it been of other forms.

    Returns: means (c, q), variances (c, q) for the forms of `rows` (c, forms).
    """
    known = form in reasons.forms
    own = effects[reasons.forms.index(form)] if known else 0.0
    without = variance if known else np.maximum(variance - reasons.sizes[:, 0], 0.02)
    return mean + rows @ effects - own, np.tile(without, (rows.shape[0], 1))
