"""The demo: what it fills, that it holds, that it is the same each time, and its pages."""

import json
import re
from collections import Counter, defaultdict
from datetime import UTC, datetime, timedelta
from itertools import pairwise
from pathlib import Path
from urllib.parse import urlsplit

import pytest
from django.core.management import call_command
from django.urls import Resolver404, resolve
from django.utils import timezone

from bookings import demo, devices, flag, incident, inside, pump, readings, run, say, steps
from bookings.demo import cast, curves, materials, planted
from bookings.models import (
    Booking,
    Flag,
    LeftRunning,
    Load,
    Measurement,
    PumpDown,
    Reading,
    Session,
    SessionPart,
)
from facility import bottles, check, interlocks, keep_up, log, publish, sheet_proof
from facility.models import Chamber, DeviceState, Entry, Group, Instrument, Person
from facility.verify import verify
from samples.matter import composition, lines
from samples.models import Holder, Mount, Sample, Whereabouts
from tests import build

SMALL = 40
MIDDLE = 170  # sessions: long enough for most of what is planted
ROOT = Path(__file__).parents[2]


@pytest.fixture
def small(db):
    """A demo of some weeks."""
    return demo.fill(sessions=SMALL)


def overlapping(rows):
    """Pairs of (start, end) in one place that share a moment; an open end lasts for ever."""
    last = datetime.max.replace(tzinfo=UTC)
    spans = sorted((start, end or last) for start, end in rows)
    return [(one, other) for one, other in pairwise(spans) if other[0] < one[1]]


# what it fills


def test_given_an_empty_database_when_filled_then_everything_the_pages_need_is_there(small):
    assert Session.objects.count() in range(SMALL - 3, SMALL + 3)
    assert Load.objects.count() > SMALL * 0.7
    assert Sample.objects.count() > SMALL
    assert Holder.objects.count() == 24
    assert Instrument.objects.count() == 2
    assert {person.role for person in Person.objects.all()} == set(Person.Role.values)
    assert Group.objects.count() == len(cast.GROUPS)
    assert Person.objects.get(username="ben").check_password(cast.PASSWORD)
    assert Booking.objects.standing().filter(starts_at__gt=timezone.now()).count() > 5
    assert Booking.objects.closures().exists()
    assert Measurement.objects.count() > SMALL
    assert Mount.objects.filter(sample__owner__group__name="catalysis").exists()


def test_given_the_demo_when_the_log_is_verified_then_nothing_is_broken(small):
    comparison = readings.Comparison()

    verdict = verify(readings=comparison)

    assert verdict.broken == []
    assert verdict.entries == Entry.objects.count() > SMALL * 40
    assert comparison.covered() > SMALL * 10


def test_given_the_demo_when_looked_at_then_one_session_is_open_and_pumps_and_one_load_measures(
    small,
):
    now = timezone.now()
    session = Session.objects.open().get()
    running = PumpDown.objects.running().get(load__isnull=False)
    typed = pump.readings_of(running)
    sheet = devices.sheet_of(session)

    assert session.parts.get().person.username == "ben"
    assert running.load.session == session
    assert timedelta(minutes=5) < now - running.started_at < timedelta(minutes=20)
    assert typed.count() >= 3
    assert all(row.pressure_pa > running.threshold_pa for row in typed)
    left = LeftRunning.objects.get()
    measured = Load.objects.inside().exclude(pk=running.load_id).get()
    assert measured.transferred_at
    assert left.until > now
    assert measured.holder.whereabouts.now().get().place.kind == "stage"
    states = devices.states_of(session.instrument, sheet)
    assert interlocks.hazards_in(sheet, states) == ()
    assert (states["pump_valve"], states["gauge"], states["door"]) == ("open", "on", "latched")


@pytest.mark.once
def test_given_the_demo_when_states_are_compared_then_they_are_those_of_the_last_entries(small):
    for row in DeviceState.objects.select_related("entry", "instrument"):
        entries = Entry.objects.filter(
            log__instrument=row.instrument, kind__in=("step", "looked", "happened anyway")
        ).order_by("-recorded_at", "-pk")
        said = (log.contents(entry)["sets"].get(row.device) for entry in entries)
        assert row.state == next(state for state in said if state), row


def test_given_the_demo_when_the_bench_is_looked_at_then_a_holder_has_a_stop_beside_a_stranger(
    small,
):
    holder = Holder.objects.get(short_name="B7")
    owners = {mount.sample.group.name for mount in holder.mounts.standing()}

    assert {"coatings", "catalysis"} <= owners
    assert Flag.objects.waiting().filter(holder=holder, severity="stop").exists()
    assert Holder.objects.exclude(quarantined_why="").count() == 1
    dirty = Load.objects.filter(holder__short_name="B5").latest("loaded_at")
    assert not dirty.holder.cleanings.filter(at__gt=dirty.taken_out_at).exists()


@pytest.mark.once
def test_given_the_demo_when_times_are_compared_then_nothing_is_at_two_places_at_once(small):
    places, mounts, sessions = defaultdict(list), defaultdict(list), defaultdict(list)
    for row in Whereabouts.objects.all():
        places[row.holder_id, row.sample_id].append((row.since, row.until))
    for row in Mount.objects.all():
        mounts[row.sample_id].append((row.since, row.until))
    for row in Session.objects.all():
        sessions[row.instrument_id].append((row.opened_at, row.closed_at))

    for rows in (*places.values(), *mounts.values(), *sessions.values()):
        assert overlapping(rows) == []
    now = timezone.now()
    assert not Entry.objects.filter(recorded_at__gt=now).exists()
    assert not Entry.objects.filter(happened_at__gt=now).exists()
    assert not Reading.objects.filter(recorded_at__gt=now).exists()
    assert not Whereabouts.objects.filter(since__gt=now).exists()


@pytest.mark.once
def test_given_pump_downs_of_the_demo_when_counted_then_all_kinds_of_reading_are_there(small):
    counts = Counter()
    for pumpdown in PumpDown.objects.ended().filter(load__isnull=False):
        typed = pump.readings_of(pumpdown).filter(source="manual").count()
        logged = pump.readings_of(pumpdown).filter(source="logger").count()
        assert typed >= 1
        assert logged <= 120
        counts["logged" if logged else "typed"] += 1
        assert pumpdown.cooked["crossed_s"] == pump.crossed_s(pumpdown)

    assert counts["typed"] > 10
    assert counts["logged"] > 10
    assert Reading.objects.filter(source="manual", typed__regex=r"^\d\.\d").exists()


# the same each time, and only into an empty database


def _told():
    """Everything that a seed decides, without the keys that a database gives."""
    return (
        list(Sample.objects.order_by("code").values_list("code", "title", "thickness_mm")),
        list(Reading.objects.order_by("sent_id").values_list("sent_id", "at", "typed")),
        list(Entry.objects.order_by("sent_id").values_list("sent_id", "kind", "recorded_at")),
        list(Booking.objects.order_by("sent_id").values_list("sent_id", "starts_at", "ends_at")),
        list(Mount.objects.order_by("since").values_list("since", "x_mm", "loose_powder")),
    )


@pytest.mark.once
@pytest.mark.django_db(transaction=True)
def test_given_the_same_seed_and_moment_when_filled_again_then_it_is_the_same_demo():
    now, told = timezone.now(), []

    for seed in (7, 7, 8):
        demo.fill(sessions=12, seed=seed, now=now)
        told.append(_told())
        call_command("flush", interactive=False, verbosity=0)

    assert told[0] == told[1]
    assert told[0] != told[2]


@pytest.mark.parametrize("thing", ["person", "group"])
def test_given_a_database_that_holds_something_when_filled_then_it_is_refused(db, capsys, thing):
    build.person() if thing == "person" else build.group()

    with pytest.raises(SystemExit) as left:
        call_command("demo", "--sessions", "12")

    assert left.value.code == 2
    said = capsys.readouterr()
    assert said.err.startswith("This database holds ")
    assert said.err.count("\n") == 1
    assert said.out == ""
    assert not Session.objects.exists()


@pytest.mark.parametrize(
    ("options", "says"),
    [
        (("--sessions", "3"), "3 sessions cannot be made up"),
        (("--sessions", "-1"), "-1 sessions cannot be made up"),
        (("--years", "0"), "0 sessions cannot be made up"),
        (("--years", "-2"), "-2 years cannot be made up"),
        (("--years", "1000"), "400000 sessions cannot be made up"),
        (("--sessions", "40", "--years", "0.001"), "0.001 years cannot be made up"),
        (("--years", "nan"), "nan years cannot be made up"),
    ],
)
def test_given_a_size_that_makes_no_sense_when_filled_then_one_sentence_and_exit_2(
    db, capsys, options, says
):
    with pytest.raises(SystemExit) as left:
        call_command("demo", *options)

    assert left.value.code == 2
    assert says in capsys.readouterr().err
    assert not Person.objects.exists()


def test_given_the_command_when_it_ends_then_it_says_who_can_sign_in(db, capsys, tmp_path):
    call_command("demo", "--sessions", "12", "--planted", str(tmp_path / "planted.json"))

    said = capsys.readouterr()
    assert cast.PASSWORD in said.out
    for person in Person.objects.filter(is_active=True):
        assert f"  {person.username:8} {person.full_name:18} " in said.out
    assert "log entries stored" in said.err
    assert isinstance(json.loads((tmp_path / "planted.json").read_text()), list)


# as the verbs write it


def _shapes(entries):
    """What each kind of entry says: kind to the names in its data."""
    found = defaultdict(set)
    for entry in entries:
        found[entry.kind].add(frozenset(log.contents(entry)) - {"holder", "values"})
    return found


def _one_of_everything(lab):
    """Every verb that the demo imitates, once, through the verb itself."""
    instrument, ben, dee = lab.instrument, lab.ben, lab.dee
    draft = publish.begin(instrument=lab.other_instrument, by=dee, source="photoelectron")
    sheet_proof.prove(draft)
    draft.refresh_from_db()
    publish.publish(draft=draft, by=dee, revision=draft.revision)
    session = run.sign_on(instrument=instrument, by=ben)
    run.join(session=session, by=lab.chao, part=SessionPart.Part.PRESENT)
    steps.take_step(session=session, by=ben, step_id="look_arm")
    steps.happened_anyway(session=session, by=ben, sets={"arm": "home"}, sentence="Seen.")
    say.note(session=session, by=ben, text="Nothing unusual.")
    say.setting(session=session, by=ben, device="analyser", values={"pass_energy": "20"})
    fault = say.report_fault(session=session, instrument=instrument, by=ben, text="It hums.")
    flag.answer(flag=Flag.objects.get(), by=dee, answer="fixed", sentence="It was the fan.")
    say.end_fault(fault=fault, by=dee, sentence="It was the fan.")
    sample = build.sample(owner=ben)
    mount = Mount.objects.create(
        holder=lab.holder, sample=sample, position=1, since=timezone.now(), thickness_mm=0.5, by=ben
    )
    load = inside.open_load(session=session, holder=lab.holder, by=ben, moment=timezone.now())
    chamber = Chamber.objects.get(instrument=instrument, kind="introduction")
    pump.start(chamber=chamber, by=ben, load=load)
    pump.type_pressure(gauge=chamber.gauges.get(), by=ben, text="1e-7")
    for mark in ("transfer", "back"):
        inside.follow([mark], session=session, by=ben, holder=None, moment=timezone.now())
    say.measurement(session=session, by=ben, what="survey", load=load, mount=mount)
    until = timezone.now() + timedelta(hours=3)
    say.leave_running(session=session, by=ben, what="survey", until=until, phone="7100")
    inside.close_load(load=load, by=ben, moment=timezone.now())
    run.sign_off(session=session, by=ben, handover="All at rest.")
    kind = build.check_kind(instrument, by=dee)
    check.enter(kind=kind, by=dee, typed=build.SCALE)
    task = keep_up.add_task(instrument=instrument, by=dee, name="Filter", every_days=60)
    keep_up.do_task(task=task, by=dee, says="In order.")
    keep_up.change_part(part=kind.source, by=dee, cause="Worn.")
    hall = bottles.save_room(by=dee, name="hall", volume_m3=60.0)
    bottle = bottles.connect(
        by=dee, gas="nitrogen", volume_l=50.0, room=hall, instrument=instrument
    )  # fmt: skip
    bottles.change_bottle(cylinder=bottle, by=dee)
    near = incident.report(by=ben, kind="near miss", says="The arm was in.", instrument=instrument)
    incident.change(incident=near, by=dee, cause="The lamp was out.")


@pytest.mark.once
@pytest.mark.django_db(transaction=True)
def test_given_one_of_every_verb_when_compared_with_the_demo_then_entries_say_the_same_things():
    _one_of_everything(build.lab())
    verbs = _shapes(Entry.objects.all())
    call_command("flush", interactive=False, verbosity=0)

    demo.fill(sessions=60)
    told = _shapes(Entry.objects.all())

    verbs["step"] = verbs["looked"]  # one verb writes both
    assert set(told) <= set(verbs)
    for kind in told:
        assert told[kind] == verbs[kind], kind
    assert {"fault", "measured", "left running", "brought back", "pump-down ended"} <= set(told)


def test_only_the_demo_writes_into_the_past():
    found = {
        path.relative_to(ROOT).as_posix()
        for folder in ("facility", "samples", "bookings")
        for path in (ROOT / folder).rglob("*.py")
        if "write_past" in path.read_text(encoding="utf-8")
    }

    assert found == {"facility/log.py", "bookings/demo/chronicle.py"}


def test_given_lines_of_the_past_when_they_run_back_or_ahead_then_they_are_not_written(lab):
    now = timezone.now()

    def line(recorded):
        return {
            "kind": "note", "by": lab.dee, "data": {}, "happened_at": None,
            "recorded_at": recorded, "sent_id": None,
        }  # fmt: skip

    for moments in (
        [now + timedelta(minutes=5)],
        [now - timedelta(days=9)],  # before what the log holds
    ):
        with pytest.raises(ValueError, match="was not recorded at"):
            log.write_past(log=lab.instrument.log, lines=[line(at) for at in moments])


# what is planted


@pytest.mark.once
def test_given_some_months_when_filled_then_what_is_planted_is_where_the_list_says(db):
    now = datetime(2025, 11, 12, 17, tzinfo=UTC)  # a fixed one: holidays move what is planted
    found = demo.fill(sessions=MIDDLE, now=now)
    by_name = defaultdict(list)
    for row in found:
        by_name[row.what].append(row)

    assert len(by_name["wet load"]) >= 4
    for row in found:
        assert row.start < row.end <= now + timedelta(days=1)
        for pumpdown in row.pumpdowns:
            stored = PumpDown.objects.select_related("chamber__instrument").get(pk=pumpdown.pk)
            assert stored.chamber.instrument.slug == row.instrument
            assert row.start <= stored.started_at < row.end
    for row in by_name["wet load"]:
        (wet,) = row.pumpdowns
        dried = curves.replace(wet.curve, wet=0.0).crosses_s(wet.threshold_pa)
        assert wet.form == "porous powder"
        assert wet.curve.crosses_s(wet.threshold_pa) > 1.5 * dried
        assert wet.cooked["crossed_s"] > dried
    (dirty,) = by_name["contaminated holder"]
    loads = [Load.objects.get(pk=load.pk) for load in dirty.loads]
    assert [load.loaded_at for load in loads] == sorted(load.loaded_at for load in loads)
    assert {load.holder.short_name for load in loads} == {"B9"}
    assert len(loads) >= 3
    first = [mount.sample.composition for mount in loads[0].mounts_inside()]
    later = [mount.sample.composition for load in loads[1:] for mount in load.mounts_inside()]
    assert "Sn" in first
    assert "Sn" not in later
    assert not Holder.objects.get(short_name="B9").cleanings.filter(at__gte=dirty.start).exists()
    assert "Sn" in Holder.objects.get(short_name="B9").quarantined_why
    (gauge,) = by_name["dirty gauge"]
    assert len(gauge.pumpdowns) >= 3
    json.dumps([row.document() for row in found])


def test_the_calendar_of_a_year_keeps_faults_of_pump_downs_apart():
    now = datetime(2026, 11, 12, 17, tzinfo=UTC)
    listed = planted.calendar(now, now - timedelta(days=365))

    assert [row.start for row in listed] == sorted(row.start for row in listed)
    assert {row.what for row in listed} >= {
        "wet load", "slow leak", "failing pump", "dirty gauge", "calibration drift", "power cut",
        "open cylinder valve", "contaminated holder",
    }  # fmt: skip
    for slug in ("quayside", "headland"):
        spans = [(row.start, row.end) for row in listed if row.cause and row.instrument == slug]
        assert overlapping(spans) == []


# what it is made from


@pytest.mark.parametrize("series", [row for rows in materials.SERIES.values() for row in rows])
def test_every_material_is_one_that_the_tool_can_read(series):
    composition.parse(series.composition)
    for want in series.wants.split(","):
        assert lines.wanted_lines(want.strip())
    assert len(series.title.format(n=99)) <= 80


@pytest.mark.parametrize("count", materials.ON_A_DISC)
def test_spots_on_a_disc_keep_solids_three_millimetres_apart(count):
    for n, (x, y) in enumerate(materials.spots("disc", count)):
        assert (abs(x) + 2) ** 2 + (abs(y) + 2) ** 2 <= 10.7**2
        for other_x, other_y in materials.spots("disc", count)[:n]:
            apart = [max(abs(x - other_x) - 4, 0), max(abs(y - other_y) - 4, 0)]
            assert apart[0] ** 2 + apart[1] ** 2 >= 9.0


def test_a_curve_crosses_its_threshold_when_it_says_and_faults_make_it_later():
    usual = curves.typical(1.333e-4, 3000.0)
    ready = usual.crosses_s(1.333e-4)

    assert ready == pytest.approx(3000.0, rel=1e-6)
    assert usual.pressure_pa(ready) == pytest.approx(1.333e-4, rel=1e-6)
    falling = [usual.pressure_pa(10 * 1.3**n) for n in range(35)]
    assert all(after < before for before, after in pairwise(falling))
    for change in ({"wet": 1.9}, {"raised": 1 / 0.7}, {"floor_pa": 4e-5}, {"stretch": 1.6}):
        assert curves.replace(usual, **change).crosses_s(1.333e-4) > 1.2 * ready
    assert curves.replace(usual, floor_pa=2e-4).crosses_s(1.333e-4) is None


# pages

LINK = re.compile(r'(?:href|hx-get|src)="(/[^"#]*)')
PAGES_OF_A_KIND = 1  # of each view that a person's links lead to
NOT_PAGES = ("/static/", "/tables/")


def walk(client):
    """GET what a person's own pages link to, a few of each kind; returns status by address."""
    seen, waiting, kinds = {}, ["/"], Counter()
    while waiting:
        address = waiting.pop(0)
        try:
            kind = resolve(urlsplit(address).path).view_name
        except Resolver404:
            kind = "nowhere"
        if address in seen or address.startswith(NOT_PAGES) or kinds[kind] >= PAGES_OF_A_KIND:
            continue
        answer = client.get(address)
        if answer.status_code == 405:  # where a form posts to
            continue
        kinds[kind] += 1
        seen[address] = answer.status_code
        if answer.get("Content-Type", "").startswith("text/html"):
            waiting += LINK.findall(answer.content.decode().replace("&amp;", "&"))
    return seen


# What a page still links to although it is not for this person; it answers 403 with whom it is for,
# or 404 as a stranger's session does.
NOT_FOR = {"eve": ("/sessions/", "/records/", "/labels/"), "hedda": ("/sessions/",)}


@pytest.fixture
def walks(small, client, settings):
    """What each role finds when it follows its links: status by address."""
    settings.DEMO, found = True, {}
    for username in ("ben", "eve", "hedda", "dee", "fay", "root"):
        client.force_login(Person.objects.get(username=username))
        found[username] = walk(client)
        assert "nvented data" in client.get("/").content.decode()
    return found


@pytest.mark.once
def test_given_the_demo_when_each_role_follows_its_links_then_every_page_answers(walks):
    for username, seen in walks.items():
        odd = {address: status for address, status in seen.items() if status >= 400}
        assert set(odd.values()) <= {403, 404}, (username, odd)
        assert all(a.startswith(NOT_FOR.get(username, ())) for a in odd), (username, odd)
        assert sum(status == 200 for status in seen.values()) > 8, username
