"""Pages of run sheets: the list, the editor with its proof, the rehearsal, the paper."""

import json
import re
from html import unescape

import pytest
from django.urls import reverse

from bookings import rehearsal
from facility import drafting, interlocks, publish, sheet_proof, shipped
from facility.models import Entry, RunSheet, SheetDraft

pytestmark = pytest.mark.django_db


def url(name, *args, **query):
    path = reverse(f"bookings:{name}", args=args)
    return path + ("?" + "&".join(f"{k}={v}" for k, v in query.items()) if query else "")


def text_of(response):
    body = re.sub(r"<[^>]+>", " ", response.content.decode())
    return re.sub(r"\s+", " ", unescape(body))


@pytest.fixture
def staff(client, lab):
    client.force_login(lab.dee)
    return client


@pytest.fixture
def draft(lab):
    return sheet_proof.prove(publish.begin(instrument=lab.instrument, by=lab.dee, source="short"))


def fields_of(response):
    """What the form of a part would send as it stands."""
    form = response.context["form"]
    sent = {"revision": response.context["revision"]}
    for name in form.fields:
        value = form[name].value()
        if value not in (None, "", []):
            sent[name] = value
    return sent


# Who sees and who writes


@pytest.mark.parametrize("person", ["ben", "chao", "eve"])
def test_given_users_strangers_and_visitors_when_they_look_then_they_read_and_do_not_write(
    client, lab, draft, person
):
    client.force_login(getattr(lab, person))
    pk = lab.instrument.sheet_id

    for name in ("sheet", "rehearse", "sheet_paper"):
        assert client.get(url(name, pk)).status_code == 200
    listed = client.get(url("sheets"))
    assert listed.status_code == 200
    assert "Open the draft" not in text_of(listed)
    for name in ("draft", "draft_step", "draft_text"):
        assert client.get(url(name, "quayside")).status_code == 403
    for name in ("begin_draft", "change_draft", "publish_draft", "prove_draft"):
        assert client.post(url(name, "quayside")).status_code == 403


def test_given_a_draft_when_a_user_compares_with_it_then_it_is_not_shown(client, lab, draft):
    publish.edit(
        draft=draft, by=lab.dee, revision=1, part=("about",), says="Name",
        change=lambda document: document | {"name": "Not yet for everyone"},
    )  # fmt: skip
    client.force_login(lab.ben)

    shown = client.get(url("compare_sheets", "quayside", new="draft", old="1"))

    assert "Not yet for everyone" not in text_of(shown)


# The list and one version


def test_given_versions_when_listed_then_each_says_who_when_and_its_proof(staff, lab, draft):
    draft = publish.stand_by(draft=draft, by=lab.dee, revision=1)
    publish.publish(draft=draft, by=lab.dee, revision=draft.revision)

    listed = text_of(staff.get(url("sheets")))

    assert "safe against these 5 hazards, 19 states" in listed
    assert "version 2" in listed
    assert "Dee Sealavender" in listed


def test_given_a_draft_when_compared_then_the_differences_stand_in_words(staff, lab, draft):
    publish.edit(
        draft=draft, by=lab.dee, revision=1, part=("step", "load"), says="Step",
        change=lambda document: drafting.put_step(
            document, drafting.part_of(document, ("step", "load")) | {"requires": {}}
        ),
    )  # fmt: skip

    shown = text_of(staff.get(url("compare_sheets", "quayside", old=1, new="draft")))

    assert "close the door.” no longer needs gate valve closed." in shown


# The editor


def test_given_no_draft_when_staff_begin_one_then_it_is_proven_at_once(staff, lab):
    assert "No draft" in text_of(staff.get(url("draft", "quayside")))

    answer = staff.post(url("begin_draft", "quayside"), {"source": "photoelectron"}, follow=True)

    assert "Safe against these 13 hazards, 16,488 states." in text_of(answer)
    assert SheetDraft.objects.get().document == shipped.document("photoelectron")


def test_given_a_step_when_sent_as_it_stands_then_nothing_is_changed(staff, draft):
    for row in draft.document["steps"]:
        address = url("draft_step", "quayside", step=row["id"])
        sent = fields_of(staff.get(address))
        assert staff.post(address, sent).status_code == 302

    draft.refresh_from_db()
    assert draft.revision == 1
    assert draft.document == shipped.document("short")


def test_given_a_condition_taken_away_in_the_editor_when_written_then_its_damage_stands_beside(
    staff, draft
):
    address = url("draft_step", "quayside", step="transfer")
    sent = fields_of(staff.get(address))
    del sent["needs:introduction"]

    answer = text_of(staff.post(address, sent, follow=True))

    assert "Not safe: 2 of its 5 hazards can happen." in answer
    assert "The gate valve is open while the introduction chamber is above the threshold." in answer
    assert "Shortest way there:" in answer


def test_given_a_new_step_when_written_then_it_stands_where_it_was_put(staff, draft):
    sent = {
        "revision": 1, "says": "Wipe the door seal.", "kind": "step", "after": "load",
        "needs:door": ["shut"], "sets:door": "open", "asks": "lot of wipes", "gates": ["qualified"],
    }  # fmt: skip

    staff.post(url("draft_step", "quayside"), sent)

    draft.refresh_from_db()
    assert [row["id"] for row in draft.document["steps"]][:2] == ["load", "wipe_the_door_seal"]
    assert draft.document["steps"][1] == {
        "id": "wipe_the_door_seal", "says": "Wipe the door seal.", "requires": {"door": ["shut"]},
        "sets": {"door": "open"}, "asks": ["lot of wipes"], "gates": ["qualified"],
    }  # fmt: skip


@pytest.mark.parametrize(
    ("sent", "sentence"),
    [
        ({"says": "", "kind": "step"}, "Enter the sentence."),
        ({"says": "x" * 301, "kind": "step"}, "Sentence has at most 300 letters."),
        ({"says": "Go.", "kind": "dance"}, "Kind: choose one of the list"),
        ({"says": "Go.", "kind": "step", "needs:door": ["ajar"]}, "choose one of the list"),
        ({"says": "Go.", "kind": "step", "after": "nowhere"}, "choose one of the list"),
    ],
)
def test_given_a_step_that_cannot_be_kept_when_sent_then_the_sentence_stands_beside_what_was_typed(
    staff, draft, sent, sentence
):
    answer = staff.post(url("draft_step", "quayside"), {"revision": 1, "why": "My reason.", **sent})

    assert answer.status_code == 422
    assert sentence in text_of(answer)
    assert "My reason." in text_of(answer)
    draft.refresh_from_db()
    assert draft.revision == 1


def test_given_two_browsers_when_both_write_one_step_then_the_second_sees_and_keeps_what_was_typed(
    client, lab, draft
):
    address = url("draft_step", "quayside", step="load")
    client.force_login(lab.ada)
    ada = fields_of(client.get(address)) | {"why": "Ada's reason."}
    client.force_login(lab.dee)
    dee = fields_of(client.get(address)) | {"why": "Dee's reason."}
    client.post(address, dee)
    client.force_login(lab.ada)

    told = client.post(address, ada)

    assert told.status_code == 422
    assert "Meanwhile Dee Sealavender" in text_of(told)
    assert "Reason of “Switch the gauge off" in text_of(told)
    assert told.context["form"]["why"].value() == "Ada's reason."
    assert client.post(address, fields_of(told)).status_code == 302
    draft.refresh_from_db()
    assert drafting.part_of(draft.document, ("step", "load"))["why"] == "Ada's reason."


def test_given_presses_when_a_step_is_moved_and_taken_out_then_the_order_follows(staff, draft):
    change = url("change_draft", "quayside")

    staff.post(change, {"revision": 1, "do": "down:load"})
    staff.post(change, {"revision": 2, "do": "up:retract_and_end"})
    staff.post(change, {"revision": 3, "do": "remove step:look_arm"})

    draft.refresh_from_db()
    order = [row["id"] for row in draft.document["steps"]]
    assert order[:5] == ["pump_down", "load", "below_threshold", "retract_and_end", "transfer"]
    assert "look_arm" not in order
    assert draft.proof["listed_order_fails_at"] == "pump_down"
    assert "Taken as listed, the order stops at" in text_of(staff.get(url("draft", "quayside")))


def test_given_a_device_when_its_states_are_still_named_then_it_is_refused_and_kept_as_typed(
    staff, draft
):
    address = url("draft_device", "quayside", device="door")
    sent = {"revision": 1, "states": "shut, unknown", "start": "shut", "rest": "shut"}

    answer = staff.post(address, sent)

    assert answer.status_code == 422
    assert "names the state open of door" in text_of(answer)
    assert answer.context["form"]["states"].value() == "shut, unknown"


def test_given_a_new_device_when_written_then_steps_can_name_it(staff, draft):
    sent = {
        "revision": 1, "name": "roughing valve", "states": "shut, half open, unknown",
        "start": "shut", "rest": "shut",
    }  # fmt: skip

    staff.post(url("draft_device", "quayside"), sent)

    draft.refresh_from_db()
    assert draft.document["devices"]["roughing_valve"] == ["shut", "half_open", "unknown"]
    form = staff.get(url("draft_step", "quayside", step="load")).context["form"]
    assert "needs:roughing_valve" in form.fields


def test_given_a_new_hazard_when_written_then_the_proof_looks_for_it(staff, draft):
    sent = {
        "revision": 1, "says": "The pump valve is shut while the arm is in.",
        "why": "It would not do.", "when:pump_valve": ["open"], "when:arm": ["in"],
    }  # fmt: skip

    answer = text_of(staff.post(url("draft_hazard", "quayside"), sent, follow=True))

    assert "Not safe: 1 of its 6 hazards can happen." in answer
    empty = staff.post(
        url("draft_hazard", "quayside"), sent | {"when:pump_valve": [], "when:arm": []}
    )
    assert "Tick the device states" in text_of(empty)


def test_given_the_text_when_it_is_no_sheet_then_the_line_is_said_and_the_text_kept(staff, draft):
    answer = staff.post(url("draft_text", "quayside"), {"revision": 1, "text": '{"devices": '})

    assert answer.status_code == 422
    assert "not JSON: line 1" in text_of(answer)
    assert answer.context["form"]["text"].value() == '{"devices": '
    good = json.dumps(shipped.document("electron_microscope"))
    staff.post(url("draft_text", "quayside"), {"revision": 1, "text": good})
    draft.refresh_from_db()
    assert draft.document == shipped.document("electron_microscope")


def test_given_strikes_when_stood_by_and_proven_then_the_page_publishes(staff, lab, draft):
    shown = text_of(staff.get(url("draft", "quayside")))
    assert "nobody here stands by them yet" in shown
    refused = staff.post(url("publish_draft", "quayside"), {"revision": 1, "sentence": "Kept."})
    assert refused.status_code == 422
    assert 'value="Kept."' in refused.content.decode()

    staff.post(url("change_draft", "quayside"), {"revision": 1, "do": "stand by"})
    answer = staff.post(url("publish_draft", "quayside"), {"revision": 2}, follow=True)

    assert "Version 2 is in force for Quayside." in text_of(answer)
    assert Entry.objects.filter(kind="sheet published").count() == 1


def test_given_a_hazard_when_struck_out_without_a_reason_then_it_is_asked_for(staff, draft):
    change = url("change_draft", "quayside")

    asked = staff.post(change, {"revision": 1, "do": "strike:gate_open_at_air", "reason": "no"})
    assert "Say in a sentence why" in text_of(asked)

    staff.post(
        change,
        {"revision": 1, "do": "strike:gate_open_at_air", "reason": "It has no gate valve at all."},
    )
    shown = text_of(staff.get(url("draft", "quayside")))
    assert "It has no gate valve at all. Dee Sealavender" in shown


def test_given_a_draft_when_asked_by_the_page_then_the_whole_proof_comes_as_a_part(staff, lab):
    sheet_proof.prove_if_changed(
        publish.begin(instrument=lab.instrument, by=lab.dee, source="short")
    )

    answer = staff.post(url("prove_draft", "quayside"), headers={"HX-Request": "true"})

    assert b"<html" not in answer.content
    assert "With any device lost at any moment: safe, 160 states." in text_of(answer)
    assert sheet_proof.is_proven(SheetDraft.objects.get())


def test_given_a_proof_that_waits_when_the_page_asks_then_nothing_new_until_it_has_come(
    staff, draft
):
    draft.proof = {
        "of": sheet_proof.model_digest(draft.document),
        "waits": "More than 9 states: wait.",
    }
    draft.save()
    address = url("prove_draft", "quayside")
    assert "More than 9 states: wait." in text_of(staff.get(url("draft", "quayside")))

    before = staff.get(address, headers={"HX-Request": "true"})
    sheet_proof.prove_waiting()
    after = staff.get(address, headers={"HX-Request": "true"})

    assert before.status_code == 204
    assert "Safe against these 5 hazards" in text_of(after)


def test_given_a_draft_that_is_gone_when_a_step_is_sent_then_what_was_typed_is_shown(
    staff, lab, draft
):
    publish.put_away(draft=draft, by=lab.ada, revision=1)

    answer = staff.post(
        url("draft_step", "quayside", step="load"), {"revision": 1, "says": "My long sentence."}
    )

    assert answer.status_code == 422
    assert "published or put away meanwhile" in text_of(answer)
    assert "My long sentence." in text_of(answer)
    assert staff.get(url("draft_text", "quayside")).status_code == 200


# The rehearsal


def press(client, pk, **sent):
    return client.post(url("rehearse", pk), sent, follow=True)


def test_given_a_rehearsal_when_taken_in_order_then_it_is_through_and_nothing_is_recorded(
    client, lab
):
    client.force_login(lab.ben)
    pk = lab.instrument.sheet_id
    entries = Entry.objects.count()

    for step_id in ("load", "pump_down", "below_threshold", "transfer"):
        shown = press(client, pk, step=step_id)
        assert shown.context["hazards"] == []
    shown = press(client, pk, step="retract_and_end")

    assert "You are through." in text_of(shown)
    assert "nothing was damaged" in text_of(shown)
    assert Entry.objects.count() == entries
    assert not lab.instrument.devices.exists()


def test_given_a_rehearsal_when_a_wrong_order_is_tried_then_the_damage_and_the_way_back_show(
    client, lab
):
    client.force_login(lab.eve)
    pk = lab.instrument.sheet_id

    shown = press(client, pk, step="transfer")

    said = text_of(shown)
    assert (
        "The gate valve is open while the introduction chamber's pressure is not known fresh"
        in said
    )
    assert "Nobody knows what the main chamber has just been opened to." in said
    assert "The sheet would not have offered it. Needs introduction below" in said
    assert shown.context["current"].id == "retract_and_end"
    back = press(client, pk, step="retract_and_end")
    assert back.context["hazards"] == []
    again = press(client, pk, start="rest")
    assert again.context["kept"]["taken"] == 0


def test_given_a_rehearsal_as_after_a_power_cut_when_begun_then_looks_come_first(client, lab):
    client.force_login(lab.chao)

    shown = press(client, lab.instrument.sheet_id, start="unknown")

    assert set(shown.context["kept"]["state"].values()) == {"unknown"}
    assert shown.context["current"].kind == "look"


@pytest.mark.parametrize("sent", [{"step": "nothing"}, {"what": "door=ajar"}, {"what": "x"}, {}])
def test_given_presses_of_nothing_when_sent_then_the_rehearsal_stays(client, lab, sent):
    client.force_login(lab.ben)

    shown = press(client, lab.instrument.sheet_id, **sent)

    assert shown.context["kept"]["taken"] == 0


@pytest.mark.parametrize("name", list(shipped.NAMES))
def test_given_a_shipped_sheet_when_rehearsed_by_its_first_offer_then_one_comes_through(name):
    document = shipped.document(name)
    sheet = interlocks.read(document)
    kept = rehearsal.fresh(sheet)

    for _ in range(len(sheet.steps)):
        shown = rehearsal.shown(sheet, document, kept)
        if shown["is_through"]:
            break
        kept = rehearsal.take(sheet, kept, shown["current"].id)

    assert rehearsal.shown(sheet, document, kept)["is_through"]
    assert (kept["out_of_order"], kept["damage"]) == (0, [])


def test_given_two_sheets_when_rehearsed_in_turn_then_each_begins_fresh(client, lab):
    client.force_login(lab.ben)
    press(client, lab.instrument.sheet_id, step="load")

    other = client.get(url("rehearse", lab.other_instrument.sheet_id))

    assert other.context["kept"]["taken"] == 0


# The paper


def test_given_a_sheet_when_printed_then_steps_hazards_version_and_head_stand_on_it(client, lab):
    client.force_login(lab.ben)
    lab.instrument.log.refresh_from_db()

    said = text_of(client.get(url("sheet_paper", lab.instrument.sheet_id)))

    for row in lab.instrument.sheet.document["steps"]:
        if row.get("kind", "step") == "step":
            assert row["says"] in said
    for row in lab.instrument.sheet.document["never"]:
        assert shipped.says_of(row) in said
    assert "run sheet version 1" in said
    assert lab.instrument.log.head in said
    assert "torr" in said


def test_given_no_such_version_when_asked_then_it_is_not_here(client, lab):
    client.force_login(lab.ben)

    assert client.get(url("sheet", 999)).status_code == 404
    assert RunSheet.objects.filter(published_at=None).count() == 0


@pytest.mark.parametrize("name", ["sheets", "sheet", "draft"])
def test_given_ten_more_versions_when_a_page_is_asked_then_its_queries_do_not_grow(
    staff, lab, draft, django_assert_max_num_queries, name
):
    from django.utils import timezone

    for version in range(2, 12):
        RunSheet.objects.create(
            name="Sheet", instrument=lab.instrument, version=version, document=draft.document,
            published_at=timezone.now(), published_by=lab.dee,
        )  # fmt: skip
    args = {"sheets": [], "sheet": [lab.instrument.sheet_id], "draft": ["quayside"]}[name]

    with django_assert_max_num_queries(9):
        assert staff.get(url(name, *args)).status_code == 200
