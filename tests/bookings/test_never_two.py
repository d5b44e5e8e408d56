"""Many processes press Book, Move and Close at once: for every hour at most one standing booking."""

import json
import os
import subprocess
import sys
import time
from datetime import timedelta
from pathlib import Path

import pytest
from django.db import connection
from django.utils import timezone

from bookings.models import Booking, BookingRules
from tests import build
from tests.bookings.never_two import HOURS

ROOT = Path(__file__).parent.parent.parent
pytestmark = pytest.mark.django_db(transaction=True)


def overlapping():
    """Pairs of standing rows of one place that share a moment, counted in plain Python."""
    found, last = [], {}
    for row in Booking.objects.standing().order_by("place", "starts_at"):
        before = last.get(row.place_id)
        if before is not None and before.ends_at > row.starts_at:
            found.append((before.pk, row.pk))
        last[row.place_id] = row
    return found


def press(kind, *, processes, each):
    """Start the processes at one moment and gather what they were told."""
    first = timezone.now().replace(minute=0, second=0, microsecond=0) + timedelta(days=2)
    settings = {name: connection.settings_dict[name] for name in ("NAME", "HOST", "USER", "PORT")}
    # from the file system, not from memory: every process opens the same database
    environment = os.environ | {
        "DJANGO_SETTINGS_MODULE": "tests.bookings.never_two_settings",
        "NEVER_TWO_DATABASE": json.dumps({name: str(value) for name, value in settings.items()}),
        "PYTHONDONTWRITEBYTECODE": "1",
    }
    connection.close()
    go = time.time() + 6
    running = [
        subprocess.Popen(
            [sys.executable, "-m", "tests.bookings.never_two", kind, str(seed), str(each),
             first.isoformat(), str(go)],
            cwd=ROOT, env=environment, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
        )
        for seed in range(processes)
    ]  # fmt: skip
    told = []
    for process in running:
        out, err = process.communicate(timeout=1200)
        assert process.returncode == 0, err[-2000:]
        told.append(json.loads(out.splitlines()[-1]))
    return told, first


@pytest.fixture
def house(transactional_db):
    """Quayside with ten people who may book at any hour; loading holds nothing beside."""
    lab = build.lab()
    for number in range(9):
        build.qualify(
            build.person(f"Booker{number} Rush", group=lab.ben.group), lab.instrument, by=lab.dee
        )
    BookingRules.objects.create(instrument=lab.instrument, loading_min=0, horizon_days=60)
    return lab


def check(kind, processes, each):
    told, first = press(kind, processes=processes, each=each)

    assert [row["raised"] for row in told if row["raised"]] == []
    assert overlapping() == []
    standing = Booking.objects.standing().filter(place__kind="stage")
    if kind == "book":  # 40 hours, each pressed about ten times: exactly one winner each
        pressed = sum(row["booked"] + row["refused"] for row in told)
        assert pressed == processes * each
        assert standing.count() == sum(row["booked"] for row in told) == HOURS
        starts = set(standing.values_list("starts_at", flat=True))
        assert starts == {first + timedelta(hours=n) for n in range(HOURS)}
    if kind == "close":
        assert sum(row["closed"] for row in told) == standing.closures().count() > 0
        for closure in standing.closures():
            touching = standing.touching(closure.starts_at, closure.ends_at)
            assert list(touching) == [closure]
    if kind == "move":
        assert sum(row["moved"] for row in told) > 0


@pytest.mark.parametrize("kind", ["book", "move", "close"])
def test_given_eight_processes_when_they_press_at_once_then_no_hour_is_held_twice(house, kind):
    check(kind, processes=8, each=50 if kind == "book" else 25)


@pytest.mark.soak
@pytest.mark.parametrize("kind", ["book", "move", "close"])
def test_given_eight_processes_with_400_presses_each_then_no_hour_is_held_twice(house, kind):
    check(kind, processes=8, each=400)
