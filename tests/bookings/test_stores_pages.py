"""The stores' pages: who sees what, forms that may arrive twice, what is asked back, few queries."""

from uuid import uuid4

import pytest
from django.urls import reverse
from django.utils import timezone

from bookings import stores
from bookings.models import Flag, Message
from facility import bottles, on_hand, stock
from facility.models import Consumable, Cylinder, DialReading, Lot, Order, StockUse
from samples import sheets
from samples.codes import new_code
from tests import build

pytestmark = pytest.mark.django_db


def text_of(response):
    return response.content.decode()


def ask(client, person, name, /, *args, **post):
    """GET, or POST with what is typed."""
    client.force_login(person)
    path = reverse(f"bookings:{name}", args=args)
    return client.post(path, post) if post else client.get(path)


# who sees what


@pytest.mark.parametrize(
    ("who", "status"), [("dee", 200), ("ben", 200), ("chao", 200), ("fay", 200), ("eve", 403)]
)
def test_given_the_cast_when_the_stores_are_asked_then_all_but_visitors_see_them(
    client, lab, who, status
):
    lot, bottle = build.tape(lab), build.nitrogen(lab)
    person = getattr(lab, who)

    for name, args in (
        ("stores", []), ("consumable", [lot.consumable.slug]), ("bottle", [bottle.pk]),
        ("rooms", []),
    ):  # fmt: skip
        assert ask(client, person, name, *args).status_code == status, name
    assert ask(client, person, "scanned_lot", lot.code).status_code == 200


def test_given_a_visitor_when_a_lot_is_scanned_then_they_read_it_and_press_nothing(client, lab):
    lot = build.tape(lab)

    text = text_of(ask(client, lab.eve, "scanned_lot", lot.code))

    assert "Copper tape" in text
    assert "100 mm² left" in text
    assert reverse("bookings:open_lot", args=[lot.code]) not in text
    assert ask(client, lab.eve, "open_lot", lot.code, x="1").status_code == 403


@pytest.mark.parametrize("name", ["deliver", "order_consumable", "change_consumable"])
def test_given_a_user_when_they_do_what_staff_do_then_they_are_refused(client, lab, name):
    slug = build.tape(lab).consumable.slug

    assert ask(client, lab.ben, name, slug, quantity="3").status_code == 403
    assert Lot.objects.count() == 1
    assert Order.objects.count() == 0


# lots


def test_given_a_closed_roll_when_a_user_taps_once_then_it_is_in_use(client, lab):
    lot = build.tape(lab)

    assert "Open this one" in text_of(ask(client, lab.ben, "scanned_lot", lot.code))
    answers = [ask(client, lab.ben, "open_lot", lot.code, x="1") for _ in range(2)]

    lot.refresh_from_db()
    assert [row.status_code for row in answers] == [302, 302]
    assert lot.opened_by == lab.ben
    assert Consumable.objects.get().in_use == lot
    assert "Open this one" not in text_of(ask(client, lab.ben, "scanned_lot", lot.code))


def test_given_a_pin_at_a_tablet_when_a_roll_is_scanned_then_one_tap_opens_it_and_no_order_is_made(
    client, lab
):
    lot = build.tape(lab)
    client.force_login(lab.dee)
    kept = client.session
    kept["by_pin"] = lab.instrument.pk
    kept.save()

    opened = client.post(reverse("bookings:open_lot", args=[lot.code]))
    ordered = client.post(
        reverse("bookings:order_consumable", args=[lot.consumable.slug]), {"quantity": "3"}
    )

    assert (opened.status_code, ordered.status_code) == (302, 403)
    assert Consumable.objects.get().in_use == lot


def test_given_an_expired_lot_when_scanned_then_it_says_so_and_names_another(client, lab):
    old = build.tape(lab)
    Lot.objects.update(expires_on=timezone.localdate() - timezone.timedelta(days=1))
    new = stock.deliver(consumable=old.consumable, quantity=5, by=lab.dee, new_code=new_code)

    text = text_of(ask(client, lab.ben, "scanned_lot", old.code))

    assert "Expired on" in text
    assert f"Take {new.code[:4]} {new.code[4:]}" in " ".join(text.replace("\u2009", " ").split())


def test_given_a_lot_that_is_gone_when_opened_then_the_refusal_stands_on_its_page(client, lab):
    lot = build.tape(lab)

    ask(client, lab.ben, "finish_lot", lot.code, how="fell into the sink")
    answer = ask(client, lab.ben, "open_lot", lot.code, x="1")

    assert answer.status_code == 422
    assert "fell into the sink" in text_of(answer)
    assert Consumable.objects.get().left == 0


def test_given_a_code_of_no_lot_when_scanned_then_it_is_said_in_words(client, lab):
    answer = ask(client, lab.ben, "scanned_lot", new_code("C"))

    assert answer.status_code == 404
    assert "no lot here carries it" in text_of(answer)


def test_given_a_lot_when_labels_are_made_then_its_label_is_among_them(client, lab):
    lot = build.tape(lab)

    assert lot.code in text_of(ask(client, lab.ben, "label_sheet"))
    answer = ask(client, lab.ben, "label_sheet", code=lot.code, size=next(iter(sheets.SHEETS)))

    assert answer.content.startswith(b"%PDF")


# forms that may arrive twice


def test_given_one_sent_id_when_each_form_arrives_twice_then_it_counts_once(client, lab):
    slug = build.tape(lab).consumable.slug
    sent = {name: uuid4() for name in ("deliver", "order", "count", "take")}

    for _ in range(2):
        for name, said in (
            ("order_consumable", {"quantity": "4", "sent_id": sent["order"]}),
            ("deliver", {"quantity": "50,5", "batch": "32", "sent_id": sent["deliver"]}),
            ("take_out", {"amount": "10", "says": "a training", "sent_id": sent["take"]}),
            ("count_consumable", {"counted": "120", "sent_id": sent["count"]}),
        ):
            assert ask(client, lab.dee, name, slug, **said).status_code == 302, name

    assert Lot.objects.count() == 2
    assert Order.objects.get().arrived_at  # the delivery answered it
    assert StockUse.objects.get(kind="used").change == -10
    assert Consumable.objects.get().left == 120


def test_given_two_bottle_forms_when_each_arrives_twice_then_one_reading_and_one_new_bottle(
    client, lab
):
    bottle, sent, change = build.nitrogen(lab), uuid4(), uuid4()

    for _ in range(2):
        ask(client, lab.ben, "read_dial", bottle.pk, dial="150", sent_id=sent)
        last = ask(client, lab.ben, "change_bottle", bottle.pk, dial="200", sent_id=change)

    new = Cylinder.objects.connected().get()
    assert last.url == new.get_absolute_url()
    assert new.pk != bottle.pk
    assert DialReading.objects.count() == 3


# what is typed


@pytest.mark.parametrize("typed", ["", "-3", "twelve", "1e999", "0"])
def test_given_an_odd_amount_when_delivered_then_it_is_said_beside_the_field_and_kept(
    client, lab, typed
):
    slug = build.tape(lab).consumable.slug

    answer = ask(client, lab.dee, "deliver", slug, quantity=typed, batch="AB 12")

    assert answer.status_code == 422
    assert answer.context["deliver_form"].errors["quantity"]
    assert 'value="AB 12"' in text_of(answer)
    assert Lot.objects.count() == 1


def test_given_an_order_for_a_day_that_is_over_when_entered_then_the_day_is_asked_for(client, lab):
    slug = build.tape(lab).consumable.slug

    answer = ask(
        client, lab.dee, "order_consumable", slug, quantity="2", expected_on="2020-01-01"
    )  # fmt: skip

    assert "1 Jan 2020 is over" in text_of(answer)
    assert not Order.objects.exists()


def test_given_a_dial_that_rose_when_typed_then_it_is_stored_and_asked_back(client, lab):
    bottle = build.nitrogen(lab, dial="40")

    ask(client, lab.ben, "read_dial", bottle.pk, dial="180")
    text = text_of(ask(client, lab.ben, "bottle", bottle.pk))

    assert bottle.dials.count() == 2
    assert "The dial rose from 40 to 180 bar. Was the bottle changed?" in text


def test_given_a_bottle_changed_meanwhile_when_its_dial_is_typed_then_the_new_one_is_named(
    client, lab
):
    old = build.nitrogen(lab, dial="20")
    new = bottles.change_bottle(cylinder=old, by=lab.ben, dial="200")

    answer = ask(client, lab.dee, "read_dial", old.pk, dial="199")

    assert answer.status_code == 422
    assert "Type it at the one that is connected now." in text_of(answer)
    assert new.get_absolute_url() in text_of(answer)
    assert old.dials.count() == new.dials.count() == 1


def test_given_a_dial_in_words_when_typed_then_it_is_said_beside_the_field(client, lab):
    bottle = build.nitrogen(lab)

    answer = ask(client, lab.ben, "read_dial", bottle.pk, dial="half full")

    assert answer.status_code == 422
    assert answer.context["dial_form"].errors["dial"] == [
        "Type what the dial shows, such as 145 bar."
    ]
    assert 'value="half full"' in text_of(answer)


def test_given_staff_when_a_new_consumable_and_a_bottle_are_entered_then_both_have_pages(
    client, lab
):
    room = bottles.save_room(by=lab.dee, name="hall", volume_m3=60.0)

    first = ask(
        client, lab.dee, "add_consumable", name="Gloves, M", unit="pairs", per_session="1",
        lead_days="10",
    )  # fmt: skip
    second = ask(
        client, lab.dee, "connect_bottle", kind="bottle", gas="argon", volume_l="10",
        dial="2000 psi", dial_unit="psi", serves="gun", room=room.pk, sent_id=uuid4(),
    )  # fmt: skip

    row = Consumable.objects.get()
    assert (row.lead_days, row.lead_spread_days, row.per_session) == (10, 4, 1)
    assert client.get(first.url).status_code == 200
    assert "2000 psi" in text_of(client.get(second.url))


# rooms


def test_given_ten_cubic_metres_in_sixty_when_the_rooms_are_read_then_17_4_percent_and_staff(
    client, lab
):
    build.nitrogen(lab, volume_l=52.2)  # 10.0 m³ at 200 bar and 20 °C, by the real gas

    text = text_of(ask(client, lab.fay, "rooms"))

    assert on_hand.rooms()[0].gas_m3 == pytest.approx(10.0, abs=0.05)
    assert "17.4 %" in text
    assert "below 19.5 %: a competent person must assess this room" in text
    assert "do not go back in for anyone" in text
    assert reverse("bookings:add_room") not in text


def test_given_two_rooms_of_one_name_when_added_then_the_second_is_refused_beside_its_name(
    client, lab
):
    build.nitrogen(lab)

    answer = ask(client, lab.dee, "add_room", name="Hall", volume_m3="30")

    assert answer.status_code == 422
    assert "There is a room Hall already" in answer.context["form"].errors["name"][0]


# where messages lead, and what a page asks of the database


def test_given_a_low_shelf_when_watched_then_message_and_review_lead_to_its_page(client, lab):
    lot = build.tape(lab, minimum=200)

    stores.watch_stores(timezone.now())

    url = reverse("bookings:consumable", args=[lot.consumable.slug])
    assert Flag.objects.get().rule == "INV-01"
    assert set(Message.objects.values_list("url", flat=True)) == {url}
    assert stores.stock_table(lab.instrument, timezone.now())[0]["url"] == url
    text = text_of(ask(client, lab.dee, "stores"))
    assert "100 mm² left, reorder point 200 mm². Order today." in text


def test_given_long_histories_when_the_pages_are_asked_then_queries_stay_the_same(
    client, lab, django_assert_max_num_queries
):
    lot, bottle = build.tape(lab), build.nitrogen(lab)

    def use(times):
        for n in range(times):
            stock.take_out(consumable=lot.consumable, amount=0.1, by=lab.ben, lot=lot)
            bottles.read_dial(cylinder=bottle, by=lab.ben, text=str(190 - n))

    for times in (1, 40):
        use(times)
        for name, args, most in (
            ("stores", [], 10), ("consumable", [lot.consumable.slug], 11),
            ("scanned_lot", [lot.code], 5), ("bottle", [bottle.pk], 8), ("rooms", [], 5),
        ):  # fmt: skip
            client.force_login(lab.dee)
            with django_assert_max_num_queries(most):
                client.get(reverse(f"bookings:{name}", args=args))
