"""The full sheet at an instrument: order, gates with their numbers, two people, what happened anyway."""

import json
import uuid
from datetime import timedelta
from pathlib import Path

import pytest
from django.urls import reverse
from django.utils import timezone

from bookings import awaited, devices, gates, inside, outbox, pump, run, say, steps
from bookings.models import Fault, Flag, Load, PumpDown
from facility import interlocks, log, tablets, verify
from facility.errors import Refused, SetAside
from facility.models import DeviceState, Entry, Gauge, KeptItem, RunSheet
from samples import mount as bench
from tests import build

pytestmark = pytest.mark.django_db
SHEETS = Path(__file__).parents[2] / "facility" / "sheets"


@pytest.fixture
def xps(lab):
    """Ben at an instrument that runs the full sheet, with a gauge on its ion gun."""
    instrument = lab.instrument
    instrument.sheet = RunSheet.objects.create(
        name="Full sheet",
        instrument=instrument,
        version=2,
        document=json.loads((SHEETS / "photoelectron.json").read_text()),
        published_at=timezone.now(),
        published_by=lab.dee,
    )
    instrument.save()
    main = instrument.chambers.get(kind="main")
    lab.gun = Gauge.objects.create(
        chamber=main, code="quayside-gun", name="ion gun", principle="cold_cathode",
        unit="Pa", low_pa=1e-4, high_pa=1.0, on_ion_gun=True,
    )  # fmt: skip
    film = build.sample("Cu-Ni film 07", owner=lab.ben, form="film", composition="CuNi")
    bench.mount(holder=lab.holder, sample=film, by=lab.ben, mounting="carbon tape")
    lab.session = run.sign_on(instrument=instrument, by=lab.ben)
    sheet = devices.sheet_of(lab.session)
    due = steps.looks_due(sheet, devices.states_of(instrument, sheet))
    steps.confirm_looks(session=lab.session, by=lab.ben, step_ids=[step.id for step in due])
    return lab


def read(lab, text, gauge="quayside-intro", **more):
    made = pump.type_pressure(
        gauge=Gauge.objects.select_related("chamber").get(code=gauge), by=lab.ben, text=text, **more
    )
    awaited.after_reading(session=lab.session, by=lab.ben, reading=made)
    return made


def states(lab):
    return devices.states_of(lab.instrument, devices.sheet_of(lab.session))


def take(lab, *ids, by=None, **more):
    for step_id in ids:
        steps.take_step(session=lab.session, by=by or lab.ben, step_id=step_id, **more)


BENCH = [
    "read_declarations",
    "fresh_gloves",
    "fix_samples",
    "remove_loose_powder",
    "measure_height",
    "photograph_and_name",
]
# a look finds the door shut, not latched: unlatching it is then no step to take
LOADING = ["look_before_venting", "shut_pump_valve", "open_nitrogen", "open_vent", "open_door"]
PUMPING = ["shut_vent", "shut_nitrogen", "latch_door", "open_pump_valve"]


def loaded_and_pumping(lab):
    take(lab, *BENCH, *LOADING)
    take(lab, "put_holder_in")
    take(lab, "close_door", holder=lab.holder)
    take(lab, *PUMPING)


def test_given_every_look_when_confirmed_at_once_then_each_device_is_known_and_at_rest(xps):
    assert interlocks.at_rest(devices.sheet_of(xps.session), states(xps))
    assert Entry.objects.filter(kind="looked").count() == DeviceState.objects.count() == 12


def test_given_the_listed_order_when_walked_with_its_pressures_then_a_holder_goes_in_and_out(xps):
    loaded_and_pumping(xps)
    read(xps, "9e-2")
    assert states(xps)["introduction"] == "rough"  # too high yet for the cold cathode
    read(xps, "9e-4")  # low enough: the step that waited for it is taken by itself
    take(xps, "gauge_on")
    read(xps, "8e-6")
    assert states(xps)["introduction"] == "above"
    read(xps, "9e-7")  # below the threshold: the step that waited for it is taken by itself
    assert states(xps)["introduction"] == "below"
    take(xps, "gauge_off", "analysis_side_safe", "open_gate", "arm_in")
    load = Load.objects.get()
    assert load.transferred_at
    assert PumpDown.objects.get().ended_why == "threshold"
    take(xps, "arm_home", "close_gate")
    read(xps, "2e-9", "quayside-main")
    take(xps, "wait_for_recovery", "raise_stage", "xrays_on", "measure", "xrays_off", "lower_stage")
    read(xps, "8e-7")
    take(xps, "gauge_on_out")
    read(xps, "7e-7")
    take(xps, "gauge_off_out", "analysis_side_safe_out", "open_gate_out", "arm_in_out")
    assert inside.load_inside(xps.instrument, "introduction") == load
    take(xps, "arm_home_out", "close_gate_out", "look_before_venting_out", "shut_pump_valve_out")
    take(xps, "unlatch_door_out", "open_nitrogen_out", "open_vent_out", "open_door_out")
    take(xps, "take_holder_out")
    load.refresh_from_db()
    assert load.taken_out_at
    run.sign_off(session=xps.session, by=xps.ben)

    assert verify.verify().broken == []


def test_given_an_unread_chamber_when_the_gate_is_asked_for_then_it_is_not_offered(xps):
    loaded_and_pumping(xps)

    with pytest.raises(Refused, match="introduction below"):
        take(xps, "open_gate")


def test_given_an_old_reading_when_the_gate_is_asked_for_then_it_has_to_be_read_again(xps):
    loaded_and_pumping(xps)
    read(xps, "9e-4")
    take(xps, "gauge_on")
    read(xps, "9e-7")
    sheet, later = devices.sheet_of(xps.session), timezone.now() + timedelta(minutes=7)

    then = devices.states_of(xps.instrument, sheet, later)

    assert then["introduction"] == "unread"
    now = steps.situation(xps.session, xps.ben, then, at=later)
    for gate in gates.look(["below_threshold_and_fresh", "gauge_can_read"], now):
        assert not gate.open
        assert "7 min old" in gate.says


@pytest.mark.parametrize(
    ("intro", "main", "opens", "says"),
    [("9e-7", "1e-9", True, "limit"), ("5e-1", "1e-9", False, "above its limit")],
)
def test_given_both_pressures_when_the_burst_is_computed_then_its_number_decides(
    xps, intro, main, opens, says
):
    loaded_and_pumping(xps)
    read(xps, intro)
    read(xps, main, "quayside-main")

    now = steps.situation(xps.session, xps.ben, states(xps))
    gate = gates.look(["burst_within_limit"], now)[0]

    assert gate.open is opens
    assert says in gate.says


def test_given_argon_when_it_stands_at_its_target_for_a_minute_then_the_gun_may_be_lit(xps):
    def steady():
        now = steps.situation(xps.session, xps.ben, states(xps))
        return gates.look(["argon_steady"], now)[0]

    early = timezone.now() - timedelta(seconds=90)
    read(xps, "1e-7", "quayside-main")

    read(xps, "9e-3", "quayside-gun", happened_at=early - timedelta(seconds=30))
    assert not steady().open
    read(xps, "15e-3", "quayside-gun", happened_at=early)
    read(xps, "14.8e-3", "quayside-gun")

    assert steady().open, steady().says


def test_given_a_level_without_ion_gun_when_argon_is_asked_for_then_staff_are_named(xps):
    read(xps, "9e-4")
    take(xps, "read_rough_gauge", "lend_pump", "open_gun_valve")

    with pytest.raises(Refused, match="ion gun"):
        take(xps, "admit_argon")


def test_given_two_people_when_one_measures_then_the_other_is_not_offered_what_harms_it(xps):
    build.qualify(xps.gil, xps.instrument, by=xps.dee)
    other = run.sign_on(instrument=xps.instrument, by=xps.gil)
    steps.happened_anyway(session=xps.session, by=xps.ben, sets={"arm": "in", "gate_valve": "open"})

    with pytest.raises(Refused, match="gate valve closed"):
        steps.take_step(session=other, by=xps.gil, step_id="look_before_venting")


def test_given_the_gate_opened_too_early_when_it_happened_anyway_then_it_is_stored_with_its_way_back(
    xps,
):
    loaded_and_pumping(xps)

    entry = steps.happened_anyway(
        session=xps.session, by=xps.ben, sets={"gate_valve": "open"}, sentence="My sleeve."
    )

    said = log.contents(entry)
    assert said["in_order"] is False
    assert said["hazards"] == ["gate_open_above_threshold"]
    flag = Flag.objects.get(rule="hazard")
    assert flag.severity == "stop"
    assert "close" in flag.do.lower()


def test_given_twelve_hours_without_a_look_when_asked_then_nothing_is_known(xps):
    DeviceState.objects.update(looked_at=timezone.now() - timedelta(hours=12, minutes=1))

    assert set(states(xps).values()) == {"unknown"}


def test_given_a_fault_that_moved_things_when_reported_then_nothing_is_known_and_it_has_a_clock(
    xps,
):
    fault = say.report_fault(
        instrument=xps.instrument, by=xps.ben, text="Power cut.", session=xps.session,
        forget_devices=True,
    )  # fmt: skip

    assert set(states(xps).values()) == {"unknown"}
    xps.instrument.refresh_from_db()
    assert xps.instrument.word == "careful"
    say.end_fault(fault=fault, by=xps.dee, sentence="Back.")
    xps.instrument.refresh_from_db()
    assert (xps.instrument.word, Fault.objects.open().count()) == ("usable", 0)


def test_given_the_fold_when_pressed_then_every_step_before_it_is_an_entry_of_its_own(xps):
    take(xps, "read_declarations")
    before = [*BENCH[1:], *LOADING[:2], "unlatch_door", LOADING[2]]  # the door is unlatched already

    steps.take_through(session=xps.session, by=xps.ben, before=before, step_id="open_vent")

    taken = [
        log.contents(entry)["step"] for entry in Entry.objects.filter(kind="step").order_by("n")
    ]
    assert taken == [*BENCH, *LOADING[:4]]


def test_given_the_fold_when_one_step_is_not_possible_then_nothing_is_recorded(xps):
    before = Entry.objects.count()

    with pytest.raises(Refused):
        steps.take_through(
            session=xps.session, by=xps.ben, before=["fresh_gloves"], step_id="open_gate"
        )

    assert Entry.objects.count() == before


def test_given_one_id_when_two_steps_come_under_it_then_the_second_is_set_aside(xps):
    sent = "7b7b3f0e-0000-4000-8000-000000000001"
    take(xps, "read_declarations", sent_id=sent)
    take(xps, "read_declarations", sent_id=sent)

    with pytest.raises(SetAside):
        take(xps, "fresh_gloves", sent_id=sent)

    assert Entry.objects.filter(kind="step").count() == 1


def test_given_a_lent_pump_when_a_holder_waits_then_its_pump_down_pauses(xps):
    loaded_and_pumping(xps)
    PumpDown.objects.update(started_at=timezone.now() - timedelta(minutes=5))
    read(xps, "9e-4")

    take(xps, "lend_pump", "open_gun_valve", "shut_gun_valve", "pump_line_back")

    assert [event for _, event in PumpDown.objects.get().events] == ["isolated", "resumed"]


def test_given_a_lapsed_qualification_when_making_safe_then_nothing_stands_in_the_way(xps):
    take(xps, "lend_pump")
    xps.ben.qualifications.update(lapses_on=timezone.localdate() - timedelta(days=1))

    take(xps, "pump_line_back")
    read(xps, "1e-3")
    say.report_fault(instrument=xps.instrument, by=xps.ben, text="Late.", session=xps.session)
    run.sign_off(session=xps.session, by=xps.ben)

    xps.session.refresh_from_db()
    assert xps.session.closed_at


def sent_later(lab, minutes, *items):
    """What Ben's tablet kept without a network, each a minute after the other, comes in at once."""
    sign_on = tablets.sign_on(person=lab.ben)
    began = timezone.now() - timedelta(minutes=minutes)
    DeviceState.objects.update(looked_at=began)
    return outbox.receive(
        clock=log.stamp(timezone.now()),
        person=lab.ben,
        items=[
            {
                "id": str(uuid.uuid4()),
                "session": lab.session.pk,
                "sign_on": str(sign_on.pk),
                "kind": kind,
                "at": log.stamp(began + timedelta(minutes=number)),
                "fields": fields,
            }
            for number, (kind, fields) in enumerate(items, 1)
        ],
    )


def pressure(text):
    return "pressure", {"gauge": "quayside-intro", "pressure": text}


def test_given_no_network_when_a_pump_down_comes_in_late_then_each_step_was_in_order_then(xps):
    loaded_and_pumping(xps)
    read(xps, "1e-9", "quayside-main", happened_at=timezone.now() - timedelta(minutes=60))

    answers = sent_later(
        xps,
        40,
        pressure("9e-4"),
        ("step", {"step": "read_rough_gauge"}),  # pressed too: the page without network asks for it
        ("step", {"step": "gauge_on"}),
        pressure("9e-7"),
        ("step", {"step": "gauge_off", "through": ""}),
        ("step", {"step": "open_gate", "through": "analysis_side_safe "}),
    )

    assert {row["status"] for row in answers} == {"stored"}
    taken = [log.contents(row) for row in Entry.objects.filter(kind="step").order_by("n")][-7:]
    assert [row["step"] for row in taken] == [
        *["read_rough_gauge", "read_rough_gauge", "gauge_on", "below_threshold", "gauge_off"],
        *["analysis_side_safe", "open_gate"],
    ]
    assert all(row["in_order"] for row in taken), taken
    assert not Flag.objects.filter(rule="hazard").exists()
    assert states(xps)["gate_valve"] == "open"


def test_given_a_pressure_that_comes_in_late_when_somebody_did_more_since_then_it_takes_no_step(
    xps,
):
    loaded_and_pumping(xps)
    before = Entry.objects.filter(kind="step").count()

    read(xps, "9e-4", happened_at=timezone.now() - timedelta(minutes=3))

    assert Entry.objects.filter(kind="step").count() == before
    assert states(xps)["introduction"] == "rough"


def test_given_the_same_fold_when_two_press_it_then_no_other_step_is_taken(xps):
    take(xps, "read_declarations")
    pressed = {"session": xps.session, "before": BENCH[1:], "step_id": "look_before_venting"}
    steps.take_through(by=xps.ben, **pressed)
    steps.take_through(by=xps.dee, **pressed)  # the other tablet's press, in the log as well

    said = [log.contents(row)["step"] for row in Entry.objects.filter(kind="step").order_by("n")]
    assert said == [*BENCH, "look_before_venting", *BENCH[1:], "look_before_venting"]


def test_given_looks_whose_answer_was_lost_when_they_are_sent_again_then_each_is_stored_once(xps):
    devices.forget(xps.instrument, Entry.objects.filter(log=xps.session.log).last())
    sheet = devices.sheet_of(xps.session)
    due = [step.id for step in steps.looks_due(sheet, states(xps))]
    sent = {look: str(uuid.uuid4()) for look in due}
    before = Entry.objects.filter(kind="looked").count()

    for _ in range(2):
        steps.confirm_looks(session=xps.session, by=xps.ben, step_ids=due, sent_ids=sent)
        for look in due:  # the same again, from the tablet's outbox
            steps.take_step(
                session=xps.session, by=xps.ben, step_id=look, sent_id=sent[look], offline=True
            )

    assert Entry.objects.filter(kind="looked").count() == before + len(due)
    steps.take_step(session=xps.session, by=xps.ben, step_id=due[0], offline=True)
    assert log.contents(Entry.objects.filter(kind="looked").last())["in_order"]


def test_given_devices_that_nobody_knows_when_the_next_step_needs_none_then_the_round_folds(xps):
    sheet = devices.sheet_of(xps.session)
    unknown = dict.fromkeys(sheet.devices, "unknown")
    assert steps.looks_come_first(xps.session, sheet, unknown)  # at sign-on, before any step

    take(xps, "read_declarations")
    assert not steps.looks_come_first(xps.session, sheet, unknown)  # fresh gloves need no device

    take(xps, *BENCH[1:])
    assert steps.looks_come_first(xps.session, sheet, unknown)


def test_given_what_happened_anyway_when_posted_twice_under_one_id_then_it_is_one_entry(
    client, xps
):
    client.force_login(xps.ben)
    address = reverse("bookings:anyway", args=[xps.session.pk])
    posted = {"sent_id": str(uuid.uuid4()), "what": "gate_valve=open", "sentence": "A sleeve."}

    for _ in range(2):
        assert client.post(address, posted).status_code == 302
    aside = client.post(address, posted | {"what": "arm=in"})

    assert Entry.objects.filter(kind="happened anyway").count() == 1
    assert aside.status_code == 422
    assert KeptItem.objects.get().text.startswith(address)


def test_given_a_session_closed_meanwhile_when_somebody_joins_or_writes_then_told_or_kept(xps):
    stale = type(xps.session).objects.get(pk=xps.session.pk)
    run.sign_off(session=xps.session, by=xps.ben)

    with pytest.raises(Refused, match="closed"):
        run.join(session=stale, by=xps.gil, part="operates")
    with pytest.raises(Refused, match="closed"):
        steps.take_step(session=stale, by=xps.ben, step_id="fresh_gloves")
    read = Gauge.objects.select_related("chamber").get(code="quayside-intro")
    awaited.write_pressure(session=stale, by=xps.ben, gauge=read, text="9e-4")
    say.note(session=stale, by=xps.ben, text="Typed after the other one left.")

    assert not xps.session.parts.filter(until=None).exists()
    assert Entry.objects.filter(kind="note").count() == 1


def test_given_a_year_of_sessions_when_the_tablet_page_opens_then_it_asks_as_much_as_on_day_one(
    client, xps, django_assert_max_num_queries
):
    loaded_and_pumping(xps)
    read(xps, "9e-4")
    client.force_login(xps.ben)
    address = xps.session.get_absolute_url()

    with django_assert_max_num_queries(45):
        client.get(address)
    for day in range(40):
        read(xps, "9e-4")
        say.note(session=xps.session, by=xps.ben, text=f"day {day}")
    with django_assert_max_num_queries(45):
        client.get(address)
