"""One thread through the whole job, page by page, without a browser."""

import io
import uuid

import pytest
import zxingcpp
from django.db import IntegrityError, connection
from django.urls import reverse
from PIL import Image

from bookings.models import Flag, Load, PumpDown, Reading, Session
from facility import verify
from samples.models import Mount
from tests import build

pytestmark = pytest.mark.django_db


def post(client, name, args=(), **data):
    return client.post(reverse(f"bookings:{name}", args=args), data, follow=True)


def take(client, session, step, **more):
    answer = post(client, "take_step", [session.pk], step=step, sent_id=uuid.uuid4(), **more)
    assert answer.status_code == 200, answer.content.decode()[:3000]


def test_given_a_powder_when_it_is_mounted_run_and_answered_then_the_log_holds_it_all(
    client, lab, settings
):
    settings.PUBLIC_URL = "https://holdfast.example.org"
    powder = build.sample("Anatase A3", owner=lab.ben, form="powder", thickness_mm=0.2)
    client.force_login(lab.ben)

    # scan, mount, and exactly the planted finding
    found = client.get(reverse("bookings:scan"), {"q": lab.holder.code.lower()}, follow=True)
    assert found.context["holder"] == lab.holder
    shown = post(
        client, "mount_sample", [lab.holder.code], sample=powder.pk, mounting="copper tape",
        sent_id=uuid.uuid4(),
    )  # fmt: skip
    assert [finding.rule for finding in shown.context["findings"]] == ["PWD-01"]
    assert Flag.objects.get().rule == "PWD-01"

    # a label that an independent decoder reads
    picture = client.get(reverse("bookings:label_png", args=[lab.holder.code])).content
    read = zxingcpp.read_barcodes(Image.open(io.BytesIO(picture)).convert("L"))
    assert [code.text for code in read] == [f"HTTPS://HOLDFAST.EXAMPLE.ORG/H/{lab.holder.code}"]

    # a session: the load is refused while powder is loose
    post(client, "sessions", instrument="quayside", sent_id=uuid.uuid4())
    session = Session.objects.get()
    for look in ("look_arm", "look_gate", "look_door", "look_pump_valve_shut", "look_introduction"):
        take(client, session, look)
    refused = post(client, "take_step", [session.pk], step="load", holder="B7")
    assert refused.status_code == 422
    assert "loose powder is not off yet" in refused.content.decode()
    mount = Mount.objects.get()
    post(client, "say_loose_powder", [lab.holder.code, mount.pk], how="tapped")
    assert not Flag.objects.waiting().exists()

    take(client, session, "load", holder="b7")
    take(client, session, "pump_down")
    gauge = "quayside-intro"
    typed = ["5", "1,2E-02", "3.4 x 10^-4", "8.1 × 10⁻⁶", "OFF", "9.0e-7"]
    for text in typed:
        answer = post(client, "write_pressure", [session.pk, gauge], pressure=text)
        assert answer.status_code == 200
    assert list(Reading.objects.order_by("pk").values_list("typed", flat=True)) == typed
    take(client, session, "below_threshold")
    take(client, session, "transfer")
    take(client, session, "retract_and_end")
    load = Load.objects.get()
    assert load.transferred_at
    assert PumpDown.objects.get().ended_why == "threshold"
    post(client, "sign_off", [session.pk], handover="B7 stays on the stage.")

    record = client.get(reverse("bookings:load", args=[load.pk]))
    assert "Anatase A3" in record.content.decode()
    assert "First read below the threshold" in record.content.decode()

    # the log
    assert verify.verify().broken == []
    with pytest.raises(IntegrityError), connection.cursor() as cursor:
        cursor.execute("UPDATE facility_entry SET kind = 'x'")
