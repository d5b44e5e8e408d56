"""Hours of parts: a step that is typed late changes what was counted by what it changes."""

from datetime import timedelta

import pytest
from django.utils import timezone

from bookings import counting, run
from facility import log
from facility.models import PartLife
from tests import build

pytestmark = pytest.mark.django_db

DAY = timezone.now().replace(hour=0, minute=0, second=0, microsecond=0) - timedelta(days=3)
ON, OFF = "xrays", "idle"


@pytest.fixture
def told(lab):
    """Write (hour, state) steps of the source into an open session and count them."""
    part = build.source(lab.instrument, by=lab.dee)
    PartLife.objects.filter(part=part).update(began_at=DAY - timedelta(days=40))
    session = run.sign_on(instrument=lab.instrument, by=lab.ben)

    def tell(*steps):
        for hour, state in steps:
            log.write(
                log=session.log, kind="step", by=lab.ben, data={"sets": {"sources": state}},
                happened_at=DAY + timedelta(hours=hour),
            )  # fmt: skip
        counting.count_use(lab.instrument)
        return PartLife.objects.get(part=part)

    return tell


@pytest.mark.parametrize(
    ("counted", "late", "hours", "on_at"),
    [
        ([(15, ON), (17, OFF)], [(10, ON), (12, OFF)], 4, None),
        ([(9, ON), (17, OFF)], [(11, OFF), (13, ON)], 6, None),
        ([(9, ON)], [(11, OFF), (13, ON)], 2, 13),
        ([(9, ON)], [(11, OFF)], 2, None),
        ([(15, ON), (17, OFF)], [(10, ON)], 7, None),
        ([(9, OFF)], [(7, ON)], 2, None),
        ([(9, ON), (17, OFF)], [(12, ON)], 8, None),
    ],
)
def test_given_counted_hours_when_paper_is_typed_late_then_they_are_what_really_was(
    told, counted, late, hours, on_at
):
    told((1, OFF), *counted, (18, ""))

    life = told(*late)

    assert life.seconds == pytest.approx(hours * 3600)
    assert life.on_since == (None if on_at is None else DAY + timedelta(hours=on_at))


def test_given_a_source_that_runs_since_long_when_an_earlier_end_is_typed_then_its_hours_count(
    told,
):
    told((-24 * 20, ON))
    told((20, ""))

    life = told((6, OFF))

    assert life.seconds == pytest.approx((24 * 20 + 6) * 3600)
    assert life.on_since is None
