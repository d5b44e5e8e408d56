"""Bakes and vents: what may stay inside, and what they leave behind."""

import pytest
from django.utils import timezone

from bookings import inside, jobs, run
from facility.errors import Refused
from facility.models import Event
from samples import mount
from tests import build


@pytest.fixture
def loaded(lab):
    sample = build.sample("foil", owner=lab.ben, composition="Cu")
    mount.mount(holder=lab.holder, sample=sample, by=lab.ben, mounting="indium foil")
    session = run.sign_on(instrument=lab.instrument, by=lab.ben)
    inside.open_load(session=session, holder=lab.holder, by=lab.ben, moment=timezone.now())
    return lab


def test_given_an_empty_chamber_when_baked_to_the_end_then_a_new_phase_begins(lab):
    job = jobs.begin(instrument=lab.instrument, by=lab.dee, kind="bake", why="vented", max_c=120)
    jobs.read(job=job, by=lab.dee, temperature_c=118, pressure="3e-7")

    for _ in range(2):
        jobs.end(job=job, by=lab.dee, after="4.1e-10")

    event = Event.objects.get()
    assert event.kind == "bake"
    assert "118 °C" in event.says


def test_given_a_holder_inside_when_a_bake_begins_then_it_is_named_or_accepted(loaded):
    asked = {"instrument": loaded.instrument, "by": loaded.dee, "kind": "bake", "why": "vented"}

    with pytest.raises(Refused, match="B7 on indium foil"):
        jobs.begin(**asked, max_c=120)
    job = jobs.begin(**asked, max_c=120, accepted="indium, up to 150 °C")

    assert job.inside[0]["accepted"] == "indium, up to 150 °C"


def test_given_indium_inside_when_a_bake_is_too_hot_then_nobody_may_accept_it(loaded):
    with pytest.raises(Refused, match=r"melts at 156\.6 °C"):
        jobs.begin(
            instrument=loaded.instrument, by=loaded.dee, kind="bake", why="vented", max_c=160,
            accepted="it will hold",
        )  # fmt: skip
