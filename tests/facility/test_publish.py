"""Verbs of run sheets: drafts, two people at once, hazards, proof, publishing."""

import copy
import threading
import time

import pytest
from django.core.exceptions import PermissionDenied
from django.db import IntegrityError, transaction

from bookings import clock, run
from facility import drafting, interlocks, log, publish, sheet_proof, shipped, statespace
from facility.errors import Refused
from facility.models import Entry, RunSheet, SheetDraft, SheetEdit
from tests.facility.test_sheets import NAMES

pytestmark = pytest.mark.django_db


def begun(lab, source="short"):
    return publish.begin(instrument=lab.instrument, by=lab.dee, source=source)


def change_step(draft, by, step_id, revision=None, **values):
    """One step with other values, as its form sends it."""

    def change(document):
        return drafting.put_step(document, drafting.part_of(document, ("step", step_id)) | values)

    return publish.edit(
        draft=draft,
        by=by,
        revision=draft.revision if revision is None else revision,
        part=("step", step_id),
        change=change,
        says=f"Changed {step_id}",
    )


def ready(lab, source="short"):
    """A draft that may be published."""
    draft = begun(lab, source)
    draft = publish.stand_by(draft=draft, by=lab.dee, revision=draft.revision)
    return sheet_proof.prove(draft)


# Drafts


def test_given_no_draft_when_begun_then_it_holds_what_is_in_force(lab):
    draft = begun(lab, publish.IN_FORCE)

    assert draft.document == lab.instrument.sheet.document
    assert draft.based_on == lab.instrument.sheet
    assert draft.edits.get().says == "Begun from version 1"


def test_given_a_draft_when_begun_again_then_the_same_one_is_given_back(lab):
    draft = change_step(begun(lab), lab.dee, "load", why="Because.")

    again = publish.begin(instrument=lab.instrument, by=lab.ada, source="photoelectron")

    assert (again.pk, again.document) == (draft.pk, draft.document)


def test_given_nothing_of_that_name_when_begun_then_the_shipped_ones_are_named(lab):
    with pytest.raises(Refused, match="photoelectron, electron_microscope, short"):
        begun(lab, "nothing")


@pytest.mark.parametrize("person", ["ben", "chao", "eve", "fay", "gil"])
def test_given_anybody_but_staff_when_they_begin_or_change_then_they_may_not(lab, person):
    draft = begun(lab)

    with pytest.raises(PermissionDenied):
        publish.begin(instrument=lab.instrument, by=getattr(lab, person))
    with pytest.raises(PermissionDenied):
        change_step(draft, getattr(lab, person), "load", why="No.")
    with pytest.raises(PermissionDenied):
        publish.publish(draft=draft, by=getattr(lab, person), revision=draft.revision)


@pytest.mark.parametrize(
    ("values", "sentence"),
    [
        ({"requires": {"lid": ["open"]}}, "names the device lid"),
        ({"requires": {"door": ["ajar"]}}, "names the state ajar of door"),
        ({"kind": "wish"}, "write step, event or look"),
        ({"says": "a\x00b"}, "NUL"),
        ({"why": "\ud800"}, "half a character"),
        ({"marks": ["explode"]}, "marks are a list of vent, load"),
        ({"asks": [float("inf")]}, "inf, which is not a number"),
        ({"caution": 3}, "caution is not text"),
        ({"require": {"door": ["open"]}}, "write 'requires'"),
    ],
)
def test_given_a_change_that_is_no_run_sheet_when_made_then_a_sentence_says_what_and_nothing_is_kept(
    lab, values, sentence
):
    draft = begun(lab)

    with pytest.raises(Refused, match=sentence):
        change_step(draft, lab.dee, "load", **values)

    draft.refresh_from_db()
    assert draft.revision == 1
    assert draft.document == shipped.document("short")


@pytest.mark.parametrize(
    ("text", "sentence"),
    [
        ("{", "line 1"),
        ("[]", "JSON object"),
        ('{"devices": {}, "steps": []}', "has no start"),
        ('{"devices": {}, "devices": {}}', "twice"),
        (" " * 400_001, "400,001 letters"),
    ],
)
def test_given_a_typed_text_when_it_is_no_sheet_then_it_is_refused_with_its_place(text, sentence):
    with pytest.raises(Refused, match=sentence):
        publish.read_text(text)


# Two people at once


def test_given_two_people_when_they_change_different_steps_then_both_changes_stand(lab):
    draft = begun(lab)
    change_step(draft, lab.dee, "load", revision=1, why="Dee's reason.")

    draft = change_step(draft, lab.ada, "transfer", revision=1, why="Ada's reason.")

    why = {row["id"]: row["why"] for row in draft.document["steps"]}
    assert (why["load"], why["transfer"]) == ("Dee's reason.", "Ada's reason.")
    assert draft.revision == 3


def test_given_two_people_when_they_change_one_step_then_the_second_is_told_and_nothing_is_lost(
    lab,
):
    draft = begun(lab)
    change_step(draft, lab.dee, "load", revision=1, why="Dee's reason.")

    with pytest.raises(publish.Overtaken, match="Dee Sealavender") as told:
        change_step(draft, lab.ada, "load", revision=1, why="Ada's reason.")

    assert any(row.startswith("Reason of “Switch the gauge off") for row in told.value.changes)
    draft.refresh_from_db()
    assert drafting.part_of(draft.document, ("step", "load"))["why"] == "Dee's reason."
    draft = change_step(draft, lab.ada, "load", revision=draft.revision, why="Ada's reason.")
    assert drafting.part_of(draft.document, ("step", "load"))["why"] == "Ada's reason."
    assert "Dee's reason." in str(SheetEdit.objects.get(draft=draft, revision=2).document)


def test_given_a_step_that_somebody_removed_when_it_is_changed_then_that_is_said(lab):
    draft = begun(lab)
    publish.edit(
        draft=draft, by=lab.dee, revision=1, part=("step", "look_arm"), says="Removed a look",
        change=lambda document: drafting.remove(document, "step", "look_arm"),
    )  # fmt: skip

    with pytest.raises(publish.Overtaken, match="Removed a look"):
        publish.edit(
            draft=draft, by=lab.ada, revision=1, part=("step", "look_arm"), says="Changed it",
            change=lambda document: document,
        )  # fmt: skip


def test_given_a_change_when_taken_back_then_it_is_gone_and_comes_back_with_one_more(lab):
    before = begun(lab)
    changed = change_step(before, lab.dee, "load", why="Another.")

    back = publish.take_back(draft=changed, by=lab.dee, revision=changed.revision)
    again = publish.take_back(draft=back, by=lab.dee, revision=back.revision)

    assert back.document == before.document
    assert again.document == changed.document
    with pytest.raises(Refused, match="meanwhile"):
        publish.take_back(draft=again, by=lab.dee, revision=1)


def test_given_a_new_draft_when_taken_back_then_there_is_nothing_to_take_back(lab):
    draft = begun(lab)

    with pytest.raises(Refused, match="no change"):
        publish.take_back(draft=draft, by=lab.dee, revision=1)


def test_given_a_draft_when_put_away_then_the_log_says_so_and_the_sheet_in_force_stays(lab):
    draft = begun(lab)

    publish.put_away(draft=draft, by=lab.dee, revision=1)

    assert not SheetDraft.objects.exists()
    lab.instrument.refresh_from_db()
    assert lab.instrument.sheet.version == 1
    assert Entry.objects.filter(kind="sheet draft put away").count() == 1
    with pytest.raises(Refused, match="published or put away"):
        change_step(draft, lab.ada, "load", why="Late.")


@pytest.mark.django_db(transaction=True)
def test_given_two_people_at_the_same_moment_when_they_change_then_no_change_is_lost(
    transactional_db,
):
    from django.db import connection

    from tests import build

    lab = build.lab()
    draft = begun(lab)
    told = []

    def write(person, step_id):
        try:
            for _ in range(5):
                fresh = SheetDraft.objects.get(pk=draft.pk)
                try:
                    change_step(fresh, person, step_id, why=f"{person.pk} {time.perf_counter()}")
                except publish.Overtaken as overtaken:
                    told.append(str(overtaken))
        finally:
            connection.close()

    people = [
        threading.Thread(target=write, args=(lab.dee, "load")),
        threading.Thread(target=write, args=(lab.ada, "transfer")),
    ]
    for thread in people:
        thread.start()
    for thread in people:
        thread.join()

    draft.refresh_from_db()
    assert told == []
    assert draft.revision == 11
    assert sorted(draft.edits.values_list("revision", flat=True)) == list(range(1, 12))
    assert draft.edits.first().document == draft.document


# Hazards


def test_given_a_shipped_sheet_when_begun_then_its_strikes_wait_for_a_name(lab):
    draft = begun(lab)

    assert len(shipped.unsettled(draft.document)) == 10
    draft = publish.stand_by(draft=draft, by=lab.dee, revision=draft.revision)

    assert shipped.unsettled(draft.document) == ()
    assert {row["by"] for row in draft.document["struck_out"].values()} == {lab.dee.pk}


def test_given_a_hazard_when_struck_out_then_name_and_reason_stand_in_the_document(lab):
    draft = begun(lab, "photoelectron")

    with pytest.raises(Refused, match="Say in a sentence"):
        publish.strike_out(
            draft=draft, by=lab.dee, revision=1, hazard_id="argon_without_pump", reason="no"
        )
    draft = publish.strike_out(
        draft=draft, by=lab.dee, revision=1, hazard_id="argon_without_pump",
        reason="This instrument has no ion gun.",
    )  # fmt: skip

    row = next(r for r in shipped.standings(draft.document) if r.id == "argon_without_pump")
    assert (row.how, row.reason, row.by) == (
        "struck out", "This instrument has no ion gun.", lab.dee.pk,
    )  # fmt: skip
    draft = publish.keep_hazard(
        draft=draft, by=lab.ada, revision=draft.revision, hazard_id="argon_without_pump"
    )
    assert shipped.unsettled(draft.document) == ()
    assert "argon_without_pump" not in draft.document["struck_out"]


def test_given_a_strike_typed_into_the_text_when_kept_then_it_carries_who_typed_it(lab):
    draft = begun(lab)
    typed = copy.deepcopy(draft.document)
    typed["struck_out"]["source_on_at_rest"] = {"reason": "Not here at all.", "by": lab.ada.pk}

    draft = publish.edit(
        draft=draft, by=lab.dee, revision=1, part=("all",), says="Text", change=lambda _: typed
    )

    assert draft.document["struck_out"]["source_on_at_rest"]["by"] == lab.dee.pk


def test_given_a_hazard_made_narrower_when_looked_at_then_it_is_not_taken_for_kept():
    document = shipped.document("short")
    row = next(row for row in document["never"] if row["id"] == "gate_open_at_air")
    row["when"]["arm"] = ["in"]

    found = next(r for r in shipped.standings(document) if r.id == "gate_open_at_air")

    assert (found.how, found.is_settled) == ("narrowed", False)


def test_given_nitrogen_open_at_rest_when_looked_at_then_the_hazard_of_rest_is_missing():
    document = shipped.document("photoelectron")
    document["rest"]["nitrogen"] = ["shut", "open"]

    found = next(r for r in shipped.standings(document) if r.id == "nitrogen_open_at_rest")

    assert found.how == "missing"


# Proof


@pytest.mark.parametrize("name", NAMES)
def test_given_a_shipped_sheet_when_begun_then_it_may_be_published_with_its_proof(lab, name):
    draft = ready(lab, name)

    assert publish.what_is_missing(draft) == []
    assert draft.proof["with_anything_lost"]["safe"]


def test_given_the_largest_shipped_sheet_when_proven_with_anything_lost_then_it_is_within_the_bound():
    proof = sheet_proof.proof_of(shipped.document("photoelectron"))

    assert proof["states"] == 16_488
    assert proof["with_anything_lost"]["states"] == 581_568 <= sheet_proof.AT_ONCE


def test_given_a_sentence_changed_when_looked_at_then_the_proof_still_stands(lab):
    draft = ready(lab)

    draft = change_step(draft, lab.dee, "load", says="Put it in.")
    assert sheet_proof.is_proven(draft)

    draft = change_step(draft, lab.dee, "load", requires={})
    assert not sheet_proof.is_proven(draft)
    assert "prove it" in publish.what_is_missing(draft)[0]


# kept away by two conditions at once as long as no device is lost
ONLY_WHERE_LOST = {
    "short": {"gate_open_at_air", "gate_closed_on_arm", "pumping_with_door_open"},
    "electron_microscope": {"high_voltage_on_at_high_pressure"},
    "photoelectron": set(),
}


def _conditions(name):
    document = shipped.document(name)
    return [(row["id"], device) for row in document["steps"] for device in row.get("requires", {})]


@pytest.mark.parametrize(
    "name", ["short", "electron_microscope", pytest.param("photoelectron", marks=pytest.mark.soak)]
)
def test_given_each_condition_when_it_is_edited_away_then_its_hazard_is_shown_or_it_was_not_needed(
    lab, name
):
    draft = ready(lab, name)
    guards = {(row["step"], row["device"]): row["guards"] for row in draft.proof["conditions"]}
    shown = set()

    for step_id, device in _conditions(name):
        row = drafting.part_of(draft.document, ("step", step_id))
        requires = {key: value for key, value in row["requires"].items() if key != device}
        with transaction.atomic():
            changed = change_step(draft, lab.dee, step_id, requires=requires)
            changed = sheet_proof.prove_if_changed(changed)
            found = [hazard["id"] for hazard in changed.proof["hazards"]]
            transaction.set_rollback(True)
        assert sorted(found) == sorted(guards[step_id, device])
        shown.update(found)

    assert shown == {row["id"] for row in draft.document["never"]} - ONLY_WHERE_LOST[name]


def test_given_a_sheet_that_deadlocks_when_proven_then_it_is_said_and_not_published(lab):
    draft = ready(lab)
    draft = publish.edit(
        draft=draft, by=lab.dee, revision=draft.revision, part=("step", "pump_down"),
        change=lambda document: drafting.remove(document, "step", "pump_down"), says="Removed it",
    )  # fmt: skip

    draft = sheet_proof.prove(draft)

    assert draft.proof["safe"]
    assert draft.proof["states_with_no_way_to_rest"] > 0
    with pytest.raises(Refused, match="no way leads to rest"):
        publish.publish(draft=draft, by=lab.dee, revision=draft.revision)
    assert RunSheet.objects.filter(instrument=lab.instrument).count() == 1


def counter(bits):
    """A sheet whose devices count like a clock: 2^bits states."""
    names = [f"d{n}" for n in range(bits)]
    steps = []
    for n, name in enumerate(names):
        steps.append(
            {
                "id": f"up_{name}",
                "requires": {name: ["0"], **{low: ["1"] for low in names[:n]}},
                "sets": {name: "1", **dict.fromkeys(names[:n], "0")},
            }
        )
    return {
        "name": "Counter",
        "devices": {name: ["0", "1"] for name in names},
        "start": dict.fromkeys(names, "0"),
        "steps": steps,
    }


def test_given_more_states_than_a_page_walks_when_proven_then_it_waits_for_tick_and_says_so(
    lab, monkeypatch
):
    draft = ready(lab)
    monkeypatch.setattr(sheet_proof, "AT_ONCE", 100)
    draft = change_step(draft, lab.dee, "load", requires={})

    draft = sheet_proof.prove(draft, most=10)

    assert "in the background" in draft.proof["waits"]
    assert "in the background" in publish.what_is_missing(draft)[0]
    assert clock.tick()["prove waiting sheets"] == 1
    draft.refresh_from_db()
    assert sheet_proof.is_proven(draft)
    assert sheet_proof.prove_waiting() == 0


def test_given_only_the_lost_devices_too_many_when_proven_then_the_plain_proof_shows_meanwhile(lab):
    draft = sheet_proof.prove(begun(lab), most=100)

    assert draft.proof["safe"]
    assert "waits" in draft.proof
    assert not sheet_proof.is_proven(draft)


def test_given_more_than_two_to_the_21_states_when_proven_then_it_is_refused_with_its_count(lab):
    draft = begun(lab)
    draft = publish.edit(
        draft=draft, by=lab.dee, revision=1, part=("all",), says="Text",
        change=lambda _: counter(22) | {"steps": [
            {"id": f"flip_{n}", "requires": {f"d{n}": ["0"]}, "sets": {f"d{n}": "1"}}
            for n in range(22)
        ]},
    )  # fmt: skip

    draft = sheet_proof.prove(draft, most=statespace.MOST_STATES)

    assert "more than 2,097,152 states" in draft.proof["refused"]
    with pytest.raises(Refused, match=r"more than 2,097,152 states"):
        publish.publish(draft=draft, by=lab.dee, revision=draft.revision)


def test_given_a_change_while_it_was_proven_when_the_proof_comes_then_it_is_not_kept(lab):
    old = begun(lab)
    change_step(old, lab.dee, "load", requires={})

    sheet_proof.prove(old)

    assert SheetDraft.objects.get().proof == {}


# Publish


def test_given_a_draft_without_proof_when_published_then_all_that_is_missing_is_said(lab):
    draft = begun(lab)

    with pytest.raises(Refused) as refusal:
        publish.publish(draft=draft, by=lab.dee, revision=1)

    assert "prove it" in str(refusal.value)
    assert str(refusal.value).count("Keep it or strike it out") == 10


def test_given_an_unsafe_draft_when_published_then_it_is_refused(lab):
    draft = change_step(ready(lab), lab.dee, "transfer", requires={"gate_valve": ["closed"]})
    draft = sheet_proof.prove(draft)

    with pytest.raises(Refused, match="not safe"):
        publish.publish(draft=draft, by=lab.dee, revision=draft.revision)


def test_given_a_proven_draft_when_published_then_the_next_version_is_in_force_and_logged(lab):
    draft = ready(lab)
    document = draft.document

    sheet = publish.publish(draft=draft, by=lab.dee, revision=draft.revision, sentence="Checked.")

    lab.instrument.refresh_from_db()
    assert lab.instrument.sheet == sheet
    assert (sheet.version, sheet.document, sheet.published_by) == (2, document, lab.dee)
    assert sheet.proof["safe"]
    assert not SheetDraft.objects.exists()
    said = log.contents(Entry.objects.get(log=lab.instrument.log, kind="sheet published"))
    assert said["version"] == "2"
    assert said["digest"] == sheet_proof.digest_of(document)
    assert said["states_with_anything_lost"] == "160"
    assert set(said["struck_out"]) == set(document["struck_out"])
    assert said["says"] == "Checked."


def test_given_an_open_session_when_a_version_is_published_then_it_keeps_the_one_it_ran(lab):
    before = run.sign_on(instrument=lab.instrument, by=lab.ben)
    draft = ready(lab)

    sheet = publish.publish(draft=draft, by=lab.dee, revision=draft.revision)

    before.refresh_from_db()
    assert before.sheet.version == 1
    assert run.sign_on(instrument=lab.instrument, by=lab.dee).sheet == sheet


def test_given_a_draft_changed_meanwhile_when_published_then_it_is_looked_at_first(lab):
    draft = ready(lab)
    change_step(draft, lab.ada, "load", says="Otherwise.")

    with pytest.raises(Refused, match="look at it first"):
        publish.publish(draft=draft, by=lab.dee, revision=draft.revision)


@pytest.mark.parametrize("change", [{"document": {}}, {"version": 9}, {"name": "Other"}])
def test_given_a_published_version_when_changed_behind_our_back_then_the_database_refuses(
    lab, change
):
    with pytest.raises(IntegrityError), transaction.atomic():
        RunSheet.objects.filter(pk=lab.instrument.sheet_id).update(**change)
    with pytest.raises(IntegrityError), transaction.atomic():
        RunSheet.objects.filter(pk=lab.other_instrument.sheet_id).delete()


def test_given_a_document_when_read_from_either_database_then_its_digest_is_the_same(lab):
    draft = begun(lab, "photoelectron")

    draft.refresh_from_db()

    assert sheet_proof.digest_of(draft.document) == sheet_proof.digest_of(
        shipped.document("photoelectron")
    )
    assert interlocks.read(draft.document).step_of
