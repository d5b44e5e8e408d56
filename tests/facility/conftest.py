"""Logs to read and to forge."""

import pytest
from django.db import connection

from facility import guards, log


@pytest.fixture
def chain(lab):
    """A session's log of four entries, sealed once in the instrument's log."""
    made = log.open_log(kind="session", instrument=lab.instrument, by=lab.ben)
    for n in range(4):
        log.write(log=made, kind="note", by=lab.ben, data={"says": f"line {n}", "p": 1.2e-6})
    log.seal(log=made, by=lab.ben)
    made.refresh_from_db()
    return made


@pytest.fixture
def other(lab, chain):
    """Another session's log on the same instrument, with three entries and no seal."""
    made = log.open_log(kind="session", instrument=lab.instrument, by=lab.ben)
    for n in range(3):
        log.write(log=made, kind="note", by=lab.ben, data={"says": f"other {n}"})
    made.refresh_from_db()
    return made


@pytest.fixture
def unguarded(chain):
    """The database as someone finds it who got past the guards; the test's rollback restores them."""
    connection.check_constraints()  # PostgreSQL drops no trigger while references wait
    guards.take_down(connection)
