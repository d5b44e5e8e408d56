"""No page's work grows with the history behind it: the same queries after ten times as much of it."""

import uuid
from datetime import timedelta

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.urls import reverse
from django.utils import timezone

from bookings import say
from bookings.models import Booking, Fault, Flag, Load, PumpDown, Reading, Session, SessionPart
from facility import log
from facility.models import Gauge, Place
from samples import keep, mount
from samples.models import Cleaning, HolderNote, Mount
from tests import build

pytestmark = pytest.mark.django_db

FEW, MANY = 8, 80  # more than a page of the longest list


def a_past(lab, count):
    """So many loads of Ben's sample on B7 with all that goes with them, the last one still inside."""
    now = timezone.now()
    chamber = lab.instrument.chambers.get(kind="introduction")
    gauge = Gauge.objects.get(code="quayside-intro")
    stage = Place.objects.get(kind="stage", instrument=lab.instrument)
    sample = build.sample("Anatase A3", owner=lab.ben, form="powder", composition="TiO2")
    for n in range(count, 0, -1):
        begun, ended = now - timedelta(hours=6 * n), now - timedelta(hours=6 * n - 4)
        session_log = log.open_log(kind="session", instrument=lab.instrument, by=lab.ben)
        session = Session.objects.create(
            instrument=lab.instrument, sheet=lab.instrument.sheet, log=session_log,
            opened_at=begun, closed_at=ended,
        )  # fmt: skip
        SessionPart.objects.create(session=session, person=lab.ben, since=begun, until=ended)
        stood = Mount.objects.create(
            holder=lab.holder, sample=sample, position=1, since=begun, until=ended,
            thickness_mm=0.2, loose_powder="tapped", by=lab.ben,
        )  # fmt: skip
        load = Load.objects.create(
            instrument=lab.instrument, holder=lab.holder, session=session, loaded_by=lab.ben,
            log=log.open_log(kind="load", instrument=lab.instrument, by=lab.ben),
            loaded_at=begun, taken_out_at=ended, layout={"holder": {}, "mounts": []},
        )  # fmt: skip
        PumpDown.objects.create(
            chamber=chamber, load=load, started_at=begun, ended_at=ended, threshold_pa=1e-4,
            ended_why="threshold", form="powder", samples=1, judged_at=ended,
        )  # fmt: skip
        for minute in range(3):
            Reading.objects.create(
                gauge=gauge, at=begun + timedelta(minutes=9 * minute), pressure_pa=1.0, typed="1",
                unit="torr", source="manual", person=lab.ben, recorded_at=begun, sent_id=uuid.uuid4(),
            )  # fmt: skip
        Flag.objects.create(
            key=f"past {n}", rule="PWD-01", severity="staff", says="sheds", raised_at=begun,
            holder=lab.holder, mount=stood, load=load, instrument=lab.instrument,
        )  # fmt: skip
        Flag.objects.filter(key=f"past {n}", pk__gt=0).update(
            answer="seen" if n % 2 else "", answered_by=lab.dee, answered_at=ended
        )
        Booking.objects.create(
            place=stage,
            person=lab.ben,
            starts_at=begun,
            ends_at=ended,
            made_at=begun,
            made_by=lab.ben,
        )
        Cleaning.objects.create(holder=lab.holder, at=ended, method="wiped", by=lab.dee)
        Cleaning.objects.create(chamber=chamber, at=ended, method="baked", by=lab.dee)
        HolderNote.objects.create(holder=lab.holder, text="a note", at=ended, by=lab.dee)
        say.report_fault(instrument=lab.instrument, session=session, by=lab.ben, text="a noise")
        build.sample(f"Other {n}", owner=lab.ben, hazards="toxic")
    Fault.objects.update(ended_at=timezone.now(), ended_by=lab.dee)
    standing = mount.mount(holder=lab.holder, sample=sample, by=lab.ben)
    lab.sample, lab.load = standing.sample, load
    keep.note(holder=lab.holder, text="here", by=lab.dee)


def pages(lab):
    named = {
        "today": [], "holders": [], "holder": [lab.holder.code], "samples": [],
        "sample": [lab.sample.code], "mount_sample": [lab.holder.code], "load": [lab.load.pk],
        "instrument": ["quayside"], "chambers": ["quayside"], "records": [], "bookings": [],
        "flags": [], "in_vacuum": [], "hazards": [], "sessions": [], "label_sheet": [],
    }  # fmt: skip
    return {name: reverse(f"bookings:{name}", args=args) for name, args in named.items()}


def counted(client, lab):
    """{(page, who): queries} of every page, for the one whose things they are and for staff."""
    found = {}
    for person in (lab.ben, lab.dee):
        client.force_login(person)
        for name, path in pages(lab).items():
            client.get(path)
            with CaptureQueriesContext(
                connection,
            ) as queries:
                answer = client.get(path)
            if answer.status_code == 200:
                found[name, person.username] = len(queries)
    return found


def test_given_ten_times_the_history_when_pages_open_then_they_ask_no_more(client):
    from django.db import transaction

    found = []
    for count in (FEW, MANY):
        with transaction.atomic():
            lab = build.lab()
            a_past(lab, count)
            found.append(counted(client, lab))
            transaction.set_rollback(True)
        client.logout()
    few, many = found

    print({f"{name} as {who}": n for (name, who), n in sorted(many.items())})
    assert few.keys() == many.keys()
    assert len(many) >= 28
    grown = {page: (few[page], many[page]) for page in many if many[page] > few[page]}
    assert grown == {}
    assert max(many.values()) <= 60
