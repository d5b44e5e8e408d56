"""Triggers and constraints that keep what must never change, on both databases.

An app names its tables in `ready()`. They are guarded after every migrate, because Django rebuilds
a SQLite table on AlterField and its triggers are gone without a word. A system check fails when
one is missing or spelled as an older version spelled it. Each refusal reaches Django as
IntegrityError.
"""

import hashlib
from dataclasses import dataclass

from django.db import connections
from django.db.backends.signals import connection_created

REFUSAL = "Holdfast: {table} is append-only; correct it with a later entry"
NO_DELETE = "Holdfast: {table} rows are never deleted"
ONLY_GROWS = "Holdfast: {table} only grows"
TAKEN = "Holdfast: that time is already held"


@dataclass(frozen=True)
class Guard:
    """One trigger or constraint: its table, its name, and how each database spells it."""

    table: str
    name: str
    sqlite: str
    postgresql: str
    constraint: bool = False  # on PostgreSQL only

    def spelling(self, vendor):
        """The statement that makes it, empty where this database needs none."""
        return getattr(self, vendor, "")

    def mark(self, vendor):
        """What PostgreSQL keeps as a comment, and SQLite as the statement itself, to compare."""
        text = self.spelling(vendor)
        if vendor == "sqlite":
            return text
        return hashlib.sha256((text if self.constraint else text + _FUNCTION).encode()).hexdigest()


_guards: dict[str, Guard] = {}

# PostgreSQL: one function refuses for all tables; its argument is the sentence.
_FUNCTION = """
CREATE OR REPLACE FUNCTION holdfast_refuse() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    RAISE EXCEPTION '%', TG_ARGV[0] USING ERRCODE = 'integrity_constraint_violation';
END $$;
CREATE OR REPLACE FUNCTION holdfast_refuse_unless_redacted() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    IF OLD.body <> '' AND NEW.body = ''
       AND (to_jsonb(NEW) - 'body') = (to_jsonb(OLD) - 'body')
       AND EXISTS (SELECT 1 FROM facility_entry r WHERE r.redacts_id = OLD.id)
    THEN RETURN NEW; END IF;
    RAISE EXCEPTION '%', TG_ARGV[0] USING ERRCODE = 'integrity_constraint_violation';
END $$;
CREATE OR REPLACE FUNCTION holdfast_refuse_unless_emptied() RETURNS trigger LANGUAGE plpgsql AS $$
DECLARE redacted boolean; texts text[] := string_to_array(TG_ARGV[2], ' ');
BEGIN
    EXECUTE format(
        'SELECT EXISTS (SELECT 1 FROM %I r WHERE r.%I = ($1).%I AND r.what = ''redacted'')',
        TG_TABLE_NAME, TG_ARGV[1], TG_ARGV[1]) USING OLD INTO redacted;
    IF redacted AND to_jsonb(NEW) - texts = to_jsonb(OLD) - texts
       AND NOT EXISTS (SELECT 1 FROM unnest(texts) t WHERE to_jsonb(NEW) ->> t <> '')
    THEN RETURN NEW; END IF;
    RAISE EXCEPTION '%', TG_ARGV[0] USING ERRCODE = 'integrity_constraint_violation';
END $$;
"""


def _add(table, name, *, sqlite, postgresql, constraint=False):
    name = f"holdfast_{table}_{name}"
    _guards[name] = Guard(
        table,
        name,
        sqlite.format(table=table, name=name),
        postgresql.format(table=table, name=name),
        constraint,
    )


def _trigger(table, name, event, sentence, *, when="", function="holdfast_refuse", each="ROW"):
    """The same refusal twice; `when` is SQL that both databases read alike."""
    sentence = sentence.format(table=table)
    condition = f"WHEN ({when}) " if when else ""
    _add(
        table,
        name,
        sqlite=f"CREATE TRIGGER {{name}} BEFORE {event} ON {{table}} {condition}"
        f"BEGIN SELECT RAISE(ABORT, '{sentence}'); END",
        postgresql=f"CREATE TRIGGER {{name}} BEFORE {event} ON {{table}} FOR EACH {each} {condition}"
        f"EXECUTE FUNCTION {function}('{sentence}')",
    )


def _no_truncate(table):
    """PostgreSQL's TRUNCATE passes row triggers by; SQLite has no such statement."""
    sentence = NO_DELETE.format(table=table)
    _add(
        table,
        "no_truncate",
        sqlite="",
        postgresql="CREATE TRIGGER {name} BEFORE TRUNCATE ON {table} FOR EACH STATEMENT "
        f"EXECUTE FUNCTION holdfast_refuse('{sentence}')",
    )


def append_only(table, *, except_redaction=False):
    """Rows of `table` are neither updated nor deleted.

    With `except_redaction` a body may be emptied once its redaction entry stands.
    """
    _trigger(table, "no_delete", "DELETE", REFUSAL)
    _no_truncate(table)
    if not except_redaction:
        _trigger(table, "no_update", "UPDATE", REFUSAL)
        return
    columns = ["id", "log_id", "n", "kind", "person_id", "happened_at", "recorded_at", "sent_id"]
    columns += ["digest", "hash", "redacts_id"]
    same = " AND ".join(f"NEW.{column} IS OLD.{column}" for column in columns)
    sentence = REFUSAL.format(table=table)
    _add(
        table,
        "no_update",
        sqlite="CREATE TRIGGER {name} BEFORE UPDATE ON {table} WHEN NOT (OLD.body <> '' AND "
        f"NEW.body = '' AND {same} AND EXISTS (SELECT 1 FROM {{table}} r WHERE r.redacts_id = OLD.id)) "
        f"BEGIN SELECT RAISE(ABORT, '{sentence}'); END",
        postgresql="CREATE TRIGGER {name} BEFORE UPDATE ON {table} FOR EACH ROW "
        f"EXECUTE FUNCTION holdfast_refuse_unless_redacted('{sentence}')",
    )


def append_only_but_emptied(table, *, of, texts, rest):
    """Rows of `table` stand for good; only their texts may be emptied, once a row says `redacted`.

    Takes:   of, the column that joins rows; texts, the columns that may be emptied; rest, the others.
    """
    _trigger(table, "no_delete", "DELETE", REFUSAL)
    _no_truncate(table)
    sentence = REFUSAL.format(table=table)
    kept = " AND ".join(f"NEW.{column} IS OLD.{column}" for column in [of, *rest])
    empty = " AND ".join(f"NEW.{column} = ''" for column in texts)
    _add(
        table,
        "no_update",
        sqlite=f"CREATE TRIGGER {{name}} BEFORE UPDATE ON {{table}} WHEN NOT ({empty} AND {kept} AND "
        f"EXISTS (SELECT 1 FROM {{table}} r WHERE r.{of} = OLD.{of} AND r.what = 'redacted')) "
        f"BEGIN SELECT RAISE(ABORT, '{sentence}'); END",
        postgresql="CREATE TRIGGER {name} BEFORE UPDATE ON {table} FOR EACH ROW EXECUTE FUNCTION "
        f"holdfast_refuse_unless_emptied('{sentence}', '{of}', '{' '.join(texts)}')",
    )


def growing(table):
    """Rows of the log table are never deleted, stay what they are, and only get longer by one."""
    _trigger(table, "no_delete", "DELETE", NO_DELETE)
    _no_truncate(table)
    _trigger(
        table,
        "only_grows",
        "UPDATE",
        ONLY_GROWS,
        when="NEW.length <> OLD.length + 1 OR NEW.kind <> OLD.kind "
        "OR NEW.instrument_id <> OLD.instrument_id OR NEW.id <> OLD.id",
    )


def no_overlap(table, *, of, start, end, standing):
    """Two rows with the same `of` never share a moment of [start, end) while `standing` holds."""
    clash = (
        f"{standing.format('NEW.')} AND EXISTS (SELECT 1 FROM {table} o WHERE o.id <> NEW.id "
        f"AND o.{of} = NEW.{of} AND {standing.format('o.')} "
        f"AND o.{start} < NEW.{end} AND o.{end} > NEW.{start})"
    )
    for event in ("INSERT", "UPDATE"):
        _add(
            table,
            f"no_overlap_{event.lower()}",
            sqlite=f"CREATE TRIGGER {{name}} BEFORE {event} ON {{table}} WHEN {clash} "
            f"BEGIN SELECT RAISE(ABORT, '{TAKEN}'); END",
            postgresql="",
        )
    _add(
        table,
        "no_overlap",
        sqlite="",
        postgresql="ALTER TABLE {table} ADD CONSTRAINT {name} EXCLUDE USING gist "
        f"({of} WITH =, tstzrange({start}, {end}, '[)') WITH &&) WHERE ({standing.format('')})",
        constraint=True,
    )


def _wanted(connection):
    """The guards of this database whose tables exist, by name."""
    tables = set(connection.introspection.table_names())
    return {
        guard.name: guard
        for guard in _guards.values()
        if guard.table in tables and guard.spelling(connection.vendor)
    }


def _standing(connection):
    """The guards that this database has now: name to mark."""
    with connection.cursor() as cursor:
        if connection.vendor == "sqlite":
            cursor.execute("SELECT name, sql FROM sqlite_master WHERE type = 'trigger'")
        else:
            cursor.execute(
                "SELECT tgname::text, obj_description(oid, 'pg_trigger') FROM pg_trigger "
                "WHERE NOT tgisinternal AND tgenabled IN ('O', 'A') "
                "UNION ALL SELECT conname::text, obj_description(oid, 'pg_constraint') "
                "FROM pg_constraint WHERE contype = 'x'"
            )
        return {name: mark for name, mark in cursor.fetchall() if name.startswith("holdfast_")}


def missing(connection):
    """Names of guards that should stand as they are spelled now, and do not."""
    standing, vendor = _standing(connection), connection.vendor
    wanted = _wanted(connection)
    return sorted(name for name in wanted if standing.get(name) != wanted[name].mark(vendor))


def put_up(connection):
    """Make every guard that is missing, and make anew what an older version spelled otherwise."""
    absent = missing(connection)
    if not absent:
        return
    wanted = _wanted(connection)
    with connection.cursor() as cursor:
        if connection.vendor == "postgresql":
            cursor.execute("CREATE EXTENSION IF NOT EXISTS btree_gist")
            cursor.execute(_FUNCTION)
        for name in absent:
            guard = wanted[name]
            _drop(cursor, guard, connection.vendor)
            cursor.execute(guard.spelling(connection.vendor))
            if connection.vendor == "postgresql":
                kind = "CONSTRAINT" if guard.constraint else "TRIGGER"
                mark = guard.mark("postgresql")
                cursor.execute(f"COMMENT ON {kind} {name} ON {guard.table} IS '{mark}'")


def _drop(cursor, guard, vendor):
    if vendor == "sqlite":
        cursor.execute(f"DROP TRIGGER IF EXISTS {guard.name}")
    elif guard.constraint:
        cursor.execute(f"ALTER TABLE {guard.table} DROP CONSTRAINT IF EXISTS {guard.name}")
    else:
        cursor.execute(f"DROP TRIGGER IF EXISTS {guard.name} ON {guard.table}")


def take_down(connection):
    """Remove the guards: only a flush of a test database, a restore or a test does this."""
    standing = _standing(connection)
    with connection.cursor() as cursor:
        for guard in _wanted(connection).values():
            if guard.name in standing:
                _drop(cursor, guard, connection.vendor)


def replaced_rows_count_as_deleted(connection, **kwargs):
    """SQLite's REPLACE removes rows past the delete triggers, unless a connection asks otherwise."""
    if connection.vendor == "sqlite":
        with connection.cursor() as cursor:
            cursor.execute("PRAGMA recursive_triggers = ON")


connection_created.connect(replaced_rows_count_as_deleted, dispatch_uid="holdfast-replace")


def after_migrate(using, **kwargs):
    """Receiver of post_migrate."""
    put_up(connections[using])


def migration(apps, schema_editor):
    """For RunPython in a migration: the guards stand from the first migrate on."""
    put_up(schema_editor.connection)
