"""Scores forecasts, diagnosis and drift on simulated laboratories, as one table.

    .venv/bin/python -m tests.simulator.score --seeds 1 2 [--baselines] [--diagnosis] [--drift]

Errors and intervals are in ln of the time remaining. Only runs without a fault and with a true
crossing are asked. Held-back seeds start at laboratory.HELD_BACK: report them, tune on others.
"""

import argparse
import importlib
import time
from dataclasses import dataclass

import numpy as np

from tests.simulator import other_physics
from tests.simulator.baselines import BASELINES
from tests.simulator.laboratory import FAULTS, cut, drift_case, laboratory

MINUTES = (0, 5, 10, 20, 30)
SHARES = (0.25, 0.50, 0.75)
OUTSIDE = 2 / 0.2  # weight of a miss in the interval score of an 80 % interval


@dataclass
class Answer:
    """One question with its truth."""

    kind: str
    form: str
    family: str
    hand: bool
    overnight: bool
    at_s: float
    true_s: float
    said: tuple | None


def questions(sim):
    """(kind, seconds) of every question that a run is asked."""
    for minutes in MINUTES:
        if minutes * 60 < sim.true_s - 30:
            yield f"{minutes} min", minutes * 60.0
    for share in SHARES:
        yield f"{share:.0%}", share * sim.true_s


def product(history, threshold_pa):
    """The product's own forecaster in the shape of a baseline."""
    forecasting = importlib.import_module("facility.vacuum.forecast")
    learned = forecasting.learn(history, threshold_pa)

    def ask(run, at_s):
        said = forecasting.forecast(learned, run, at_s)
        return said.ready_s, said.low80_s, said.high80_s

    return ask


def answers(forecaster, cases, past=None):
    """Every Answer of a forecaster; seconds to learn (per case) and to forecast (each)."""
    found, learning, asking = [], [], []
    for case in cases:
        began = time.perf_counter()
        history = _last([sim.run for sim in case.history], past)
        ask = forecaster(history, case.threshold_pa)
        learning.append(time.perf_counter() - began)
        for sim in case.tests:
            if sim.fault != "none" or not np.isfinite(sim.true_s):
                continue
            for kind, at_s in questions(sim):
                so_far = cut(sim, at_s).run
                began = time.perf_counter()
                said = ask(so_far, at_s)
                asking.append(time.perf_counter() - began)
                found.append(
                    Answer(
                        kind,
                        sim.form,
                        case.family,
                        sim.hand,
                        bool(sim.seen),
                        at_s,
                        sim.true_s,
                        said if said and np.all(np.isfinite(said)) else None,
                    )
                )
    return found, learning, asking


def _last(runs, past):
    return runs if past is None else runs[len(runs) - past :]


def errors(found):
    """|ln error| of the time remaining, shape (n,)."""
    return np.array(
        [
            abs(np.log(max(a.said[0] - a.at_s, 1.0) / (a.true_s - a.at_s)))
            for a in found
            if a.said is not None
        ]
    )


def covered(found):
    return np.array([a.said[1] <= a.true_s <= a.said[2] for a in found if a.said is not None])


def winkler(found):
    """Interval score in ln of the time remaining, shape (n,)."""
    scores = []
    for a in found:
        if a.said is None:
            continue
        low, high = (np.log(max(edge - a.at_s, 1.0)) for edge in a.said[1:])
        true = np.log(a.true_s - a.at_s)
        scores.append(high - low + OUTSIDE * (max(low - true, 0) + max(true - high, 0)))
    return np.array(scores)


def forecast_table(found):
    """Lines of the forecast part; the start (0 min) is shown and not part of "over all"."""
    asked = [a for a in found if a.kind != "0 min"]
    lines = []
    kinds = [f"{m} min" for m in MINUTES] + [f"{s:.0%}" for s in SHARES]
    by_kind = {k: [a for a in found if a.kind == k] for k in kinds}
    lines.append(
        "median |ln err|   "
        + "  ".join(f"{k} {_middle(errors(v)):.3f}" for k, v in by_kind.items())
    )
    late = errors(by_kind["20 min"])
    lines.append(
        f"over all {_middle(errors(asked)):.3f}   90th percentile at 20 min "
        f"{np.quantile(late, 0.9) if late.size else np.nan:.3f}   "
        f"answered {np.mean([a.said is not None for a in found]):.3f}"
    )
    lines.append(
        f"80 % covers {np.mean(covered(asked)):.3f}   "
        + "  ".join(f"{k} {np.mean(covered(v)):.2f}" for k, v in by_kind.items())
    )
    forms = sorted({a.form for a in asked})
    lines.append(
        "  by form   "
        + "  ".join(f"{f} {np.mean(covered([a for a in asked if a.form == f])):.2f}" for f in forms)
    )
    lines.append(f"interval score {np.mean(winkler(asked)):.3f}")
    for name, part in {
        "hand": [a for a in asked if a.hand and not a.overnight],
        "logger": [a for a in asked if not a.hand],
        "overnight": [a for a in asked if a.overnight],
        **{f: [a for a in asked if a.family == f] for f in sorted({a.family for a in asked})},
    }.items():
        if part:
            lines.append(
                f"  {name:11} n {len(part):5}  over all {_middle(errors(part)):.3f}  "
                f"covers {np.mean(covered(part)):.2f}  score {np.mean(winkler(part)):.3f}"
            )
    return lines


def _middle(values):
    return float(np.median(values)) if len(values) else float("nan")


def diagnosis_table(cases):
    """Lines of the diagnosis part, from facility.vacuum.diagnosis."""
    forecasting = importlib.import_module("facility.vacuum.forecast")
    diagnosing = importlib.import_module("facility.vacuum.diagnosis")
    rows, spent = [], []
    for case in cases:
        past = [sim.run for sim in case.history]
        learned = forecasting.learn(past, case.threshold_pa)
        limit = diagnosing.limit_of(learned, past)
        for sim in case.tests:
            began = time.perf_counter()
            said = diagnosing.diagnose(learned, sim.run, limit)
            spent.append(time.perf_counter() - began)
            rows.append((sim.fault, sim.strength, said.unusual, said.cause, said.second_cause))
    normal = [r for r in rows if r[0] == "none"]
    lines = [f"false alarms {np.mean([r[2] for r in normal]):.3f} of {len(normal)}"]
    for strength in ("clear", "mild"):
        some = [r for r in rows if r[1] == strength]
        lines.append(
            f"{strength:5} found {np.mean([r[2] for r in some]):.2f}  cause right "
            f"{np.mean([r[3] == r[0] for r in some]):.2f}  among two "
            f"{np.mean([r[0] in r[3:5] for r in some]):.2f}   "
            + "  ".join(f"{f} {np.mean([r[2] for r in some if r[0] == f]):.2f}" for f in FAULTS)
        )
    lines.append(f"diagnosis of a run {1e3 * np.median(spent):.1f} ms")
    return lines


def drift_table(seeds, stable, drift_case=drift_case):
    """Lines of the drift part, from facility.vacuum.drift: alarms(history, runs, threshold)."""
    drifting = importlib.import_module("facility.vacuum.drift")
    lines = []
    for kind in ("speed", "leak"):
        found, delays = 0, []
        for seed in seeds:
            case = drift_case(seed, kind)
            index = _alarm_places(drifting, case)
            later = [i for i in index if i >= 20]
            found += bool(later)
            delays += [later[0] - 20] if later else []
        lines.append(f"drift {kind}: found {found} of {len(seeds)}, median delay {_middle(delays)}")
    false, runs = 0, 0
    for seed in stable:
        case = drift_case(seed, "stable")
        false += len(_alarm_places(drifting, case))
        runs += len(case.tests)
    lines.append(f"stable: {100 * false / runs:.2f} false alarms per 100 runs")
    return lines


def _alarm_places(drifting, case):
    ids = [sim.run.run_id for sim in case.tests]
    alarms = drifting.alarms(
        [sim.run for sim in case.history], [sim.run for sim in case.tests], case.threshold_pa
    )
    return [ids.index(alarm.run_id) for alarm in alarms]


def _cases(seed, options):
    if options.other:
        return other_physics.laboratory(seed, tests=options.tests, faults=options.diagnosis)
    return laboratory(
        seed,
        family=options.family,
        tests=options.tests,
        faults=options.diagnosis,
        hard=options.hard,
        usual=options.usual,
    )


def main():
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seeds", type=int, nargs="+", default=[1, 2])
    parser.add_argument("--family")
    parser.add_argument("--past", type=int, help="use only the last N past runs")
    parser.add_argument("--tests", type=int, default=60)
    parser.add_argument("--hard", action="store_true", help="careless laboratories")
    parser.add_argument("--other", action="store_true", help="the other simulator's physics")
    parser.add_argument("--usual", type=float, default=50.0, help="minutes to the threshold")
    parser.add_argument("--baselines", action="store_true")
    parser.add_argument("--diagnosis", action="store_true")
    parser.add_argument("--drift", action="store_true")
    parser.add_argument("--no-product", action="store_true")
    options = parser.parse_args()
    cases = []
    for seed in options.seeds:
        cases += _cases(seed, options)
    forecasters = {} if options.no_product else {"product": product}
    if options.baselines:
        forecasters |= BASELINES
    for name, forecaster in forecasters.items():
        found, learning, asking = answers(forecaster, cases, options.past)
        print(f"== {name}")
        print("\n".join(forecast_table(found)))
        print(
            f"learning {np.median(learning):.3f} s (largest {np.max(learning):.3f}), forecast "
            f"{1e3 * np.median(asking):.2f} ms (95 %: {1e3 * np.quantile(asking, 0.95):.2f} ms)"
        )
    if options.diagnosis:
        print("\n".join(diagnosis_table(cases)))
    if options.drift:
        cases = other_physics.drift_case if options.other else drift_case
        stable = range(options.seeds[0], options.seeds[0] + 20)
        print("\n".join(drift_table(options.seeds, stable, cases)))


if __name__ == "__main__":
    main()
