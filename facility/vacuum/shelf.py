"""Runs put aside: their readings lie in a file without a name, those of one run in memory.

So a table of any length can be answered run by run, in another order than that of the table.
"""

import pickle
import tempfile

from facility.vacuum.runs import Run

IN_MEMORY = 4_000_000  # bytes; a table of a few ten thousand rows never touches the disk
READINGS = ("t_s", "pressure_pa", "gauge", "source", "event")


class Shelf:
    """Where runs are put aside; it is emptied with the process."""

    def __init__(self):
        self._file = tempfile.SpooledTemporaryFile(max_size=IN_MEMORY)  # noqa: SIM115
        self._place, self._run = None, None

    def put(self, run):
        """The same run, with its readings on the shelf.

        Takes:   run.   Returns: Shelved, which is used like a Run.
        Raises:  OSError where the disk is full.
        """
        place = self._file.seek(0, 2)
        pickle.dump([getattr(run, name) for name in READINGS], self._file, protocol=5)
        return Shelved(self, place, run)

    def readings(self, place):
        """The Run's arrays that lie at `place`; those asked for last stay in memory."""
        if place != self._place:
            self._file.seek(place)
            self._place, self._run = place, pickle.load(self._file)
        return self._run


class Shelved:
    """A run whose readings lie on a shelf: what is known of it besides, and its readings on demand."""

    __slots__ = (
        "_place", "_shelf", "ended_at", "form", "instrument", "run_id", "samples", "started_at",
        "unread", "vent_minutes",
    )  # fmt: skip

    def __init__(self, shelf, place, run):
        self._shelf, self._place = shelf, place
        self.run_id, self.instrument = run.run_id, run.instrument
        self.started_at, self.ended_at = run.started_at, run.ended_at
        self.form, self.samples, self.vent_minutes = run.form, run.samples, run.vent_minutes
        self.unread = run.unread

    def _reading(self, name):
        return self._shelf.readings(self._place)[READINGS.index(name)]

    t_s = property(lambda self: self._reading("t_s"))
    pressure_pa = property(lambda self: self._reading("pressure_pa"))
    gauge = property(lambda self: self._reading("gauge"))
    source = property(lambda self: self._reading("source"))
    event = property(lambda self: self._reading("event"))

    def whole(self):
        """The Run, all of it in memory."""
        return Run(
            self.run_id,
            self.instrument,
            self.started_at,
            self.form,
            self.samples,
            self.vent_minutes,
            *self._shelf.readings(self._place),
            self.unread,
        )

    def until(self, at_s):
        return self.whole().until(at_s)

    def only(self, rows):
        return self.whole().only(rows)
