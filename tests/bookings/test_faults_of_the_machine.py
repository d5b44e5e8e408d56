"""Bad days of the machine: a full disk, a session open for days, a database that went away."""

import errno
import io
import os
from datetime import timedelta

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.db import OperationalError
from django.urls import reverse
from django.utils import timezone
from PIL import Image

from bookings import clock, devices, outbox, run, say, steps
from bookings.models import Session
from facility import verify
from facility.models import DeviceState, Entry, Photo

pytestmark = pytest.mark.django_db


@pytest.fixture
def session(lab):
    made = run.sign_on(instrument=lab.instrument, by=lab.ben)
    sheet = devices.sheet_of(made)
    due = steps.looks_due(sheet, devices.states_of(lab.instrument, sheet))
    steps.confirm_looks(session=made, by=lab.ben, step_ids=[step.id for step in due])
    return made


def picture():
    out = io.BytesIO()
    Image.new("RGB", (60, 40), "grey").save(out, "PNG")
    return SimpleUploadedFile("holder.png", out.getvalue(), "image/png")


@pytest.mark.parametrize("where", ["fsync", "replace"])
def test_given_a_full_disk_when_a_photograph_comes_then_a_sentence_says_so_and_nothing_is_half(
    client, lab, session, settings, tmp_path, monkeypatch, where
):
    settings.MEDIA_ROOT = tmp_path
    client.force_login(lab.ben)
    address = reverse("bookings:add_photograph", args=[session.pk])
    before = Entry.objects.count()

    def full(*given, **more):
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    monkeypatch.setattr(os, where, full)
    answer = client.post(address, {"photograph": picture(), "says": "B7 mounted"})
    monkeypatch.undo()

    assert answer.status_code == 422
    assert "No space left on device" in answer.content.decode()
    assert "tell staff that the disk needs room" in answer.content.decode()
    assert (Photo.objects.count(), Entry.objects.count()) == (0, before)
    assert [path for path in tmp_path.rglob("*") if path.is_file()] == []
    settings.MEDIA_ROOT = tmp_path
    assert client.post(address, {"photograph": picture()}).status_code == 302
    assert Photo.objects.count() == 1


def test_given_a_session_open_for_three_days_when_it_goes_on_then_looks_come_first_and_it_closes(
    client, lab, session
):
    three_days = timedelta(days=3)
    Session.objects.filter(pk=session.pk).update(opened_at=timezone.now() - three_days)
    DeviceState.objects.update(looked_at=timezone.now() - three_days)
    client.force_login(lab.ben)
    clock.tick()

    page = client.get(session.get_absolute_url()).content.decode()

    assert 'id="looks">Look and confirm: 5 things<' in page
    assert Session.objects.get().closed_at is None  # tick closes nobody's session
    say.note(session=session, by=lab.ben, text="Still here.")
    run.sign_off(session=session, by=lab.ben, handover="Three days.")
    assert Session.objects.get().closed_at
    assert verify.verify().broken == []


def test_given_a_database_that_is_away_when_items_come_then_the_tablet_is_told_to_keep_them(
    client, lab, session, monkeypatch
):
    client.force_login(lab.ben)

    def away(**given):
        raise OperationalError("server closed the connection unexpectedly")

    monkeypatch.setattr(outbox, "receive", away)
    answer = client.post(
        reverse("bookings:tablet_items"), '{"items": [], "clock": ""}', "application/json"
    )

    assert answer.status_code == 503
    assert answer.json()["why"] == "The database does not answer."
