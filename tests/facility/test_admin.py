"""A superuser sets an instrument up at the tables, and from then on it has its log."""

import pytest
from django.core.management import call_command

from facility import verify
from facility.models import Chamber, Instrument, Person
from samples.models import Holder, HolderType
from tests import build

pytestmark = pytest.mark.django_db


@pytest.fixture
def root(client, monkeypatch):
    monkeypatch.setenv("DJANGO_SUPERUSER_PASSWORD", build.PASSWORD)
    call_command("createsuperuser", interactive=False, username="root", email="root@example.org")
    person = Person.objects.get(username="root")
    client.force_login(person)
    return person


def test_given_nothing_when_an_instrument_is_set_up_then_it_has_its_log_and_chambers(client, root):
    assert root.role == "manager"
    fields = {
        "slug": "skerry", "name": "Skerry", "what": "photoelectron spectrometer",
        "threshold_pa": "1.3e-4", "main_ceiling_pa": "1e-5", "burst_ceiling_pa": "1e-4",
        "argon_ceiling_pa": "1e-4", "margin_mm": "1.5", "tape_mm": "0.08", "tilt_axis_mm": "0",
        "readout_sign": "1", "photon_energy_ev": "1486.6", "spot_um": "400",
        "source_elevation_deg": "45",
    }  # fmt: skip

    answer = client.post("/tables/facility/instrument/add/", fields)

    assert answer.status_code == 302, answer.context["errors"]
    skerry = Instrument.objects.get()
    assert skerry.log is not None
    client.post(
        "/tables/facility/chamber/add/",
        {"instrument": skerry.pk, "kind": "introduction", "volume_l": "8"},
    )
    assert Chamber.objects.get().instrument == skerry
    assert verify.verify().broken == []


def test_given_a_new_holder_when_saved_then_its_code_is_drawn(client, root):
    kind = HolderType.objects.create(
        name="disc", shape="disc", diameter_mm=25.4, max_thickness_mm=6.5
    )

    client.post("/tables/samples/holder/add/", {"short_name": "B1", "type": kind.pk})

    assert Holder.objects.get().code.startswith("H")


@pytest.mark.parametrize("role", ["manager", "staff", "user"])
def test_given_no_superuser_when_the_tables_are_asked_for_then_they_stay_shut(client, role):
    client.force_login(build.person(role=role))

    assert client.get("/tables/facility/instrument/").status_code == 302
