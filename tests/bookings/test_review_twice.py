"""Two people sign one review at once: one signature stands, the other hears whose it is."""

import pytest

from bookings import review, reviewing, watchers
from bookings.models import Review
from facility.errors import Refused
from tests import build
from tests.together import at_once


@pytest.mark.django_db(transaction=True)
def test_given_two_people_when_both_sign_at_once_then_one_signs_and_the_other_hears_who(
    monkeypatch,
):
    monkeypatch.setattr(watchers, "sources", list)
    lab = build.lab()
    monday = review.newest_monday()

    def sign(person):
        return reviewing.sign(instrument=lab.instrument, monday=monday, by=person)

    answers = at_once(sign, lab.dee, lab.ada)

    (row,) = Review.objects.signed()
    refused = [one for one in answers if isinstance(one, Refused)]
    assert len(answers) == 2
    assert len(refused) == 1
    assert f"{row.signed_by} signed week {monday:%V} before you" in str(refused[0])
    assert lab.instrument.log.entries.filter(kind=reviewing.KIND).count() == 1
