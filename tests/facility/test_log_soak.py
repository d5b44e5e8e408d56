"""Writers of several processes at one log, one of them killed on the way; only in make soak."""

import multiprocessing
import os
import signal
import time

import pytest
from django.db import connections

from facility import log
from facility.verify import verify
from tests import build

pytestmark = [pytest.mark.soak, pytest.mark.django_db(transaction=True)]
WRITERS, EACH = 4, 500


def write(made, by, wrote):
    connections.close_all()  # a connection is never shared with the process it was opened in
    for n in range(EACH):
        log.write(log=made, kind="note", by=by, data={"n": n})
        wrote.value = n + 1
        if n % 50 == 49:
            log.seal(log=made, by=by)


def test_given_four_processes_when_one_is_killed_while_it_writes_then_the_log_holds():
    lab = build.lab()
    made = log.open_log(kind="session", instrument=lab.instrument, by=lab.ben)
    connections.close_all()
    fork = multiprocessing.get_context("fork")
    wrote = [fork.Value("i", 0) for _ in range(WRITERS)]
    writers = [fork.Process(target=write, args=(made, lab.ben, count)) for count in wrote]

    for writer in writers:
        writer.start()
    while wrote[0].value < EACH // 4:
        assert writers[0].is_alive()
        time.sleep(0.001)
    os.kill(writers[0].pid, signal.SIGKILL)
    for writer in writers:
        writer.join(timeout=300)

    assert [writer.exitcode for writer in writers] == [-signal.SIGKILL, 0, 0, 0]
    killed, *others = (count.value for count in wrote)
    assert others == [EACH] * (WRITERS - 1)
    numbers = list(made.entries.values_list("n", flat=True))
    assert numbers == list(range(1, len(numbers) + 1))
    # what the killed one had written it had; at most the one it was writing may stand besides
    assert sum(others) + killed <= len(numbers) <= sum(others) + killed + 1
    assert verify().broken == []
