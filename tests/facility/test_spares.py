"""A part changed takes one spare out of the stores: once, and only where it was taken from there."""

from uuid import uuid4

import pytest

from facility import keep_up, log, stock
from facility.models import Entry, StockUse
from samples.codes import new_code

pytestmark = pytest.mark.django_db


def anodes(lab, name="X-ray anode"):
    row = stock.add(by=lab.dee, name=name, unit="pieces", minimum=1.0)
    lot = stock.deliver(consumable=row, quantity=2, by=lab.dee, new_code=new_code, batch="7")
    stock.open_lot(lot=lot, by=lab.dee)
    return row


def source(lab, spare="x-ray anode"):
    return keep_up.add_part(
        instrument=lab.instrument, by=lab.dee, kind="source", name="Al Kα source", spare=spare
    )


def said(lab):
    entry = Entry.objects.filter(log=lab.instrument.log, kind="part changed").last()
    return log.contents(entry)["spare"]


def test_given_a_spare_on_the_shelf_when_a_part_is_changed_twice_with_one_id_then_one_is_gone(lab):
    row, part, sent = anodes(lab), source(lab), uuid4()

    for _ in range(2):
        keep_up.change_part(part=part, by=lab.dee, cause="worn", sent_id=sent)

    row.refresh_from_db()
    line = StockUse.objects.used().get()
    assert (row.left, line.change, line.lot.left) == (1.0, -1.0, 1.0)
    assert line.says == f"into {lab.instrument}"
    assert said(lab) == "X-ray anode, batch 7"


def test_given_two_changes_when_each_is_pressed_once_then_two_spares_are_gone(lab):
    row, part = anodes(lab), source(lab)

    for _ in range(2):
        keep_up.change_part(part=part, by=lab.dee, cause="worn", sent_id=uuid4())

    row.refresh_from_db()
    assert row.left == 0.0


@pytest.mark.parametrize(
    ("spare", "use_spare"), [("x-ray anode", False), ("", True), ("seal set", True)]
)
def test_given_no_spare_from_the_stores_when_a_part_is_changed_then_nothing_is_taken(
    lab, spare, use_spare
):
    row, part = anodes(lab), source(lab, spare)

    keep_up.change_part(part=part, by=lab.dee, cause="worn", use_spare=use_spare)

    row.refresh_from_db()
    assert (row.left, said(lab)) == (2.0, "")
    assert not StockUse.objects.used().exists()
