"""What the chambers of an instrument remember, and what clears it, by the cast."""

import uuid
from datetime import timedelta

import pytest
from django.core.exceptions import PermissionDenied
from django.urls import reverse
from django.utils import timezone

from bookings import chambers, inside, run
from bookings.models import Flag
from facility.models import Entry, Place
from samples import keep, mount
from samples.memory import ANOTHER_GROUPS
from samples.models import Cleaning
from tests import build

pytestmark = pytest.mark.django_db


def loaded(lab, *, composition, owner, name="R1"):
    """A load with one sample of this kind, in and out again."""
    holder = build.holder(name, by=lab.dee)
    sample = build.sample("Seal", owner=owner, form="bulk", composition=composition)
    row = mount.mount(holder=holder, sample=sample, by=owner)
    now = timezone.now()
    session = run.sign_on(instrument=lab.instrument, by=lab.dee)
    load = inside.open_load(session=session, holder=holder, by=lab.dee, moment=now)
    load.taken_out_at = now + timedelta(milliseconds=1)
    load.save()
    row.until = load.taken_out_at
    row.save()
    mount.move(holder=holder, place=Place.objects.get(name="rack"), by=lab.dee)
    return load


def page(client, person, lab, **data):
    client.force_login(person)
    slug = lab.instrument.slug
    if data:
        return client.post(reverse("bookings:clean_chamber", args=[slug]), data, follow=True)
    return client.get(reverse("bookings:chambers", args=[slug]))


def cleaned(client, lab, **more):
    said = {"chamber": "introduction", "method": "baked", "sent_id": uuid.uuid4()}
    return page(client, lab.dee, lab, **said | more)


def test_given_a_silicone_load_when_cleaned_then_the_chamber_asks_for_a_blank_and_then_forgets(
    client, lab
):
    loaded(lab, composition="PDMS", owner=lab.ben)
    other = build.holder("R2", by=lab.dee)
    mount.mount(holder=other, sample=build.sample(owner=lab.ben, composition="Au"), by=lab.ben)
    run.refresh_flags(other)
    waits = Flag.objects.waiting().filter(rule="MEM-01", holder=other)

    before = page(client, lab.dee, lab)
    assert [one.what for one in before.context["remembered"]] == ["silicone"]
    assert "until a chamber is cleaned" in before.content.decode()
    assert waits.exists()

    wiped = cleaned(client, lab)
    assert "What is missing is a blank" in wiped.content.decode()
    assert "no blank was measured" in waits.get().says

    blank = cleaned(client, lab, blank_says="nothing but C and O")
    assert blank.context["remembered"] == []
    assert not waits.exists()
    assert [row.blank for row in blank.context["cleanings"]] == ["nothing but C and O", ""]


def test_given_a_cleaning_when_recorded_twice_then_one_row_and_one_entry_stand(client, lab):
    sent = uuid.uuid4()

    cleaned(client, lab, sent_id=sent)
    cleaned(client, lab, sent_id=sent)

    assert Cleaning.objects.get().chamber.kind == "introduction"
    entry = Entry.objects.get(kind="chamber cleaned")
    assert entry.log == lab.instrument.log
    assert '"method":"baked"' in entry.body.replace(" ", "")


def test_given_people_who_do_not_keep_the_house_when_they_record_a_cleaning_then_they_may_not(
    client, lab
):
    loaded(lab, composition="PDMS", owner=lab.ben)

    for person in (lab.ben, lab.chao, lab.eve):
        assert page(client, person, lab).status_code == 200
        assert "Staff record cleanings" in page(client, person, lab).content.decode()
        answer = page(client, person, lab, chamber="main", method="baked", sent_id=uuid.uuid4())
        assert answer.status_code == 403
    with pytest.raises(PermissionDenied):
        keep.clean(chamber=lab.instrument.chambers.first(), by=lab.ben, method="baked")
    assert not Cleaning.objects.exists()


def test_given_another_groups_load_when_remembered_then_its_substance_is_not_told(client, lab):
    loaded(lab, composition="PDMS", owner=lab.chao)

    strangers = page(client, lab.ben, lab)
    told = [one.what for one in page(client, lab.chao, lab).context["remembered"]]

    assert [one.what for one in strangers.context["remembered"]] == [ANOTHER_GROUPS]
    assert "silicone" not in strangers.content.decode().split("Silicone, mercury")[0].lower()
    assert told == ["silicone"]


def test_given_a_wrong_chamber_when_recorded_then_a_sentence_says_so(client, lab):
    answer = cleaned(client, lab, chamber="cellar")

    assert answer.status_code == 422
    assert "Choose one of the two chambers." in answer.content.decode()


def test_given_ten_times_the_loads_when_the_chambers_are_asked_then_the_queries_do_not_grow(
    lab, django_assert_max_num_queries
):
    for n in range(12):
        loaded(lab, composition="PDMS", owner=lab.ben, name=f"Q{n}")

    with django_assert_max_num_queries(4):
        assert len(chambers.remembered(lab.instrument, seen=lambda sample: True)) == 1
