"""Stock and bottles: used once by its cause, counted, never blocking, and watched."""

from datetime import timedelta
from uuid import uuid4

import pytest
from django.db import IntegrityError, transaction
from django.utils import timezone

from bookings import lines, run, stores
from bookings.models import Flag, Message
from facility import bottles, on_hand, stock
from facility.errors import Refused
from facility.models import DialReading, GasUse, StockUse
from samples import mount
from samples.codes import new_code
from tests import build

pytestmark = pytest.mark.django_db


def tape(lab, **about):
    row = stock.add(
        by=lab.dee, name="Copper tape", unit="mm²", mounting="copper tape", per_mount=1.0,
        by_area=True, **about,
    )  # fmt: skip
    lot = stock.deliver(consumable=row, quantity=100.0, by=lab.dee, new_code=new_code, batch="31")
    return stock.open_lot(lot=lot, by=lab.ben)


def nitrogen(lab, dial="200"):
    room = bottles.save_room(by=lab.dee, name="hall", volume_m3=60.0)
    return bottles.connect(
        by=lab.dee, gas="nitrogen", volume_l=50.0, serves="vents", room=room,
        instrument=lab.instrument, dial=dial, at=timezone.now() - timedelta(days=30),
    )  # fmt: skip


def test_given_a_roll_in_use_when_mounted_twice_with_one_id_then_it_is_used_once_and_remembered(
    lab,
):
    lot, sample, sent = tape(lab), build.sample(owner=lab.ben), uuid4()

    rows = [
        mount.mount(holder=lab.holder, sample=sample, by=lab.ben, sent_id=sent) for _ in range(2)
    ]

    lot.refresh_from_db()
    assert rows[0] == rows[1]
    assert rows[0].lot == lot
    assert lot.left == lot.consumable.left == 84.0  # 4 x 4 mm of it
    assert StockUse.objects.used().count() == 1


def test_given_too_little_when_used_then_nothing_blocks_and_the_page_asks_for_a_count(lab):
    lot = tape(lab)

    stock.use(consumable=lot.consumable, amount=130, cause="x", by=lab.ben)

    shelf = on_hand.shelves()[0]
    assert shelf.outlook.left == -30
    assert "Count it" in shelf.says


def test_given_a_count_when_written_then_the_old_value_stays_and_lines_add_up(lab):
    lot, sent = tape(lab), uuid4()

    for _ in range(2):
        stock.count(consumable=lot.consumable, counted=70, by=lab.ben, why="recount", sent_id=sent)

    lot.refresh_from_db()
    line = StockUse.objects.get(kind="counted")
    assert (line.was, line.change, line.left_after) == (100, -30, 70)
    assert lot.left == sum(StockUse.objects.values_list("change", flat=True)) == 70


def test_given_a_line_of_stock_when_changed_or_deleted_then_the_database_refuses(lab):
    tape(lab)

    for act in (
        lambda: StockUse.objects.update(change=1),
        lambda: StockUse.objects.all().delete(),
    ):
        with pytest.raises(IntegrityError), transaction.atomic():
            act()


def test_given_gloves_when_somebody_signs_on_twice_then_one_session_takes_them_once(lab):
    row = stock.add(by=lab.dee, name="Gloves", unit="pairs", per_session=3.0)

    for _ in range(2):
        run.sign_on(instrument=lab.instrument, by=lab.ben)

    row.refresh_from_db()
    assert row.left == -3


def test_given_a_low_item_when_the_clock_ticks_daily_then_staff_are_told_once_until_it_is_ordered(
    lab,
):
    row = stock.add(by=lab.dee, name="Filament", unit="pieces", minimum=1.0, lead_days=28.0)
    now = timezone.now() + timedelta(minutes=1)

    for day in range(3):
        stores.watch_stores(now + timedelta(days=day))

    assert Flag.objects.filter(rule="INV-01").count() == 1
    assert Message.objects.filter(person=lab.dee, key__startswith="INV-01").count() == 1
    stock.order(consumable=row, quantity=2, by=lab.dee)
    stores.watch_stores(now + timedelta(days=4))
    assert not Flag.objects.waiting().filter(rule="INV-01").exists()


def test_given_a_bottle_that_lost_gas_when_its_week_is_asked_then_it_stands_there_and_not_before(
    lab,
):
    row, now = nitrogen(lab), timezone.now()
    week = lines.Week(now - timedelta(days=3), now + timedelta(hours=1))
    before = lines.Week(week.start - timedelta(days=7), week.start)
    bottles.read_dial(cylinder=row, by=lab.ben, text="197", at=now - timedelta(days=12))
    assert stores.review_lines(lab.instrument, week) == []

    bottles.read_dial(cylinder=row, by=lab.ben, text="133 bar")

    found = stores.review_lines(lab.instrument, week)
    assert [line.heading for line in found] == ["broke"]
    assert "fell by" in found[0].says
    assert stores.review_lines(lab.instrument, before) == []


def test_given_a_vent_when_told_twice_then_its_gas_is_booked_once(lab):
    nitrogen(lab)
    said = {"instrument": lab.instrument, "cause": "vent|1", "by": lab.ben, "at": timezone.now()}

    rows = [bottles.vented(**said) for _ in range(2)]

    assert rows[0] == rows[1]
    assert GasUse.objects.get().mass_kg == pytest.approx(0.0093, abs=1e-4)  # 8 L at 1 atm, 20 °C


def test_given_a_dial_that_rises_when_written_then_it_is_stored_and_asked_back(lab):
    row = nitrogen(lab, dial="40")

    bottles.read_dial(cylinder=row, by=lab.ben, text="180 barg")

    assert DialReading.objects.count() == 2
    assert "Was the bottle changed?" in on_hand.bottles()[0].asks
    with pytest.raises(Refused, match="Look at the unit"):
        bottles.read_dial(cylinder=row, by=lab.ben, text="2400")


def test_given_a_bottle_when_changed_twice_with_one_id_then_one_new_one_stands_and_a_spare_is_gone(
    lab,
):
    spare = stock.add(by=lab.dee, name="Nitrogen bottle", unit="bottles")
    row, sent = nitrogen(lab), uuid4()
    row.consumable = spare
    row.save()

    new = [bottles.change_bottle(cylinder=row, by=lab.ben, sent_id=sent) for _ in range(2)]

    spare.refresh_from_db()
    assert new[0] == new[1] != row
    assert spare.left == -1
    with pytest.raises(Refused, match="was taken off"):
        bottles.change_bottle(cylinder=row, by=lab.ben, sent_id=uuid4())


def test_given_a_full_bottle_when_its_room_is_screened_then_the_oxygen_is_below_the_limit(lab):
    nitrogen(lab)

    air = on_hand.rooms()[0]

    assert air.gas_m3 == pytest.approx(9.6, abs=0.2)
    assert air.worst.severity == "staff"


def test_given_years_behind_when_the_review_asks_then_its_queries_stay_few(
    lab, django_assert_max_num_queries
):
    nitrogen(lab)
    tape(lab)
    now = timezone.now() + timedelta(hours=1)

    with django_assert_max_num_queries(8):
        stores.review_lines(lab.instrument, lines.Week(now - timedelta(days=7), now))
