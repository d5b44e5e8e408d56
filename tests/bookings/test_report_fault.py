"""A fault reported from an instrument's page: by anyone, without a session, once."""

import uuid
from datetime import timedelta

import pytest
from django.urls import reverse
from django.utils import timezone

from bookings import attend, book, run, say, usage
from bookings.models import Booking, BookingRules, Fault, Flag, Message
from facility.models import Instrument, KeptItem, Place

pytestmark = pytest.mark.django_db
H = timedelta(hours=1)
SAYS = "The stage does not move"


@pytest.fixture
def house(lab):
    BookingRules.objects.create(instrument=lab.instrument, loading_min=0)
    lab.stage = Place.objects.get(kind="stage", instrument=lab.instrument)
    lab.address = reverse("bookings:report_fault_here", args=[lab.instrument.slug])
    lab.now = timezone.now()
    return lab


def word(house):
    return Instrument.objects.get(pk=house.instrument.pk).word


def test_given_no_session_when_a_fault_is_reported_then_number_word_staff_and_clock_follow(
    client, house
):
    book.book(place=house.stage, by=house.ben, start=house.now, end=house.now + 2 * H)
    client.force_login(house.ben)

    answer = client.post(
        house.address, {"text": SAYS, "sent_id": uuid.uuid4()}, follow=True
    ).content.decode()
    attend.tell_faults(timezone.now())

    fault = Fault.objects.get()
    assert f"fault {fault.pk}" in answer
    assert "Your booked time counts as fault time" in answer
    assert SAYS in answer
    assert fault.session is None
    assert word(house) == "careful"
    assert Flag.objects.waiting().filter(key=f"fault|{fault.pk}").exists()
    assert Message.objects.filter(person=house.dee, says__contains=f"Fault {fault.pk}").exists()


def test_given_the_reporters_booking_when_hours_are_counted_then_it_is_fault_time_and_not_charged(
    client, house
):
    start = house.now - 3 * H
    row = book.made(house.stage, house.ben, start, start + 2 * H, person=house.ben)
    row.cancelled_at, row.cancelled_why = start + H, Booking.Why.NOT_USED
    row.save()
    say.report_fault(
        instrument=house.instrument, by=house.ben, text=SAYS, happened_at=start + H / 2
    )

    (line,) = usage.lines(house.now - 6 * H, house.now, by="group", instrument=house.instrument)
    client.force_login(house.ben)
    page = client.get(row.get_absolute_url()).content.decode()

    assert line.booked == pytest.approx(1)
    assert line.fault == pytest.approx(0.5)
    assert (line.charged, line.unused) == (0, 0)
    assert "this part of the time counts as fault time" in page


def test_given_an_open_session_of_ones_own_when_reported_outside_then_the_session_has_it(
    client, house
):
    session = run.sign_on(instrument=house.instrument, by=house.ben)
    client.force_login(house.ben)
    sent = {"text": SAYS, "sent_id": uuid.uuid4()}

    client.post(house.address, sent)
    run.sign_off(session=session, by=house.ben)
    client.post(house.address, sent)

    assert Fault.objects.get().session == session
    assert not KeptItem.objects.exists()


@pytest.mark.parametrize("who", ["ada", "ben", "chao", "dee", "eve", "fay", "gil"])
def test_given_anyone_signed_in_when_sent_twice_then_it_is_one_fault(client, house, who):
    client.force_login(getattr(house, who))
    sent = {"text": SAYS, "sent_id": uuid.uuid4()}

    assert [client.post(house.address, sent).status_code for _ in range(2)] == [302, 302]

    assert Fault.objects.get().by == getattr(house, who)
    assert Flag.objects.filter(rule="fault").count() == 1


def test_given_one_id_with_two_contents_when_sent_then_the_second_is_set_aside(client, house):
    client.force_login(house.ben)
    sent_id = uuid.uuid4()

    client.post(house.address, {"text": SAYS, "sent_id": sent_id})
    answer = client.post(house.address, {"text": "It hums", "sent_id": sent_id})

    assert answer.status_code == 422
    assert "It hums" in answer.content.decode()
    assert Fault.objects.get().says == SAYS
    assert "It+hums" in KeptItem.objects.get().text or "It hums" in KeptItem.objects.get().text


@pytest.mark.parametrize("text", ["", "   "])
def test_given_nothing_said_when_sent_then_it_is_asked_for(client, house, text):
    client.force_login(house.ben)

    answer = client.post(house.address, {"text": text, "sent_id": uuid.uuid4()})

    assert answer.status_code == 422
    assert "Say in a few words what is wrong." in answer.content.decode()
    assert word(house) == "usable"


def test_given_a_down_instrument_when_a_fault_is_reported_then_it_stays_down(client, house):
    Instrument.objects.filter(pk=house.instrument.pk).update(word="down", word_why="bake")
    client.force_login(house.ben)

    answer = client.post(house.address, {"text": SAYS, "sent_id": ""}, follow=True)

    assert word(house) == "down"
    assert "Quayside: down." in answer.content.decode()


def test_given_a_fault_when_staff_end_it_without_a_session_then_the_word_is_usable_again(
    client, house
):
    fault = say.report_fault(instrument=house.instrument, by=house.ben, text=SAYS)
    address = reverse("bookings:end_fault_here", args=[house.instrument.slug, fault.pk])

    client.force_login(house.ben)
    assert "It works again" not in client.get(house.instrument.get_absolute_url()).content.decode()
    assert client.post(address).status_code == 403
    client.force_login(house.dee)
    assert "It works again" in client.get(house.instrument.get_absolute_url()).content.decode()
    assert [client.post(address).status_code for _ in range(2)] == [302, 302]

    fault.refresh_from_db()
    assert fault.ended_by == house.dee
    assert word(house) == "usable"
