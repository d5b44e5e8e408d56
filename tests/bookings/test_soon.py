"""Likely ready in a quarter of an hour: one word to the one who loaded, once a pump-down."""

from datetime import timedelta
from types import SimpleNamespace

import pytest
from django.utils import timezone

from bookings import inside, learning, pump, run, soon
from bookings.models import Mail, Message
from facility.models import Gauge

pytestmark = pytest.mark.django_db


@pytest.fixture
def pumping(lab):
    """Ben's load, pumped for half an hour, with two readings."""
    started = timezone.now() - timedelta(minutes=30)
    lab.session = run.sign_on(instrument=lab.instrument, by=lab.ben)
    load = inside.open_load(session=lab.session, holder=lab.holder, by=lab.ben, moment=started)
    chamber = lab.instrument.chambers.get(kind="introduction")
    lab.pumped = pump.start(chamber=chamber, by=lab.ben, load=load, started_at=started)
    gauge = Gauge.objects.select_related("chamber").get(code="quayside-intro")
    for minutes, text in ((10, "5e-5"), (25, "6e-6")):
        at = started + timedelta(minutes=minutes)
        pump.type_pressure(gauge=gauge, by=lab.ben, text=text, happened_at=at)
    return lab


def say(monkeypatch, minutes):
    """The forecast says so many minutes from now, after half an hour of pumping."""
    seconds = (30 + minutes) * 60.0
    found = SimpleNamespace(low80_s=seconds - 300, ready_s=seconds, high80_s=seconds + 600)
    monkeypatch.setattr(learning, "forecast_of", lambda pumpdown, at=None: found)


def test_given_a_quarter_of_an_hour_when_ticked_twice_then_the_loader_is_told_once_and_at_once(
    pumping, monkeypatch
):
    from bookings import tell

    say(monkeypatch, 12)
    now = timezone.now()

    soon.tell_ready_soon(now)
    soon.tell_ready_soon(now + timedelta(minutes=1))

    told = Message.objects.get()
    assert told.person == pumping.ben
    assert told.direct
    assert told.says.startswith("B7 on Quayside is likely ready about ")
    pumping.ben.email = "ben@example.org"
    pumping.ben.save()
    assert tell.gather(now) == 1  # a direct answer does not wait
    assert Mail.objects.get().direct


@pytest.mark.parametrize("minutes", [-5, 16, 90])
def test_given_more_than_a_quarter_or_past_when_ticked_then_nobody_is_told(
    pumping, monkeypatch, minutes
):
    say(monkeypatch, minutes)

    assert soon.tell_ready_soon(timezone.now()) == 0
    assert not Message.objects.exists()


def test_given_one_reading_only_when_ticked_then_the_load_is_not_yet_judged_by_its_own_curve(
    pumping, monkeypatch
):
    say(monkeypatch, 12)
    early = pumping.pumped.started_at + timedelta(minutes=20)

    assert soon.is_soon(pumping.pumped, early) is None


def test_given_an_ended_pump_down_when_ticked_then_nobody_is_told(pumping, monkeypatch):
    say(monkeypatch, 12)
    pump.end(pumpdown=pumping.pumped, by=pumping.ben, why="threshold")

    assert soon.tell_ready_soon(timezone.now()) == 0
