import io
import tracemalloc

import numpy as np

from facility.management.commands.pumpdown import run_document
from facility.vacuum.drift import alarms
from facility.vacuum.forecast import in_turn
from facility.vacuum.run_table import read_runs
from facility.vacuum.shelf import READINGS, Shelf
from tests.simulator.laboratory import laboratory

HEADER = "run_id,instrument,started_at,t_s,pressure,unit,gauge\n"


def test_given_runs_on_a_shelf_when_taken_in_any_order_then_they_are_as_they_were():
    (case,) = laboratory(41, past=3, tests=1, faults=False, instruments=1)
    runs, shelf = [sim.run for sim in case.history], Shelf()

    kept = [shelf.put(run) for run in runs]

    for run, one in reversed(list(zip(runs, kept, strict=True))):
        for name in READINGS:
            assert getattr(one, name).tolist() == getattr(run, name).tolist()
        assert (one.run_id, one.started_at, one.ended_at) == (
            run.run_id,
            run.started_at,
            run.ended_at,
        )
        assert one.until(900.0).t_s.tolist() == run.until(900.0).t_s.tolist()


def test_given_runs_on_a_shelf_when_answered_then_not_a_digit_differs():
    (case,) = laboratory(42, past=30, tests=6, faults=False, instruments=1)
    past, runs = ([sim.run for sim in sims] for sims in (case.history, case.tests))
    shelf = Shelf()

    def said(past, runs):
        turns = in_turn(past, runs, case.threshold_pa)
        return [run_document(run, learned, [0.0, 1200.0]) for run, learned in turns]

    whole = said(past, runs)
    kept = said([shelf.put(run) for run in past], [shelf.put(run) for run in runs])

    assert kept == whole
    assert alarms(past, runs, case.threshold_pa) == alarms(
        [shelf.put(run) for run in past], [shelf.put(run) for run in runs], case.threshold_pa
    )


def test_given_a_long_table_when_put_on_a_shelf_then_memory_does_not_grow_with_its_rows():
    def peak(runs, rows):
        text = HEADER + "".join(
            f"r{i},A,2026-03-02T09:00:00Z,{row}0,1e-3,mbar,IG\n"
            for i in range(runs)
            for row in range(rows)
        )
        stream, shelf = io.BufferedReader(io.BytesIO(text.encode())), Shelf()
        tracemalloc.start()
        kept = [shelf.put(run) for run in read_runs(stream)]
        highest = tracemalloc.get_traced_memory()[1]
        tracemalloc.stop()
        assert np.sum([run.t_s.size for run in kept]) == runs * rows
        return highest / 1e6

    some, all_of_them = peak(25, 500), peak(75, 500)

    assert all_of_them < some + 4.5  # MB: what a shelf may hold before it goes to the disk
    assert peak(1, 12_500) < some + 2
