"""Two people press at once: stock counts each cause once and loses none."""

import uuid

import pytest

from facility import bottles, stock
from facility.models import Consumable, Cylinder, StockUse
from samples.codes import new_code
from tests import build
from tests.together import at_once


def gloves(lab):
    row = stock.add(by=lab.dee, name="Gloves", unit="pairs")
    lot = stock.deliver(consumable=row, quantity=100, by=lab.dee, new_code=new_code)
    stock.open_lot(lot=lot, by=lab.dee)
    return row


@pytest.mark.django_db(transaction=True)
def test_given_two_people_when_both_use_one_lot_and_share_half_the_causes_then_each_counts_once():
    lab = build.lab()
    row = gloves(lab)

    def use(who):
        for n in range(12):
            cause = f"both|{n}" if n % 2 else f"{who.pk}|{n}"
            stock.use(consumable=row, amount=1, cause=cause, by=who)
        return "used"

    answers = at_once(use, lab.ben, lab.dee)

    row.refresh_from_db()
    lines = StockUse.objects.used()
    assert answers == ["used", "used"]
    assert lines.count() == 6 + 2 * 6
    assert row.left == row.in_use.left == 100 - 18
    assert sorted(lines.values_list("left_after", flat=True)) == list(range(82, 100))


@pytest.mark.django_db(transaction=True)
def test_given_two_people_when_both_change_one_bottle_then_one_spare_is_gone_and_one_is_told():
    lab = build.lab()
    spares = stock.add(by=lab.dee, name="Nitrogen bottles", unit="bottles")
    stock.deliver(consumable=spares, quantity=3, by=lab.dee, new_code=new_code)
    room = bottles.save_room(by=lab.dee, name="hall", volume_m3=60.0)
    old = bottles.connect(
        by=lab.dee, gas="nitrogen", volume_l=50.0, serves="vents", room=room,
        instrument=lab.instrument, consumable=spares,
    )  # fmt: skip

    def change(who):
        return bottles.change_bottle(cylinder=old, by=who, sent_id=uuid.uuid4())

    answers = at_once(change, lab.ben, lab.dee)

    assert sorted(type(answer).__name__ for answer in answers) == ["Cylinder", "Refused"]
    assert Cylinder.objects.connected().count() == 1
    assert Consumable.objects.get(pk=spares.pk).left == 2


@pytest.mark.django_db(transaction=True)
def test_given_one_form_when_it_comes_twice_at_once_then_both_hear_of_one_row():
    lab, sent = build.lab(), [uuid.uuid4() for _ in range(3)]

    def fill_in(_):
        about = {"name": "hall", "volume_m3": 60.0}
        room = bottles.save_room(by=lab.dee, sent_id=sent[0], **about)
        row = stock.add(by=lab.dee, name="Gloves", unit="pairs", sent_id=sent[1])
        bottle = bottles.connect(
            by=lab.dee, gas="argon", volume_l=10.0, serves="gun", room=room, sent_id=sent[2]
        )
        return room.pk, row.pk, bottle.pk

    answers = at_once(fill_in, 1, 2, 3, 4)

    assert len(set(answers)) == 1, answers
    assert Consumable.objects.count() == Cylinder.objects.count() == 1
