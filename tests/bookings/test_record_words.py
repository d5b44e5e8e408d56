"""What the record of a session says of each kind of entry: all that was written, in words."""

from datetime import timedelta

import pytest
from django.urls import reverse
from django.utils import timezone

from bookings import inside, record_words, run, say, steps
from facility import photos
from tests.bookings.test_faults_of_the_machine import picture

pytestmark = pytest.mark.django_db


def test_given_all_that_is_written_in_a_session_when_its_record_is_read_then_nothing_is_left_out(
    client, lab, settings, tmp_path
):
    settings.MEDIA_ROOT = tmp_path
    session = run.sign_on(instrument=lab.instrument, by=lab.ben)
    load = inside.open_load(session=session, holder=lab.holder, by=lab.ben, moment=timezone.now())
    word = {"session": session, "by": lab.ben}
    say.setting(**word, device="X-ray source", values={"power": "150", "voltage": "15"})
    say.measurement(**word, what="survey, Cu 2p", file="a7.vms", load=load)
    until = timezone.now() + timedelta(hours=9)
    say.leave_running(**word, what="A long map", until=until, phone="internal 7198")
    photo = photos.take(file=picture(), by=lab.ben)
    say.photograph(**word, photo=photo, says="The seal")
    steps.happened_anyway(
        **word, sets={"gate_valve": "open", "introduction": "air"}, sentence="My sleeve."
    )
    run.sign_off(session=session, by=lab.ben, handover="Map runs.")
    client.force_login(lab.ben)

    page = client.get(reverse("bookings:session_record", args=[session.pk])).content.decode()

    for says in (
        "X-ray source: power 150 W, voltage 15 kV",
        "survey, Cu 2p, file a7.vms",
        f"A long map, until {timezone.localtime(until):%d %b %H:%M}, phone internal 7198",
        "gate valve open, introduction air. My sleeve.",
        "Map runs.",
        "The gate valve is open while the introduction chamber is at air.",
        reverse("facility:photo", args=[photo.digest]),
    ):
        assert says in page, says
    of_load = client.get(load.get_absolute_url()).content.decode()
    assert "survey, Cu 2p <small>file a7.vms</small>" in of_load
    assert reverse("bookings:session_record", args=[session.pk]) in of_load


@pytest.mark.parametrize(
    ("kind", "said", "words"),
    [
        ("looked", {"says": "Look: the door is closed."}, "the door is closed."),
        ("looked", {"says": "Look: X-ray source off."}, "X-ray source off."),
        ("step", {"says": "Wait.", "values": {"tilt": "12"}, "in_order": True}, "Wait. tilt 12"),
        ("step", {"says": "Open.", "in_order": False}, "Open. (not in the sheet's order)"),
        ("setting", {"device": "old gun", "values": {"z": "1"}}, "old gun: z 1"),
        ("transferred", {}, ""),
    ],
)
def test_given_an_entry_when_put_into_words_then_they_say_what_was_written(kind, said, words):
    assert record_words.words_of(kind, said) == words
