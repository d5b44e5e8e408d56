"""A pump-down's expectation against what came, on the finished load's page."""

from datetime import datetime, timedelta

import pytest
from django.urls import reverse
from django.utils import timezone

from bookings import expected, inside, learning, pump, run
from facility.models import Gauge

pytestmark = pytest.mark.django_db

START = timezone.make_aware(datetime(2026, 11, 2, 9))
KEPT = {"low_s": 3600, "ready_s": 5400, "high_s": 9000, "runs": 40}


@pytest.fixture
def pumping(lab):
    """Ben's load, pumped since nine."""
    lab.session = run.sign_on(instrument=lab.instrument, by=lab.ben)
    lab.load = inside.open_load(session=lab.session, holder=lab.holder, by=lab.ben, moment=START)
    chamber = lab.instrument.chambers.get(kind="introduction")
    lab.pumped = pump.start(chamber=chamber, by=lab.ben, load=lab.load, started_at=START)
    return lab


def read(lab, minutes, text):
    gauge = Gauge.objects.select_related("chamber").get(code="quayside-intro")
    at = START + timedelta(minutes=minutes)
    pump.type_pressure(gauge=gauge, by=lab.ben, text=text, happened_at=at)


def ended(lab, minutes, why="threshold"):
    lab.pumped.refresh_from_db()
    lab.pumped.cooked |= {"expected": KEPT}
    lab.pumped.save()
    at = START + timedelta(minutes=minutes)
    return pump.end(pumpdown=lab.pumped, by=lab.ben, why=why, ended_at=at)


@pytest.mark.parametrize(
    ("minutes", "says"),
    [
        (91, "as expected and within the interval."),
        (121, "31 min later than expected and within the interval."),
        (240, "2 h 30 min later than expected and after the interval."),
        (50, "40 min sooner than expected and before the interval."),
    ],
)
def test_given_a_crossing_when_held_against_the_start_then_minutes_and_interval_are_told(
    pumping, minutes, says
):
    read(pumping, minutes - 1, "2e-6")
    read(pumping, minutes, "5e-7")
    done = expected.of_pumpdown(ended(pumping, minutes + 1))

    assert done["expected"] == (
        "Ready about 10:30, 80 % between 10:00 and 11:30, from 40 earlier pump-downs."
    )
    at = timezone.localtime(START + timedelta(minutes=minutes))
    assert done["came"] == f"First read below the threshold at {at:%H:%M}, {says}"


def test_given_nobody_who_looked_when_read_the_next_day_then_it_may_have_come_as_expected(pumping):
    read(pumping, 60, "5e-5")
    read(pumping, 24 * 60, "5e-7")

    came = expected.of_pumpdown(ended(pumping, 24 * 60))["came"]

    assert came == (
        "First read below the threshold at Tue 09:00; nobody looked since 10:00, so it may have "
        "come as expected."
    )


def test_given_no_crossing_when_vented_or_left_then_it_is_said(pumping):
    read(pumping, 20, "5e-4")

    done = ended(pumping, 30, why="vented")

    assert expected.of_pumpdown(done)["came"] == (
        "Vented at 09:30, before a reading was below the threshold."
    )
    done.ended_why = "left"
    assert expected.of_pumpdown(done)["came"] == (
        "No reading below the threshold; the last was at 09:30."
    )


def test_given_a_running_pumpdown_when_judged_and_ended_then_the_first_expectation_is_kept(
    pumping, monkeypatch
):
    read(pumping, 20, "5e-4")
    pumping.pumped.refresh_from_db()
    learning.judge(pumping.pumped, at=START + timedelta(minutes=25))
    first = dict(pumping.pumped.cooked["expected"])
    assert 0 < first["low_s"] < first["ready_s"] < first["high_s"]

    monkeypatch.setattr(learning, "_expected_by", lambda learned, pumpdown: KEPT)
    read(pumping, 60, "5e-7")
    done = pump.end(pumpdown=pumping.pumped, by=pumping.ben, why="threshold", ended_at=None)
    learning.judge(done)

    assert done.cooked["expected"] == first
    assert "as this chamber had taught little" in expected.of_pumpdown(done)["expected"]


def test_given_a_finished_load_when_its_record_is_opened_then_expectation_and_cause_stand_there(
    pumping, client
):
    read(pumping, 121, "5e-7")
    done = ended(pumping, 122)
    done.cooked |= {"unusual": True, "says": "Slower than usual: most like a wet load."}
    done.save()
    client.force_login(pumping.ben)

    page = client.get(reverse("bookings:load", args=[pumping.load.pk])).content.decode()

    assert "Ready about 10:30, 80 % between 10:00 and 11:30" in page
    assert "31 min later than expected and within the interval." in page
    assert "Slower than usual: most like a wet load." in page
