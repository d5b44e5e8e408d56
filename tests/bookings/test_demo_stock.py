"""The demo's stores: lines that add up and follow the sessions, and a dial that tells of the valve."""

from collections import defaultdict
from datetime import timedelta

import pytest
from django.utils import timezone

from bookings import demo, review, stores
from bookings.models import Session
from facility import on_hand
from facility.models import Consumable, Cylinder, GasUse, Instrument, Lot, Order, StockUse
from samples.models import Mount


@pytest.fixture
def small(db):
    return demo.fill(sessions=44)


def test_given_the_demo_when_every_line_of_stock_is_added_up_then_totals_are_those_of_the_rows(
    small,
):
    totals, lots, recorded = defaultdict(float), defaultdict(float), None

    for line in StockUse.objects.order_by("pk"):
        assert line.was == pytest.approx(totals[line.consumable_id])
        totals[line.consumable_id] += line.change
        assert line.left_after == pytest.approx(totals[line.consumable_id])
        assert recorded is None or line.recorded_at >= recorded
        recorded = line.recorded_at
        lots[line.lot_id] += line.change

    assert len(totals) >= 15
    for row in Consumable.objects.all():
        assert row.left == pytest.approx(totals[row.pk])
        assert row.left >= 0
    for lot in Lot.objects.all():
        assert lot.left == pytest.approx(lots[lot.pk])
        assert lot.done_at is None or lot.left == 0


def test_given_the_demo_when_stock_is_compared_with_what_happened_then_each_took_its_own_once(
    small,
):
    causes = set(StockUse.objects.used().values_list("cause", flat=True))
    gloves = Consumable.objects.get(name__startswith="Nitrile gloves")
    tapes = {row.mounting: row for row in Consumable.objects.exclude(mounting="")}
    taped = Mount.objects.filter(mounting__in=tapes)

    assert taped.count() > 20
    for mount in taped:
        assert f"mount|{mount.pk}|{tapes[mount.mounting].pk}" in causes
        assert mount.lot.consumable == tapes[mount.mounting]
        assert mount.lot.delivered_at < mount.since
    for session in Session.objects.all():
        assert f"session|{session.pk}|{gloves.pk}" in causes
    assert not Mount.objects.exclude(mounting__in=tapes).exclude(lot=None).exists()
    assert GasUse.objects.filter(what="vent").count() > Session.objects.count() / 2


def test_given_the_demo_when_looked_at_then_one_thing_is_low_one_is_coming_and_bottles_are_read(
    small,
):
    shelves = on_hand.shelves()
    found = on_hand.bottles(stocked=shelves)

    assert [shelf.row.name for shelf in shelves if shelf.to_order] == ["Lint-free wipes"]
    assert Order.objects.on_its_way().filter(consumable__name__startswith="Copper tape").exists()
    read = [bottle for bottle in found if bottle.row.is_bottle]
    assert {(str(b.row.instrument), b.row.gas) for b in read} == {
        (name, gas) for name in ("Quayside", "Headland") for gas in ("nitrogen", "argon")
    }
    assert all(0 < bottle.last.dial_pa < 210e5 for bottle in read)
    assert all(timezone.now() - bottle.last.at < timedelta(days=21) for bottle in read)


@pytest.mark.soak
def test_given_the_demo_year_when_the_dials_are_watched_then_the_open_valve_alone_is_named(db):
    (valve,) = [row for row in demo.fill() if row.what == "open cylinder valve"]
    named, monday = [], review.newest_monday() - timedelta(days=7 * 51)

    while monday <= review.newest_monday():
        for instrument in Instrument.objects.all():
            week = review.week_of(monday)
            lines = stores.review_lines(instrument, week)
            named += [(instrument.slug, week) for line in lines if line.rule == stores.LOSS]
        monday += review.A_WEEK

    ((slug, week),) = named
    assert slug == "headland"
    assert week.start <= valve.flags[0].raised_at < week.end
    bottle = Cylinder.objects.connected_at(week.end).get(instrument__slug=slug, gas="nitrogen")
    (alarm,) = next(b for b in on_hand.bottles(week.end) if b.row == bottle).alarms
    assert (alarm.drop - alarm.explained) / 1e5 == pytest.approx(valve.size, abs=6)
    assert Cylinder.objects.filter(gas="nitrogen", kind="bottle").count() >= 6  # changed
