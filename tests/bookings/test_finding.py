"""The demo: anything in it is two taps away, and its alarms stay within their budget."""

import random
from datetime import UTC, datetime

import pytest
from django.urls import reverse

from bookings import alarms, demo
from facility.models import Person
from samples.models import Holder, Sample

pytestmark = pytest.mark.django_db

THEN = datetime(2026, 11, 25, 12, tzinfo=UTC)  # one day for all, so that nothing changes by chance
PICKED = 20
MOST_TAPS = 2


def taps_to(client, thing, text):
    """Taps from any first page to a thing's page: the search, then the line of the list; or None."""
    answer = client.get(reverse("bookings:scan"), {"q": text}, follow=True)
    if answer.redirect_chain and answer.redirect_chain[-1][0] == thing.get_absolute_url():
        return 1 if answer.status_code == 200 else None
    listed = f'href="{thing.get_absolute_url()}"' in answer.content.decode()
    return 2 if listed and client.get(thing.get_absolute_url()).status_code == 200 else None


@pytest.mark.once
@pytest.mark.parametrize("sessions", [150, pytest.param(400, marks=pytest.mark.soak)])
def test_given_the_demo_when_twenty_samples_are_looked_for_then_each_is_two_taps_away_and_alarms_are_few(
    client, sessions
):
    demo.fill(sessions=sessions, now=THEN)
    picked = random.Random(20).sample(list(Sample.objects.select_related("owner")), PICKED)
    dee = Person.objects.get(username="dee")
    taps = {"code": [], "label": [], "title": [], "part of the title": []}

    for row in picked:
        colleagues = Person.objects.filter(group=row.group, is_active=True)
        for person in (row.owner if row.owner.is_active else colleagues[0], dee):
            client.force_login(person)
            label = f"HTTPS://HOLDFAST.EXAMPLE.ORG/S/{row.code}"
            part = row.title[: max(len(row.title) - 2, 4)]
            for how, text in zip(taps, (row.code.lower(), label, row.title, part), strict=True):
                taps[how].append(taps_to(client, row, text))
                if taps[how][-1] is None:
                    print(f"{how}: {text!r} not found by {person}")
    client.force_login(dee)
    names = [taps_to(client, row, row.short_name.lower()) for row in Holder.objects.in_use()]

    for how, found in taps.items():
        there = [one for one in found if one is not None]
        print(f"{how}: {len(there)} of {len(found)} found, {sum(there) / len(there):.2f} taps")
    for how in ("code", "label", "title"):
        assert None not in taps[how]
        assert max(taps[how]) <= MOST_TAPS
    assert names == [1] * len(names)
    budget = alarms.measure()
    print(f"{budget.loads} loads, {budget.warned} asked something new, {budget.stopped} stopped")
    assert budget.holds
    assert len(names) > 20


def test_given_a_title_that_others_begin_with_when_searched_for_then_it_opens_by_itself(
    client, lab
):
    from tests import build

    for title in ("Iron zeolite, batch 2", "Iron zeolite, batch 21", "Iron zeolite, batch 22"):
        build.sample(title, owner=lab.ben)
    client.force_login(lab.ben)

    answer = client.get(reverse("bookings:scan"), {"q": "iron zeolite, batch 2"}, follow=True)

    assert answer.context["sample"].title == "Iron zeolite, batch 2"


def test_given_more_of_a_name_than_are_listed_when_searched_for_then_it_says_so(client, lab):
    from tests import build

    for n in range(41):
        build.sample(f"Coupon {n:02}", owner=lab.ben)
    client.force_login(lab.ben)

    many = client.get(reverse("bookings:scan"), {"q": "coupon"})
    few = client.get(reverse("bookings:scan"), {"q": "coupon 0"})

    assert len(many.context["samples"]) == 40
    assert "Write more of the name, or its code." in many.content.decode()
    assert "Write more of the name" not in few.content.decode()
