"""Measures what the figures of the method pages show, on fresh simulated laboratories, into a CSV.

.venv/bin/python -m tools.measure SEED SEED        (some minutes; then `make figures`)
"""

import csv
import sys
from datetime import UTC, datetime
from pathlib import Path

import numpy as np

from facility.vacuum.diagnosis import diagnose, limit_of
from facility.vacuum.forecast import forecast, learn
from tests.simulator import score
from tests.simulator.baselines import BASELINES
from tests.simulator.laboratory import cut, laboratory

MEASURED = Path(__file__).parent.parent / "docs" / "figures" / "measured.csv"
TESTS = 30  # ordinary runs of an instrument; 24 faulty ones come with them
COLUMNS = ("figure", "of", "at", "value", "low", "high", "count")
ASKED_MIN = (5, 10, 20, 30)


def by_moment(name, found):
    """Rows of the median error at each moment, over all, and the scores beside it."""
    for kind in dict.fromkeys(answer.kind for answer in found):
        part = [answer for answer in found if answer.kind == kind]
        yield "error", name, kind, middle(score.errors(part)), "", "", len(part)
    asked = [answer for answer in found if answer.kind != "0 min"]
    late = score.errors([answer for answer in found if answer.kind == "20 min"])
    answered = np.mean([answer.said is not None for answer in found])
    for at, value in (
        ("all", middle(score.errors(asked))),
        ("90th", float(np.quantile(late, 0.9))),
        ("covers", float(np.mean(score.covered(asked)))),
        ("score", float(np.mean(score.winkler(asked)))),
        ("answered", float(answered)),
    ):
        yield "table", name, at, value, "", "", len(asked)


def by_form(found):
    """Rows of how often the interval of 80 % held, with two standard errors of the count."""
    asked = [answer for answer in found if answer.kind != "0 min"]
    for form in sorted({answer.form for answer in asked}):
        held = score.covered([answer for answer in asked if answer.form == form])
        unsure = 2 * np.sqrt(held.mean() * (1 - held.mean()) / held.size)
        yield (
            "covers",
            form,
            0.8,
            held.mean(),
            held.mean() - unsure,
            held.mean() + unsure,
            held.size,
        )


def middle(values):
    return float(np.median(values)) if len(values) else float("nan")


def one_run(cases):
    """Rows of the first ordinary logger's run of 40 to 70 min: readings, forecasts, the truth."""
    case, sim = next(
        (case, sim)
        for case in cases
        for sim in case.tests
        if sim.fault == "none" and not sim.hand and 2400 < sim.true_s < 4200
    )
    learned = learn([past.run for past in case.history], case.threshold_pa)
    yield "run", "truth", sim.true_s, case.threshold_pa, "", "", len(case.history)
    for at_s, pressure in zip(sim.run.t_s, sim.run.pressure_pa, strict=True):
        yield "run", "reading", at_s, pressure, "", "", ""
    for minutes in ASKED_MIN:
        said = forecast(learned, cut(sim, minutes * 60.0).run, minutes * 60.0)
        yield "run", "forecast", minutes, said.ready_s, said.low80_s, said.high80_s, ""


def scores(cases):
    """Rows of the score of every test run less its instrument's limit; above 0 is unusual."""
    for case in cases:
        past = [sim.run for sim in case.history]
        learned = learn(past, case.threshold_pa)
        limit = limit_of(learned, past)
        for sim in case.tests:
            said = diagnose(learned, sim.run, limit)
            kind = " ".join(filter(None, (sim.fault, sim.strength)))
            yield "score", kind, int(said.unusual), said.score, "", "", said.cause


def rows(seeds):
    """All rows, the slowest last."""
    yield "made", " and ".join(map(str, seeds)), f"{datetime.now(UTC):%Y-%m-%d}", TESTS, "", "", ""
    cases = [case for seed in seeds for case in laboratory(seed, tests=TESTS)]
    yield from one_run(cases)
    yield from scores(cases)
    for name, forecaster in {"Holdfast": score.product, **BASELINES}.items():
        found, _, _ = score.answers(forecaster, cases)
        yield from by_moment(name, found)
        if name == "Holdfast":
            yield from by_form(found)


def plain(value):
    return f"{value:.6g}" if isinstance(value, float) else value


def main():
    seeds = [int(text) for text in sys.argv[1:]]
    measured = [[plain(value) for value in row] for row in rows(seeds)]
    with MEASURED.open("w", newline="", encoding="utf-8") as lines:
        csv.writer(lines, lineterminator="\n").writerows([COLUMNS, *measured])


if __name__ == "__main__":
    main()
