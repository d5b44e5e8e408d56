"""What must never change: the database refuses by itself, and a lost guard is noticed."""

import uuid
from datetime import timedelta

import pytest
from django.core.checks import run_checks
from django.core.management import CommandError, call_command
from django.db import IntegrityError, OperationalError, connection, models, transaction
from django.utils import timezone

from bookings.models import Booking, Reading
from facility import guards, log
from facility.models import Entry, Gauge, Limit, Place
from tests import build
from tests.build import at

pytestmark = pytest.mark.django_db

TABLES = [
    "bookings_booking",
    "bookings_incidentchange",
    "bookings_lookedfor",
    "bookings_reading",
    "facility_dialreading",
    "facility_entry",
    "facility_gasuse",
    "facility_limit",
    "facility_log",
    "facility_runsheet",
    "facility_stockuse",
]


def sql(text, *values):
    with connection.cursor() as cursor:
        cursor.execute(text, values)


def loose():
    """Ids of what the checks at start find on this database."""
    return [found.id for found in run_checks(databases=["default"])]


@pytest.fixture
def rows(lab):
    """One row at least in each guarded table."""
    now = timezone.now()
    gauge = Gauge.objects.first()
    Reading.objects.create(
        gauge=gauge, at=now, pressure_pa=1e-4, typed="7.5e-7", unit="torr", source="manual",
        person=lab.ben, recorded_at=now, sent_id=uuid.uuid4(),
    )  # fmt: skip
    Limit.objects.create(name="gap", value=1.0, unit="mm", source="own proposal", since=now)
    log.write(log=lab.instrument.log, kind="note", by=lab.ben, data={})
    connection.check_constraints()  # PostgreSQL truncates nothing while references wait


def test_given_a_migrated_database_when_checked_then_every_guard_stands(db):
    assert guards.missing(connection) == []
    assert sorted({guard.table for guard in guards._wanted(connection).values()}) == TABLES
    assert loose() == []


@pytest.mark.parametrize(
    "table", ["facility_entry", "facility_limit", "facility_runsheet", "bookings_reading"]
)
@pytest.mark.parametrize("statement", ["UPDATE {} SET id = id + 1", "DELETE FROM {}"])
def test_given_an_append_only_table_when_sql_changes_it_then_the_database_refuses(
    rows, table, statement
):
    with pytest.raises(IntegrityError, match=f"{table} is append-only"), transaction.atomic():
        sql(statement.format(table))


@pytest.mark.parametrize(
    "table", ["facility_entry", "facility_limit", "facility_runsheet", "bookings_reading"]
)
def test_given_an_append_only_table_when_truncated_then_nothing_is_lost(rows, table):
    refusal = {"postgresql": IntegrityError, "sqlite": OperationalError}[connection.vendor]
    words = {"postgresql": "never deleted", "sqlite": 'near "TRUNCATE": syntax'}[connection.vendor]

    with pytest.raises(refusal, match=words), transaction.atomic():
        sql(f"TRUNCATE {table}" + (" CASCADE" if connection.vendor == "postgresql" else ""))


def test_given_the_log_table_when_truncated_then_nothing_is_lost(rows):
    with pytest.raises((IntegrityError, OperationalError)), transaction.atomic():
        sql("TRUNCATE facility_log CASCADE")

    assert Entry.objects.exists()


def test_given_the_redaction_guard_when_a_column_is_added_then_its_list_must_grow():
    """SQLite's guard names the columns that a redaction leaves alone; none may be forgotten."""
    spelled = guards._guards["holdfast_facility_entry_no_update"].sqlite
    columns = {field.column for field in Entry._meta.concrete_fields} - {"body"}

    assert all(f"NEW.{column} IS OLD.{column}" in spelled for column in columns)


@pytest.mark.django_db(transaction=True)
@pytest.mark.parametrize(
    ("model", "name"),
    [(Entry, "kind"), (Reading, "typed"), (Limit, "name"), (Booking, "why"), (log.Log, "head")],
)
def test_given_a_rebuilt_table_when_guards_are_lost_then_the_check_says_so_and_migrate_mends_it(
    model, name
):
    old = model._meta.get_field(name)
    new = models.CharField(max_length=old.max_length + 1)
    new.set_attributes_from_name(name)
    new.model = model

    with connection.schema_editor() as editor:
        editor.alter_field(model, old, new)
    lost = guards.missing(connection)
    found = loose()
    with connection.schema_editor() as editor:
        editor.alter_field(model, new, old)
    call_command("migrate", verbosity=0)

    if connection.vendor == "sqlite":
        assert lost
        assert {guards._guards[guard].table for guard in lost} == {model._meta.db_table}
        assert found == ["holdfast.E001"]
    else:
        assert (lost, found) == ([], [])
    assert guards.missing(connection) == []


@pytest.mark.django_db(transaction=True)
def test_given_no_guards_when_migrated_then_they_stand_again():
    guards.take_down(connection)
    assert len(guards.missing(connection)) == len(guards._wanted(connection))
    assert loose() == ["holdfast.E001"]

    call_command("migrate", verbosity=0, skip_checks=False)  # as from a shell

    assert guards.missing(connection) == []
    assert loose() == []


def test_given_a_guard_spelled_by_an_older_version_when_put_up_then_it_is_made_anew(
    db, monkeypatch
):
    name = "holdfast_facility_limit_no_delete"
    guard = guards._guards[name]
    newer = {
        field: getattr(guard, field).replace("append-only", "kept as it was")
        for field in ("sqlite", "postgresql")
    }
    spelled = guards.Guard(guard.table, guard.name, **newer)
    monkeypatch.setitem(guards._guards, name, spelled)
    assert guards.missing(connection) == [name]

    guards.put_up(connection)

    assert guards.missing(connection) == []
    Limit.objects.create(name="gap", value=1.0, source="own proposal", since=timezone.now())
    with pytest.raises(IntegrityError, match="kept as it was"), transaction.atomic():
        sql("DELETE FROM facility_limit")


def test_given_a_guard_that_does_nothing_any_more_when_checked_then_it_is_missing(db):
    name = "holdfast_facility_entry_no_delete"
    if connection.vendor == "sqlite":
        sql(f"DROP TRIGGER {name}")
        sql(f"CREATE TRIGGER {name} BEFORE DELETE ON facility_entry BEGIN SELECT 1; END")
    else:
        sql(f"ALTER TABLE facility_entry DISABLE TRIGGER {name}")
    assert guards.missing(connection) == [name]

    guards.put_up(connection)

    assert guards.missing(connection) == []


# Emptying a database


@pytest.mark.django_db(transaction=True)
def test_given_a_test_database_when_flushed_then_it_is_empty_and_guarded():
    build.lab()

    call_command("flush", interactive=False, verbosity=0)

    assert not Entry.objects.exists()
    assert guards.missing(connection) == []


@pytest.mark.parametrize(
    "name", ["holdfast", "/srv/holdfast/holdfast.sqlite3", "/srv/test_rig/holdfast.sqlite3"]
)
def test_given_any_other_database_when_flushed_then_it_is_refused(rows, monkeypatch, name):
    monkeypatch.setitem(connection.settings_dict, "NAME", name)

    with pytest.raises(CommandError, match="is not a test database"):
        call_command("flush", interactive=False, verbosity=0)

    assert Entry.objects.exists()
    assert guards.missing(connection) == []


# Never two at one time


def hold(lab, start, end, *, place=None, person="ben", **more):
    return Booking.objects.create(
        place=place or Place.objects.get(kind="stage", instrument=lab.instrument),
        person=getattr(lab, person) if person else None,
        starts_at=at(start), ends_at=at(end),
        wall_start="2026-11-12T" + start, wall_end="2026-11-12T" + end, zone="Europe/London",
        made_at=at("07:00"), made_by=lab.dee, **more,
    )  # fmt: skip


@pytest.mark.parametrize(
    ("start", "end"),
    [("09:00", "12:00"), ("08:00", "09:01"), ("11:59", "13:00"), ("10:00", "11:00"), ("08:00", "13:00")],
)  # fmt: skip
@pytest.mark.parametrize("person", ["chao", None])
def test_given_time_that_is_held_when_another_row_overlaps_it_then_the_database_refuses(
    lab, start, end, person
):
    hold(lab, "09:00", "12:00")

    with pytest.raises(IntegrityError), transaction.atomic():
        hold(lab, start, end, person=person)

    assert Booking.objects.count() == 1


def test_given_time_that_is_held_when_the_next_is_beside_it_or_elsewhere_then_both_stand(lab):
    hold(lab, "09:00", "12:00")
    hold(lab, "12:00", "13:00", person="chao")
    hold(lab, "08:00", "09:00", person=None)
    elsewhere = Place.objects.get(kind="introduction", instrument=lab.instrument)
    hold(lab, "09:00", "12:00", place=elsewhere)
    hold(lab, "09:30", "10:00", cancelled_at=at("07:30"), cancelled_by=lab.dee)

    assert Booking.objects.count() == 5


def test_given_two_bookings_when_one_moves_or_stands_again_over_the_other_then_it_is_refused(lab):
    hold(lab, "09:00", "12:00")
    later = hold(lab, "13:00", "14:00")
    cancelled = hold(lab, "11:00", "12:00", cancelled_at=at("07:30"), cancelled_by=lab.dee)

    for row, change in (
        (later, {"starts_at": at("11:30")}),
        (cancelled, {"cancelled_at": None, "cancelled_by": None}),
    ):
        with pytest.raises(IntegrityError), transaction.atomic():
            Booking.objects.filter(pk=row.pk).update(**change)
    moved = Booking.objects.filter(pk=later.pk).update(ends_at=later.ends_at + timedelta(hours=1))
    assert moved == 1
