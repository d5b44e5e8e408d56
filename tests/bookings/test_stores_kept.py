"""What is kept in the stores: entered twice, kept no more, and gas that a vent outside the sheet took."""

from uuid import uuid4

import pytest
from django.urls import reverse

from bookings import run, steps
from facility import stock
from facility.errors import Refused
from facility.models import Consumable, GasUse, Room
from tests import build

pytestmark = pytest.mark.django_db


def send(client, person, name, /, *args, **typed):
    client.force_login(person)
    return client.post(reverse(f"bookings:{name}", args=args), typed)


def test_given_a_consumable_or_room_when_the_same_form_comes_again_then_the_answer_is_the_same(
    client, lab
):
    gloves = {"name": "Gloves", "unit": "pairs", "sent_id": uuid4()}
    hall = {"name": "Hall", "volume_m3": "60", "sent_id": uuid4()}

    answers = [send(client, lab.dee, "add_consumable", **gloves) for _ in range(2)]
    rooms = [send(client, lab.dee, "add_room", **hall) for _ in range(2)]
    other = send(client, lab.dee, "add_consumable", **gloves | {"sent_id": uuid4()})

    assert [row.status_code for row in (*answers, *rooms)] == [302] * 4
    assert answers[0].url == answers[1].url
    assert (Consumable.objects.count(), Room.objects.filter(name="Hall").count()) == (1, 1)
    assert other.status_code == 422


def test_given_a_consumable_when_it_is_kept_no_more_then_it_is_not_asked_for_and_its_history_stays(
    client, lab
):
    lot = build.tape(lab)
    row = lot.consumable

    refused = send(client, lab.ben, "retire_consumable", row.slug, why="no use")
    answer = send(client, lab.dee, "retire_consumable", row.slug, why="foil serves as well")
    page = client.get(row.get_absolute_url()).content.decode()
    listed = client.get(reverse("bookings:stores")).content.decode()

    assert (refused.status_code, answer.status_code) == (403, 302)
    assert row not in Consumable.objects.kept()
    assert "Kept no more since" in page
    assert "foil serves as well" in page
    assert "delivered" in page
    assert listed.index("Kept no more") < listed.index(str(row))

    send(client, lab.dee, "retire_consumable", row.slug, again="1")
    assert row in Consumable.objects.kept()


def test_given_an_order_on_its_way_when_its_consumable_is_retired_then_the_order_comes_first(lab):
    row = build.tape(lab).consumable
    stock.order(consumable=row, quantity=5, by=lab.dee)

    with pytest.raises(Refused, match="is on its way"):
        stock.retire(consumable=row, by=lab.dee)


def test_given_a_vent_outside_the_sheet_when_it_is_told_then_its_gas_is_booked_once(lab):
    build.nitrogen(lab)
    session = run.sign_on(instrument=lab.instrument, by=lab.ben)
    vents = [row for row in session.sheet.document["steps"] if "vent" in row.get("marks", [])]
    told = vents[0]["sets"]
    sent = uuid4()

    for _ in range(2):
        steps.happened_anyway(session=session, by=lab.ben, sets=told, sent_id=sent)
    steps.happened_anyway(session=session, by=lab.ben, sets=dict([next(iter(told.items()))]))

    assert GasUse.objects.filter(what=GasUse.What.VENT).count() == 1
