"""Learning from pump-downs as tick does it: added one by one, and wholly now and then."""

from datetime import UTC, datetime

import pytest
from django.utils import timezone

from bookings import demo, learning
from bookings.models import Learned, PumpDown
from facility.models import Chamber
from facility.vacuum import forecast as science

pytestmark = pytest.mark.django_db
FIRST, LATER = 14, 4


@pytest.fixture
def chamber(db):
    """An introduction chamber that learned from its first pump-downs; some wait."""
    demo.fill(sessions=60, now=datetime(2026, 11, 20, 9, 0, tzinfo=UTC))
    chamber = Chamber.objects.filter(kind="introduction").select_related("instrument").first()
    Learned.objects.filter(chamber=chamber).delete()
    rows = list(ended(chamber))
    known = [learning.run_of(row) for row in rows[:FIRST]]
    learned = science.learn(known, chamber.instrument.threshold_pa)
    Learned.objects.create(
        chamber=chamber, version=science.VERSION, document=science.as_json(learned),
        runs=learned.runs, limit=0.0, limit_at=learned.runs, last=rows[FIRST - 1],
        made_at=timezone.now(),
    )  # fmt: skip
    wait(rows[FIRST : FIRST + LATER])
    return chamber


def ended(chamber):
    return PumpDown.objects.ended().filter(chamber=chamber, load__isnull=False).order_by(
        "started_at"
    )  # fmt: skip


def wait(rows):
    PumpDown.objects.filter(pk__in=[row.pk for row in rows]).update(learned_from=False)


def test_given_few_waiting_pump_downs_when_brought_up_to_date_then_they_are_added(chamber):
    count = learning.bring_up_to_date(chamber)

    row = learning.newest_row(chamber)
    assert count == LATER
    assert row.runs == FIRST + LATER
    assert row.document["fitted_on"] == FIRST
    assert row.limit_at == FIRST
    assert learning.bring_up_to_date(chamber) == 0


def test_given_enough_added_since_when_brought_up_to_date_then_all_is_learned_anew(
    chamber, monkeypatch
):
    monkeypatch.setattr(learning, "WHOLLY_EVERY", LATER + 2)
    learning.bring_up_to_date(chamber)
    assert learning.newest_row(chamber).document["fitted_on"] == FIRST
    wait(list(ended(chamber))[FIRST + LATER : FIRST + 2 * LATER])

    count = learning.bring_up_to_date(chamber)

    row = learning.newest_row(chamber)
    assert count == LATER
    assert row.document["fitted_on"] == row.runs == ended(chamber).count()
    assert row.limit_at == row.runs


def test_given_the_most_that_is_kept_when_learned_wholly_then_the_count_begins_anew(
    chamber, monkeypatch
):
    monkeypatch.setattr(learning, "KEPT", FIRST)
    monkeypatch.setattr(learning, "WHOLLY_EVERY", LATER)

    learning.bring_up_to_date(chamber)

    row = learning.newest_row(chamber)
    assert row.runs == row.document["fitted_on"] == row.limit_at == FIRST
