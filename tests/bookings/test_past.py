"""A step that comes in late brings about what it did then; what was seen since stands."""

import json
import random
from datetime import timedelta
from pathlib import Path

import pytest
from django.utils import timezone

from bookings import devices, late, past, run, steps
from bookings.models import Flag, Load, PumpDown
from facility import log, verify
from facility.models import DeviceState, Entry, RunSheet
from samples import mount as bench
from samples.models import Whereabouts
from tests import build

pytestmark = pytest.mark.django_db
SHEETS = Path(__file__).parents[2] / "facility" / "sheets"
SEED = 20261125


@pytest.fixture
def here(lab):
    """Ben's session on the full sheet, with a film mounted on B7 two days ago."""
    instrument = lab.instrument
    instrument.sheet = RunSheet.objects.create(
        name="Full sheet", instrument=instrument, version=2,
        document=json.loads((SHEETS / "photoelectron.json").read_text()),
        published_at=timezone.now(), published_by=lab.dee,
    )  # fmt: skip
    instrument.save()
    film = build.sample("Cu-Ni film 07", owner=lab.ben, form="film", composition="CuNi")
    bench.mount(holder=lab.holder, sample=film, by=lab.ben, mounting="carbon tape")
    film.mounts.update(since=timezone.now() - timedelta(days=2))
    lab.session = run.sign_on(instrument=instrument, by=lab.ben)
    lab.now = timezone.now()
    return lab


def ago(here, minutes):
    return here.now - timedelta(minutes=minutes)


def take(here, minutes, step_id, holder=None):
    return steps.take_step(
        session=here.session, by=here.ben, step_id=step_id, holder=holder,
        happened_at=ago(here, minutes), offline=True,
    )  # fmt: skip


def looked(here, minutes=0):
    """Everything is looked at and confirmed, so that the devices are known from then on."""
    sheet = devices.sheet_of(here.session)
    for step in steps.looks_due(sheet, devices.states_of(here.instrument, sheet)):
        take(here, minutes, step.id)


def places(holder):
    """(kind of place, minutes between) of a holder, oldest first."""
    rows = Whereabouts.objects.filter(holder=holder).select_related("place").order_by("since")
    return [row.place.kind for row in rows]


def test_given_looks_since_when_last_nights_load_is_typed_then_the_holder_is_where_it_was_put(here):
    looked(here)

    late.write_lines(
        session=here.session, by=here.ben, day=timezone.localdate(),
        lines=[
            _line(here, 900, "14 B7"),
            _line(here, 890, "18"),
        ],
    )  # fmt: skip

    load = Load.objects.get()
    assert load.holder == here.holder
    assert load.taken_out_at is None
    assert abs((load.loaded_at - ago(here, 900)).total_seconds()) < 60
    assert len(load.layout["mounts"]) == 1
    assert places(here.holder) == ["rack", "introduction"]
    assert PumpDown.objects.get().load == load
    assert not Flag.objects.filter(rule="hazard").exists()
    states = {row.device: row.state for row in DeviceState.objects.all()}
    assert states["door"] == "shut"  # as looked at since
    assert verify.verify().broken == []


def _line(here, minutes, value):
    import uuid

    at = timezone.localtime(ago(here, minutes))
    return late.Line(1, f"{at:%Y-%m-%d %H:%M}", late.STEP, value, uuid.uuid4())


def test_given_a_transfer_on_another_tablet_when_the_load_comes_late_then_it_lies_on_the_stage(
    here,
):
    take(here, 20, "arm_in")  # nobody had told this tablet of a load
    assert not Load.objects.exists()

    take(here, 60, "close_door", here.holder)
    take(here, 55, "open_pump_valve")

    load = Load.objects.get()
    assert load.transferred_at == ago(here, 20)
    assert places(here.holder) == ["rack", "introduction", "stage"]
    pumped = PumpDown.objects.get()
    assert (pumped.started_at, pumped.ended_at, pumped.ended_why) == (
        ago(here, 55), ago(here, 20), "threshold",
    )  # fmt: skip
    assert pumped.load == load


def test_given_a_holder_seen_on_the_shelf_since_when_its_load_comes_late_then_it_stays_there(here):
    shelf = build.holder("A4", by=here.dee).whereabouts.get().place
    other = here.other_instrument  # only to have another place of the house
    bench.move(
        holder=here.holder, by=here.dee, moment=ago(here, 10),
        place=type(shelf).objects.create(kind="shelf", name=f"shelf of {other}", capacity=9),
    )  # fmt: skip

    take(here, 60, "close_door", here.holder)

    load = Load.objects.get()
    assert (load.loaded_at, load.taken_out_at) == (ago(here, 60), ago(here, 10))
    assert places(here.holder) == ["rack", "introduction", "shelf"]
    now = Whereabouts.objects.now().get(holder=here.holder)
    assert (now.place.kind, now.by) == ("shelf", here.dee)


def test_given_the_same_load_told_by_two_when_the_second_comes_then_it_is_one_stay(here):
    take(here, 30, "close_door", here.holder)

    take(here, 32, "close_door", here.holder)
    take(here, 28, "close_door", here.holder)

    assert Load.objects.count() == 1
    assert places(here.holder) == ["rack", "introduction"]


def test_given_another_holder_inside_when_one_was_loaded_offline_then_it_is_stored_all_the_same(
    here,
):
    take(here, 60, "close_door", here.holder)
    second = build.holder("A4", by=here.dee)

    entry = take(here, 5, "close_door", second)

    assert log.contents(entry)["holder"] == second.code
    first = Load.objects.get(holder=here.holder)
    assert first.taken_out_at == ago(here, 5)
    assert Load.objects.inside().get().holder == second


def test_given_no_holder_named_when_a_load_was_taken_offline_then_the_step_is_stored_with_its_gap(
    here,
):
    entry = take(here, 5, "close_door")

    assert log.contents(entry)["step"] == "close_door"
    assert not Load.objects.exists()


DAY = [
    (300, "close_door", "B7"),
    (295, "open_pump_valve", None),
    (200, "arm_in", None),
    (120, "arm_in_out", None),
    (110, "open_vent_out", None),
    (105, "take_holder_out", None),
    (95, "close_door", "A4"),
    (90, "pump_empty_chamber", None),
    (20, "arm_in", None),
]


def told(here, rows, second):
    for minutes, step_id, holder in rows:
        given = {"B7": here.holder, "A4": second}.get(holder)
        take(here, minutes, step_id, given)


def story():
    """Where everything was and is, without keys."""
    return (
        sorted(
            Load.objects.values_list(
                "holder__short_name", "loaded_at", "transferred_at", "taken_out_at"
            ),
            key=str,
        ),
        sorted(
            Whereabouts.objects.values_list(
                "holder__short_name", "place__kind", "since", "until"
            ),
            key=str,
        ),
        list(PumpDown.objects.order_by("started_at").values_list("started_at", "ended_at", "ended_why")),
    )  # fmt: skip


EXPECTED_PUMPED = [(295, 200, "threshold"), (90, 20, "threshold")]


@pytest.mark.parametrize("seed", range(SEED, SEED + 12))
def test_given_one_day_when_its_steps_come_in_any_order_then_loads_and_places_are_the_same(
    here, seed
):
    second = build.holder("A4", by=here.dee)
    rows = list(DAY)
    random.Random(seed).shuffle(rows)

    told(here, rows, second)

    loads, whereabouts, pumped = story()
    assert loads == sorted(
        [
            ("A4", ago(here, 95), ago(here, 20), None),
            ("B7", ago(here, 300), ago(here, 200), ago(here, 105)),
        ],
        key=str,
    )
    of_b7 = [(kind, since) for name, kind, since, _ in whereabouts if name == "B7"]
    assert [kind for kind, _ in sorted(of_b7, key=lambda row: row[1])] == [
        "rack", "introduction", "stage", "introduction", "rack",
    ]  # fmt: skip
    for name in ("B7", "A4"):
        mine = sorted((row for row in whereabouts if row[0] == name), key=lambda row: row[2])
        assert [row[3] for row in mine[:-1]] == [row[2] for row in mine[1:]]  # no gap, no overlap
        assert mine[-1][3] is None
    assert pumped == [
        (ago(here, start), ago(here, end), why) for start, end, why in EXPECTED_PUMPED
    ]
    assert verify.verify().broken == []


def test_given_entries_of_before_when_a_past_moment_is_asked_then_the_devices_stand_as_then(here):
    sheet = devices.sheet_of(here.session)
    looked(here, 100)
    take(here, 90, "shut_pump_valve")
    take(here, 10, "open_nitrogen")

    assert past.states_at(here.instrument, sheet, ago(here, 95))["pump_valve"] == "open"
    assert past.states_at(here.instrument, sheet, ago(here, 50))["pump_valve"] == "shut"
    assert past.states_at(here.instrument, sheet, ago(here, 50))["nitrogen"] == "shut"
    assert past.states_at(here.instrument, sheet, ago(here, 101))["pump_valve"] == "unknown"


def test_given_a_hazard_of_before_when_told_late_then_it_is_flagged_as_past_and_now_stands(here):
    looked(here, 60)
    steps.happened_anyway(
        session=here.session, by=here.ben, sets={"gate_valve": "closed"}, happened_at=ago(here, 1)
    )

    steps.happened_anyway(
        session=here.session, by=here.ben, sets={"gate_valve": "open"}, happened_at=ago(here, 30)
    )

    assert DeviceState.objects.get(device="gate_valve").state == "closed"
    flag = Flag.objects.filter(rule="hazard").first()
    assert "told later" in flag.do


def test_given_a_late_step_when_the_session_went_on_then_it_stays_where_it_is_in_the_sheet(here):
    take(here, 10, "open_nitrogen")

    take(here, 30, "shut_pump_valve")

    here.session.refresh_from_db()
    assert here.session.last_step == "open_nitrogen"
    assert Entry.objects.filter(kind="step").count() == 2
