"""What the computations cost that open no database: proof, forecast, diagnosis, holders."""

import statistics
import time

ROWS = """
## Without a database

| what | time | aim |
| --- | --- | --- |
{rows}
"""
SHEETS = ("photoelectron", "electron_microscope")  # the complete ones
PAST, NEXT = 150, 20  # runs learned from, runs asked about
SAMPLES = 12


def section():
    """The section of the page, measured here and now."""
    return ROWS.format(rows="\n".join([*proving(), *forecasting(), *placing()]))


def row(words, seconds, aim):
    """A line of the table; time in the unit that suits it."""
    spent = f"{seconds:.2f} s" if seconds >= 1 else f"{seconds * 1000:.1f} ms"
    return f"| {words} | {spent} | {aim} |"


def timed(act, *given):
    """What `act` answers, and the seconds that took."""
    start = time.perf_counter()
    answer = act(*given)
    return answer, time.perf_counter() - start


def proving():
    """Each shipped sheet, in a world where any device may become unknown at any moment."""
    from facility import interlocks, shipped

    for name in SHEETS:
        sheet = interlocks.with_anything_lost(interlocks.read(shipped.document(name)))
        proof, spent = timed(interlocks.prove, sheet)
        states = f"{proof.states:,} states, unknown ones included"
        yield row(f"proof of the shipped sheet {name}, {states}", spent, "2 s")


def forecasting():
    """One simulated instrument: learning its past, then each of its next runs."""
    from facility.vacuum.diagnosis import diagnose, limit_of
    from facility.vacuum.forecast import add, forecast, learn
    from tests.simulator.laboratory import laboratory

    (case,) = laboratory(1, past=PAST, tests=NEXT, instruments=1, faults=False)
    runs = [one.run for one in case.history]
    after = [one.run for one in case.tests]
    learned, spent = timed(learn, runs, case.threshold_pa)
    yield row(f"learning {PAST} pump-downs", spent, "1 s")
    yield row("one more learned", typical(add, [(learned, run) for run in after]), "50 ms")
    half = [(learned, run, float(run.t_s[-1]) / 2) for run in after]
    yield row("forecast in the middle of a run", typical(forecast, half), "2 ms")
    limit = limit_of(learned)
    whole = [(learned, run, limit) for run in after]
    yield row("diagnosis of a run", typical(diagnose, whole), "20 ms")


def typical(act, calls):
    """Median seconds of `act` over these calls, after one that is not counted."""
    act(*calls[0])
    return statistics.median(timed(act, *given)[1] for given in calls)


def placing():
    """A holder of twelve samples: what can go wrong with it, and where each should lie."""
    from samples.arrangement import arrange
    from samples.layout import read_layout
    from samples.risks import assess

    disc = {"shape": "disc", "diameter_mm": 4, "x_mm": 0, "y_mm": 0}
    mounts = [
        {"id": f"p{n}", "footprint": disc, "form": "powder", "composition": "TiO2"}
        for n in range(SAMPLES)
    ]
    layout = read_layout({"holder": {"shape": "disc", "diameter_mm": 25.4}, "mounts": mounts})
    placed, spent = timed(arrange, layout)
    yield row(f"places for {SAMPLES} samples on one holder", spent, "")
    yield row(f"findings on {SAMPLES} samples", typical(assess, [(placed,)] * 10), "")
