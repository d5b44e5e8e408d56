"""Verbs of checks and upkeep: what is stored, asked back, refused; pressed twice, done once."""

import uuid
from datetime import timedelta

import pytest
from django.utils import timezone

from bookings import checking, counting, health, losses, run
from bookings.lines import Week
from bookings.models import Fault, Flag
from facility import check, keep_up
from facility.check_sorts import NotRead
from facility.errors import Refused, SetAside
from facility.models import Check, DeviceState, Event, PartLife, UpkeepDone
from tests import build


def test_given_three_metals_when_entered_then_errors_and_verdict_stand(lab):
    kind = build.check_kind(lab.instrument, by=lab.dee)

    row = check.enter(kind=kind, by=lab.dee, typed=build.SCALE)

    assert row.verdict == "within"
    assert {v.series for v in row.values.all()} >= {"Au 4f7/2", "Cu 2p3/2", "scale", "linearity"}
    assert row.entry.log == lab.instrument.log


def test_given_a_check_when_sent_twice_then_it_is_one_and_another_content_is_set_aside(lab):
    kind, sent = build.check_kind(lab.instrument, by=lab.dee), uuid.uuid4()

    first = check.enter(kind=kind, by=lab.dee, typed=build.SCALE, sent_id=sent)
    second = check.enter(kind=kind, by=lab.dee, typed=build.SCALE, sent_id=sent)

    assert first == second
    with pytest.raises(SetAside):
        check.enter(kind=kind, by=lab.dee, typed=build.SCALE | {"Au 4f7/2": "84"}, sent_id=sent)
    assert Check.objects.count() == 1


def test_given_a_line_five_ev_off_when_entered_then_it_is_asked_back_and_stored(lab):
    kind = build.check_kind(lab.instrument, by=lab.dee)

    row = checking.enter(kind=kind, by=lab.dee, typed=build.SCALE | {"Au 4f7/2": "88.96"})

    assert "5.00 eV from its place" in row.doubt
    assert not Flag.objects.filter(key=f"check|{row.pk}").exists()
    (now,) = health.kinds_now(lab.instrument)
    assert now.series == []


def test_given_a_line_beyond_the_tolerance_when_entered_then_staff_are_flagged_once(lab):
    kind = build.check_kind(lab.instrument, by=lab.dee)

    row = checking.enter(kind=kind, by=lab.dee, typed=build.SCALE | {"Cu 2p3/2": "932.76"})

    assert row.verdict == "staff"
    assert "without uncertainty" in row.says.lower()
    assert Flag.objects.get(key=f"check|{row.pk}").rule == "CAL-01"


@pytest.mark.parametrize(
    ("typed", "field"),
    [({"Au 4f7/2": "", "Cu 2p3/2": "932.6"}, "Au 4f7/2"), ({"Au 4f7/2": "gold"}, "Au 4f7/2"),
     ({"Au 4f7/2": "nan"}, "Au 4f7/2"), ({}, "Cu 2p3/2")],
)  # fmt: skip
def test_given_figures_that_cannot_be_read_when_entered_then_the_field_says_why(lab, typed, field):
    kind = build.check_kind(lab.instrument, by=lab.dee)

    with pytest.raises(NotRead) as refused:
        check.enter(kind=kind, by=lab.dee, typed=typed)

    assert field in refused.value.problems
    assert not Check.objects.exists()


def test_given_a_source_of_another_instrument_when_kept_then_it_is_refused_with_its_name(lab):
    other = build.source(lab.other_instrument, by=lab.dee, name="Mg Kα source")

    with pytest.raises(Refused, match="has no source “Mg Kα source”"):
        build.check_kind(lab.instrument, by=lab.dee, source=other)


def test_given_a_tolerance_of_three_hundredths_when_kept_then_it_is_refused(lab):
    with pytest.raises(Refused, match="must be above"):
        build.check_kind(lab.instrument, by=lab.dee, tolerance_ev=0.03)


def test_given_a_part_when_changed_then_one_life_ends_and_checks_come_due(lab):
    kind = build.check_kind(lab.instrument, by=lab.dee)
    check.enter(kind=kind, by=lab.dee, typed=build.SCALE)
    part, sent = lab.instrument.parts.get(), uuid.uuid4()

    for _ in range(2):
        keep_up.change_part(part=part, by=lab.dee, cause="anode worn", sent_id=sent)

    assert PartLife.objects.filter(part=part).count() == 2
    assert part.lives.over().get().cause == "anode worn"
    assert Event.objects.get().kind == "source"
    (now,) = health.kinds_now(lab.instrument)
    assert now.is_due
    assert now.due.why == "after work on the X-ray source"


def test_given_a_power_cut_when_told_twice_then_every_instrument_hears_it_once(lab):
    session = run.sign_on(instrument=lab.instrument, by=lab.ben)
    sent = uuid.uuid4()

    for _ in range(2):
        losses.lose(
            instruments=[lab.instrument, lab.other_instrument],
            by=lab.dee,
            kind="power",
            sent_id=sent,
        )

    assert Event.objects.filter(kind="power").count() == 2
    assert Fault.objects.count() == 2
    assert session.log.entries.filter(kind="note").count() == 1
    assert (
        not DeviceState.objects.exclude(state="unknown").filter(instrument=lab.instrument).exists()
    )


def test_given_a_task_when_done_twice_with_one_press_then_it_is_done_once(lab):
    task = keep_up.add_task(instrument=lab.instrument, by=lab.dee, name="Filter", every_days=30)
    later = timezone.now() + timedelta(days=40)
    assert keep_up.standings(lab.instrument, later)[0].is_due
    sent = uuid.uuid4()

    for _ in range(2):
        keep_up.do_task(task=task, by=lab.dee, says="washed", sent_id=sent)

    assert UpkeepDone.objects.count() == 1
    assert not keep_up.standings(lab.instrument)[0].is_due


def test_given_a_rise_when_read_for_twelve_minutes_then_a_steady_one_is_like_a_leak(lab):
    gauge = lab.instrument.chambers.get(kind="introduction").gauges.first()
    kind = build.check_kind(
        lab.instrument, by=lab.dee, sort="rise", name="Rise", gauge=gauge, chamber=gauge.chamber
    )
    row = check.begin_rise(kind=kind, by=lab.dee)
    for minute in (0.5, 2, 4, 6, 8, 10, 12):
        at = row.at + timedelta(minutes=minute)
        check.read_rise_pressure(check=row, by=lab.dee, text=f"{1e-6 * (1 + minute):.2e}", at=at)

    row = checking.end_rise(check=row, by=lab.dee)

    assert row.found["verdict"] == "leak"
    assert "Pa m³/s" in row.says
    assert "torr L/s" in row.says
    assert Flag.objects.get(key=f"check|{row.pk}").rule == "PMP-02"


def test_given_nothing_when_a_week_is_reviewed_then_no_line_is_said_and_queries_stay_few(
    lab, django_assert_max_num_queries
):
    kind = build.check_kind(lab.instrument, by=lab.dee, every_days=14)
    for _ in range(6):
        check.enter(kind=kind, by=lab.dee, typed=build.SCALE)
    now = timezone.now()
    week = Week(now - timedelta(days=7), now + timedelta(seconds=1))

    with django_assert_max_num_queries(16):
        assert health.review_lines(lab.instrument, week) == []


def test_given_a_check_recorded_after_the_week_when_reviewed_then_it_is_not_known(lab):
    kind = build.check_kind(lab.instrument, by=lab.dee)
    checking.enter(kind=kind, by=lab.dee, typed=build.SCALE | {"Cu 2p3/2": "932.80 932.80"})
    now = timezone.now()

    earlier = health.review_lines(
        lab.instrument, Week(now - timedelta(days=14), now - timedelta(days=7))
    )
    this = health.review_lines(
        lab.instrument, Week(now - timedelta(days=6), now + timedelta(days=1))
    )

    assert earlier == []
    assert [(line.rule, line.severity) for line in this] == [("CAL-01", "staff")]


def test_given_a_session_without_parts_when_counted_then_every_entry_is_counted_once(lab):
    run.sign_on(instrument=lab.instrument, by=lab.ben)

    first = counting.count_use(lab.instrument)

    assert counting.count_use(lab.instrument) == 0
    assert first >= 0
