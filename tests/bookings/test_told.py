"""A stop across groups is told at the gate and on the first page, without the other's substance."""

import re

import pytest
from django.urls import reverse

from bookings import gates, run
from bookings.models import Flag
from samples import mount
from tests import build

pytestmark = pytest.mark.django_db

SUBSTANCES = re.compile(r"\b(iodine|mercury|hg|i2|hgi2|secret)\b", re.IGNORECASE)


def named(text):
    """A substance that stands in a text; as a word, since a token of the page may hold its letters."""
    return SUBSTANCES.search(text)


@pytest.fixture
def shared(lab):
    """Ben's film beside Chao's iodine on one holder, with the flags of that."""
    theirs = build.sample("Secret crystal", owner=lab.chao, form="bulk", composition="I2")
    lab.their_mount = mount.mount(
        holder=lab.holder, sample=theirs, by=lab.chao, position=1, x_mm=0.0, y_mm=0.0
    )
    ours = build.sample("TiN 4", owner=lab.ben, composition="TiN")
    mount.mount(holder=lab.holder, sample=ours, by=lab.ben, position=2, x_mm=5.0, y_mm=0.0)
    run.refresh_flags(lab.holder)
    lab.stop = Flag.objects.waiting().get(rule="VOL-01", severity="stop")
    return lab


def test_given_another_groups_stop_when_the_gate_is_asked_then_the_substance_is_not_named(shared):
    is_open, says = gates.findings_answered(shared.holder, shared.ben)
    _, to_staff = gates.findings_answered(shared.holder, shared.dee)

    assert "iodine" in to_staff.lower()
    assert not is_open
    assert "position 1, another group's" in says.lower()
    assert not named(says)


def test_given_a_confidential_stop_when_the_gate_is_asked_then_only_ask_staff_is_said(shared):
    sample = shared.their_mount.sample
    sample.confidential = True
    sample.save()

    _, says = gates.findings_answered(shared.holder, shared.ben)

    assert says == "B7: Position 1: ask staff"


def test_given_a_stop_of_ones_own_when_the_gate_is_asked_then_all_is_told(shared):
    mount.take_off(mount=shared.holder.mounts.standing().get(position=2), by=shared.ben)

    _, says = gates.findings_answered(shared.holder, shared.chao)

    assert "torr" in says


def test_given_a_step_that_loads_it_when_taken_then_the_refusal_names_no_substance(client, shared):
    client.force_login(shared.ben)
    session = run.sign_on(instrument=shared.instrument, by=shared.ben)
    looks = ["look_arm", "look_gate", "look_door", "look_pump_valve_shut", "look_introduction"]
    address = reverse("bookings:take_step", args=[session.pk])
    for look in looks:
        client.post(address, {"step": look})

    answer = client.post(address, {"step": "load", "holder": "B7"})

    assert answer.status_code == 422
    refusal = answer.content.decode().split('class="refusal"')[1].split("</div>")[0].lower()
    assert "another group" in refusal
    assert not named(refusal)


def test_given_a_pair_of_two_groups_when_the_first_page_is_read_then_the_rule_stands_for_it(
    client, shared
):
    flag = Flag.objects.create(
        key="pair", rule="XCN-01", severity="warn", raised_at=shared.stop.raised_at,
        says="Position 1 (iodine) is too near position 2.", do="Move the iodine.",
        holder=shared.holder, mount=shared.holder.mounts.get(position=2),
    )  # fmt: skip
    client.force_login(shared.ben)

    said = client.get(reverse("bookings:today")).content.decode().lower()

    assert "distance between samples: look at holder b7" in said
    assert not named(said)
    client.force_login(shared.dee)
    assert flag.says in client.get(reverse("bookings:today")).content.decode()
