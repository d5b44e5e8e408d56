"""The pages of the bench: mounted, checked, kept, found and asked about, by the cast."""

import io
import uuid

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.urls import reverse
from django.utils import timezone
from PIL import Image

from bookings import alarms, asking, flag, run
from bookings.models import AskedByLink, Flag, Message
from facility.errors import Refused
from facility.models import Limit, Place
from samples import bench, keep, limits, mount
from samples.models import BenchStep, Cleaning, Mount, Sample
from tests import build
from tests.samples.test_scanning import desk

pytestmark = pytest.mark.django_db

NEW = {
    "title": "Zinc foil", "form": "bulk", "composition": "Zn", "wants": "Zn 2p3/2",
    "shape": "rectangle", "width_mm": "4", "height_mm": "4,0", "thickness_mm": "0.25",
    "hazards": "none", "history": "cut and rinsed", "liquid": "none",
}  # fmt: skip


def get(client, name, *args, **query):
    return client.get(reverse(f"bookings:{name}", args=args), query, follow=True)


def post(client, name, *args, **data):
    return client.post(reverse(f"bookings:{name}", args=args), data, follow=True)


def text(response):
    return " ".join(response.content.decode().split())


# Described at the desk


def test_given_zinc_when_described_then_the_number_behind_the_verdict_is_shown(client, lab):
    client.force_login(lab.eve)

    cold = post(client, "describe_sample", **NEW, check="yes")
    hot = post(client, "describe_sample", **NEW, check="yes", max_temperature_c="150")
    mercury = post(client, "describe_sample", **NEW | {"composition": "Hg"}, check="yes")

    assert "1.7 × 10⁻¹⁴ torr, passes" in text(cold)
    assert "9.5 × 10⁻⁸ torr, ask staff" in text(hot)
    assert "Not yet" in text(mercury)
    assert not Sample.objects.exists()


@pytest.mark.parametrize(
    ("field", "value", "says"),
    [
        ("composition", "", "Enter what it is made of"),
        ("composition", "Xq2", "Xq"),
        ("form", "", "Choose the form"),
        ("hazards", "", "Name the hazards, or write none."),
        ("history", "", "Say how it was made"),
        ("width_mm", "", "Enter the width in mm."),
        ("thickness_mm", "-1", "Thickness must be 0 or more"),
        ("thickness_mm", "nan", "Thickness must be a number of mm"),
        ("wants", "Cu 7p", "Cu 7p"),
        ("keep_until", "2020-01-01", "has passed"),
    ],
)
def test_given_a_field_missing_or_wrong_when_described_then_its_sentence_stands_beside_it(
    client, lab, field, value, says
):
    client.force_login(lab.ben)

    answer = post(client, "describe_sample", **NEW | {field: value})

    assert answer.status_code == 422
    assert says in text(answer)
    assert "Zinc foil" in text(answer)
    assert not Sample.objects.exists()


def test_given_the_same_form_twice_when_sent_then_there_is_one_sample(client, lab):
    client.force_login(lab.ben)
    sent = uuid.uuid4()

    for _ in range(2):
        post(client, "describe_sample", **NEW, sent_id=sent)

    made = Sample.objects.get()
    assert (made.owner, made.group, made.height_mm) == (lab.ben, lab.ben.group, 4.0)


def test_given_a_pasted_table_when_kept_then_good_lines_stay_and_bad_ones_are_named(client, lab):
    client.force_login(lab.ben)
    build.sample("Old film", owner=lab.ben)
    table = "\n".join(
        [
            "Name;Form;Composition;Size;Thickness;Hazards",
            "Film 1;film;TiN;4 x 5;0,5;none",
            "Film 1;film;TiN;4 x 5;0,5;none",
            "Old film;film;TiN;4 x 5;0,5;none",
            "Foil;bulk;Xq;Ø 5;0.1;none",
            "Film 2;film;TiN;4 x 5;-1;none",
            "Film 3;Film;TiO2;Ø 5;0.1;none",
            "Film 4;film;Ti",
        ]
    )

    shown = post(client, "describe_many", table=table, sent_id=uuid.uuid4())
    assert Sample.objects.count() == 1
    sent = shown.context["sent_id"]
    for _ in range(2):
        post(client, "describe_many", table=table, sent_id=sent, keep="yes")

    assert list(shown.context["good"]) == [2, 7]
    assert list(shown.context["bad"]) == [3, 4, 5, 6, 8]
    assert "Film 1 is there already" in text(shown)
    assert set(Sample.objects.values_list("title", flat=True)) == {"Old film", "Film 1", "Film 3"}


def test_given_a_wrong_thickness_when_corrected_then_the_old_value_stays_with_who_and_why(
    client, lab
):
    client.force_login(lab.ben)
    post(client, "describe_sample", **NEW)
    row = Sample.objects.get()

    silent = post(client, "correct_sample", row.code, **NEW | {"thickness_mm": "2.5"})
    same = post(client, "correct_sample", row.code, **NEW, why="nothing")
    post(client, "correct_sample", row.code, **NEW | {"thickness_mm": "2.5"}, why="a slip")
    row.refresh_from_db()
    shown = text(get(client, "sample", row.code))
    client.force_login(lab.chao)
    stranger = post(client, "correct_sample", row.code, **NEW, why="mine")

    assert silent.status_code == 422
    assert "Write why it is corrected" in text(silent)
    assert same.status_code == 200
    assert row.thickness_mm == 2.5
    assert row.corrections.count() == 1
    assert "Corrected: thickness mm 0.25, now 2.5" in shown
    assert "a slip" in shown
    assert stranger.status_code == 404


# Mounted


def test_given_two_taps_of_one_press_when_mounting_then_the_sample_is_mounted_once(client, lab):
    client.force_login(lab.ben)
    sample = build.sample("TiN 4", owner=lab.ben, composition="TiN", wants="Ti 2p")
    shown = get(client, "mount_sample", lab.holder.code, at=2, of=4)
    sent = shown.context["waiting"][0]["sent_id"]

    for _ in range(2):
        post(
            client, "mount_sample", lab.holder.code, sample=sample.pk, sent_id=sent,
            mounting="tantalum clip", position=2, x_mm=shown.context["chosen"][1],
            y_mm=shown.context["chosen"][2],
        )  # fmt: skip

    made = Mount.objects.get()
    assert (made.position, made.x_mm) == (2, 7.7)


def test_given_a_walk_up_sample_when_mounted_again_then_it_is_marked_undeclared(client, lab):
    client.force_login(lab.ben)
    like = build.sample("TiN 4", owner=lab.gil, composition="TiN")
    keep.send_away(sample=like, how="disposed of", by=lab.gil)

    post(client, "mount_again", lab.holder.code, sample=like.pk, sent_id=uuid.uuid4())
    theirs = build.sample("Theirs", owner=lab.chao)
    post(client, "mount_again", lab.holder.code, sample=theirs.pk, sent_id=uuid.uuid4())

    made = Mount.objects.get().sample
    assert (made.title, made.owner, made.declared_before_arrival) == ("TiN 4 (2)", lab.ben, False)
    assert "undeclared" in text(get(client, "sample", made.code))


def test_given_samples_of_two_groups_when_one_changes_the_holder_then_the_other_is_told(
    client, lab
):
    theirs = build.sample("Secret alloy", owner=lab.chao, composition="Cu63Zn37")
    mount.mount(holder=lab.holder, sample=theirs, by=lab.chao, position=1)
    ours = build.sample("TiN 4", owner=lab.ben, composition="TiN")
    client.force_login(lab.ben)

    post(client, "mount_sample", lab.holder.code, sample=ours.pk, position=2, sent_id=uuid.uuid4())

    told = Message.objects.get()
    assert told.person == lab.chao
    assert "somebody of another group" in told.says
    assert "Ben" not in told.says


def test_given_another_groups_sample_beside_when_looked_at_then_neither_name_nor_matter_shows(
    client, lab
):
    theirs = build.sample("Secret alloy", owner=lab.chao, form="powder", composition="Cu63Zn37")
    mount.mount(holder=lab.holder, sample=theirs, by=lab.chao, position=1, x_mm=0.0, y_mm=0.0)
    ours = build.sample("TiN 4", owner=lab.ben, composition="TiN", wants="Ti 2p")
    mount.mount(holder=lab.holder, sample=ours, by=lab.ben, position=2, x_mm=4.5, y_mm=0.0)
    client.force_login(lab.ben)

    ours_page = text(get(client, "holder", lab.holder.code))
    beside = text(get(client, "sample", ours.code))
    staff = Flag.objects.count()

    for page in (ours_page, beside):
        assert "Secret alloy" not in page
        assert "Cu63Zn37" not in page
        assert "brass" not in page.lower()
    assert "Position 1 and TiN 4 (position 2)" in ours_page
    assert "another group’s powder" in beside
    assert staff == 0


def test_given_a_confidential_neighbour_when_looked_at_then_only_ask_staff_stands_there(
    client, lab
):
    theirs = build.sample("Secret", owner=lab.chao, form="powder", confidential=True)
    mount.mount(holder=lab.holder, sample=theirs, by=lab.chao, position=1)
    client.force_login(lab.ben)

    shown = get(client, "holder", lab.holder.code)

    assert [one.says for one in shown.context["findings"] if one.severity == "stop"] == [
        "Position 1: ask staff."
    ]


def test_given_a_mount_when_moved_after_a_load_then_the_past_keeps_its_drawing(lab):
    sample = build.sample("TiN 4", owner=lab.ben)
    row = mount.mount(holder=lab.holder, sample=sample, by=lab.ben, x_mm=0.0, y_mm=0.0)
    mount.lay(holder=lab.holder, places={row.pk: (1.0, 2.0, 30.0)}, by=lab.ben)
    assert Mount.objects.get().x_mm == 1.0

    stage = Place.objects.get(kind="stage", instrument=lab.instrument)
    mount.move(holder=lab.holder, place=stage, by=lab.dee)
    with pytest.raises(Refused, match="in vacuum"):
        mount.lay(holder=lab.holder, places={row.pk: (3.0, 2.0, 30.0)}, by=lab.ben)
    mount.move(holder=lab.holder, place=Place.objects.get(kind="rack"), by=lab.dee)
    mount.lay(holder=lab.holder, places={row.pk: (3.0, 2.0, 30.0)}, by=lab.ben)

    assert [(m.x_mm, m.until is None) for m in Mount.objects.order_by("pk")] == [
        (1.0, False),
        (3.0, True),
    ]


def test_given_a_crowded_holder_when_arranged_then_the_proposal_is_wider_and_can_be_kept(
    client, lab
):
    for n in range(3):
        sample = build.sample(f"TiN {n}", owner=lab.ben, composition="TiN")
        mount.mount(holder=lab.holder, sample=sample, by=lab.ben, x_mm=4.1 * n - 4, y_mm=0.0)
    client.force_login(lab.ben)

    shown = get(client, "arrange", lab.holder.code).context
    post(
        client, "lay_mounts", lab.holder.code,
        **{f"m{row['mount'].pk}": row["place"] for row in shown["places"]},
    )  # fmt: skip

    assert shown["now"]["gap"] < 0.2
    assert shown["proposal"]["gap"] > 5
    assert get(client, "holder", lab.holder.code).context["findings"] == []


# Checked, answered, remembered


def test_given_a_gauge_that_the_holder_does_not_pass_when_pressed_then_it_stops(client, lab):
    thick = build.sample("Coupon", owner=lab.ben, form="bulk", thickness_mm=2.1)
    mount.mount(holder=lab.holder, sample=thick, by=lab.ben, mounting="tantalum clip")
    client.force_login(lab.ben)

    before = get(client, "holder", lab.holder.code).context
    post(client, "bench_step", lab.holder.code, kind="gauge", gauge_mm="3", passes="no")
    stopped = get(client, "holder", lab.holder.code).context
    post(client, "bench_step", lab.holder.code, kind="gauge", gauge_mm="3", passes="yes")
    passed = get(client, "holder", lab.holder.code)

    assert before["next_gauge"] == 3.0
    assert before["height_limit"] == pytest.approx(20 + 8 - 1.5 - 2.1)
    assert [one.rule for one in stopped["findings"]] == ["HGT-02"]
    assert stopped["height_limit"] is None
    assert passed.context["height_limit"] == pytest.approx(20 + 8 - 1.5 - 3.0)
    assert "This checks typing; set the stage’s own soft limit too." in text(passed)
    assert not Flag.objects.waiting().exists()


def test_given_bench_steps_done_when_something_is_mounted_then_they_are_asked_again(lab):
    first = build.sample("TiN 1", owner=lab.ben)
    mount.mount(holder=lab.holder, sample=first, by=lab.ben)
    keep.step(holder=lab.holder, kind="prepared", by=lab.ben)
    assert set(bench.steps_done(lab.holder, bench.mounts_of(lab.holder))) == {"prepared"}

    mount.mount(holder=lab.holder, sample=build.sample("TiN 2", owner=lab.ben), by=lab.ben)

    assert bench.steps_done(lab.holder, bench.mounts_of(lab.holder)) == {}
    assert BenchStep.objects.count() == 1


def test_given_a_silicone_load_when_cleaned_then_the_holder_asks_for_a_blank_as_well(lab):
    long_ago = timezone.now() - timezone.timedelta(days=3)
    oil = build.sample("Seal", owner=lab.ben, form="bulk", composition="PDMS")
    row = mount.mount(holder=lab.holder, sample=oil, by=lab.ben)
    Mount.objects.filter(pk=row.pk).update(since=long_ago)
    mount.take_off(mount=row, by=lab.ben)
    clean = build.sample("TiN 1", owner=lab.ben, composition="TiN")
    mount.mount(holder=lab.holder, sample=clean, by=lab.ben, mounting="tantalum clip")

    def asked():
        found = bench.findings_of(lab.holder, bench.mounts_of(lab.holder))
        return [one.do for one in found if one.rule == "MEM-01"]

    assert asked() == ["Clean it and record the method."]
    Cleaning.objects.create(holder=lab.holder, at=timezone.now(), method="wiped", by=lab.ben)
    assert asked() == ["Measure a blank and record it."]
    Cleaning.objects.create(
        holder=lab.holder, at=timezone.now(), method="wiped", blank="C and O", by=lab.ben
    )
    assert asked() == []


def test_given_a_dedicated_holder_when_it_carries_its_class_then_memory_is_silent(lab):
    lab.holder.group = lab.ben.group
    lab.holder.save()
    oil = build.sample("Seal", owner=lab.ben, form="bulk", composition="PDMS")
    row = mount.mount(holder=lab.holder, sample=oil, by=lab.ben)
    Mount.objects.filter(pk=row.pk).update(since=timezone.now() - timezone.timedelta(days=3))
    mount.take_off(mount=row, by=lab.ben)

    def rules_for(owner):
        sample = build.sample("TiN", owner=owner, composition="TiN")
        row = mount.mount(holder=lab.holder, sample=sample, by=owner, mounting="tantalum clip")
        found = bench.findings_of(lab.holder, bench.mounts_of(lab.holder))
        mount.take_off(mount=row, by=owner)
        return {one.rule for one in found}

    assert "MEM-01" not in rules_for(lab.ben)
    assert "MEM-01" in rules_for(lab.chao)


def test_given_a_finding_answered_when_the_sample_comes_again_then_it_is_not_asked_again(lab):
    sample = build.sample("Zn", owner=lab.ben, form="bulk", composition="Zn", max_temperature_c=150)
    row = mount.mount(holder=lab.holder, sample=sample, by=lab.ben, mounting="tantalum clip")
    run.refresh_flags(lab.holder)
    flag.answer(flag=Flag.objects.get(), by=lab.dee, answer="seen", sentence="Only to 100 °C.")

    mount.take_off(mount=row, by=lab.ben)
    mount.mount(holder=lab.holder, sample=sample, by=lab.ben, mounting="tantalum clip")
    run.refresh_flags(lab.holder)

    assert Flag.objects.count() == 1
    assert not Flag.objects.waiting().exists()


@pytest.mark.parametrize(
    ("rule", "severity", "who", "says"),
    [
        ("HGT-01", "stop", "dee", "HGT-01 has no override"),
        ("HAZ-01", "stop", "dee", "answered by the safety officer"),
        ("HAZ-01", "stop", "fay", ""),
        ("VOL-01", "staff", "dee", ""),
        ("VOL-01", "staff", "fay", "Staff answer this"),
        ("VOL-01", "staff", "ben", "Staff answer this"),
    ],
)
def test_given_a_flag_when_answered_then_only_those_who_may_lift_it_do(
    lab, rule, severity, who, says
):
    row = Flag.objects.create(
        key=rule, rule=rule, severity=severity, says="It is so.", raised_at=timezone.now(),
        holder=lab.holder,
    )  # fmt: skip

    def answered():
        return flag.answer(flag=row, by=getattr(lab, who), answer="seen", sentence="I looked.")

    if says:
        with pytest.raises(Refused, match=says):
            answered()
    else:
        assert answered().answered_by == getattr(lab, who)


def test_given_a_link_to_staffs_own_telephone_when_used_then_it_answers_once_in_their_name(
    client, lab
):
    row = Flag.objects.create(
        key="x", rule="VOL-01", severity="stop", says="It evaporates.", raised_at=timezone.now(),
        holder=lab.holder,
    )  # fmt: skip
    client.force_login(lab.ben)
    asked = post(client, "ask_by_link", row.pk, person=lab.dee.pk)
    path = Message.objects.get(person=lab.dee).url
    assert path.rsplit("/", 2)[-2] not in text(asked)
    client.logout()

    shown = client.get(path)
    silent = client.post(path, {"answer": "seen", "sentence": ""})
    done = client.post(path, {"answer": "seen", "sentence": "For one hour."})
    again = client.post(path, {"answer": "not real", "sentence": "No."})

    assert "It evaporates." in text(shown)
    assert silent.status_code == 422
    assert done.status_code == 200
    assert again.status_code == 404
    row.refresh_from_db()
    assert (row.answer, row.answered_by, row.sentence) == ("seen", lab.dee, "For one hour.")
    assert AskedByLink.objects.get().used_at


def test_given_a_rule_without_override_when_somebody_asks_for_one_then_nobody_can_be_asked(lab):
    row = Flag.objects.create(
        key="x", rule="HGT-01", severity="stop", says="Too high.", raised_at=timezone.now(),
        holder=lab.holder,
    )  # fmt: skip

    assert not asking.who_may_answer(row).exists()
    with pytest.raises(Refused, match="does not answer HGT-01"):
        asking.ask(flag=row, person=lab.dee, by=lab.ben)


# Limits, quarantine, places


def test_given_a_limit_when_staff_set_it_then_the_rule_follows_and_the_old_row_stays(client, lab):
    client.force_login(lab.dee)
    limits_page = reverse("samples:set_limit")

    client.post(limits_page, {"name": "min_gap_mm", "value": "2,5", "sentence": "Wide tweezers."})
    client.post(limits_page, {"name": "min_gap_mm", "value": "-1", "sentence": "x"})
    client.post(limits_page, {"name": "min_gap_mm", "value": "nan", "sentence": "x"})
    client.post(limits_page, {"name": "min_gap_mm", "value": "3", "sentence": " "})
    client.post(limits_page, {"name": "no_such", "value": "3", "sentence": "x"})

    assert limits.in_force().min_gap_mm == 2.5
    rows = Limit.objects.filter(name="min_gap_mm")
    assert [row.value for row in rows] == [2.5, 1.0]
    assert rows.first().source == "Wide tweezers."
    client.force_login(lab.ben)
    assert client.post(limits_page, {"name": "min_gap_mm", "value": "9"}).status_code == 403


def test_given_a_quarantined_holder_when_used_then_it_waits_for_a_blank_or_a_named_reason(lab):
    sample = build.sample("TiN", owner=lab.ben)
    keep.quarantine(holder=lab.holder, why="tin found twice", by=lab.dee)
    lab.holder.refresh_from_db()

    with pytest.raises(Refused, match="quarantined: tin found twice"):
        mount.mount(holder=lab.holder, sample=sample, by=lab.ben)
    with pytest.raises(Refused, match="no cleaning with a blank since"):
        keep.release(holder=lab.holder, by=lab.dee)
    keep.clean(holder=lab.holder, by=lab.ben, method="ground", blank="C and O only")
    keep.release(holder=lab.holder, by=lab.dee)

    lab.holder.refresh_from_db()
    assert lab.holder.quarantined_why == ""
    assert lab.holder.notes.first().text == "cleaned (ground), blank: C and O only"
    assert mount.mount(holder=lab.holder, sample=sample, by=lab.ben)


def test_given_hazardous_samples_when_the_safety_officer_looks_then_each_has_place_and_owner(
    client, lab
):
    build.sample("Nano tin", owner=lab.ben, form="powder", hazards="nano, flammable")
    shelf = Place.objects.create(kind="shelf", name="shelf box A", capacity=99)
    mount.put(sample=Sample.objects.get(), place=shelf, by=lab.ben)
    build.sample("Plain", owner=lab.ben, hazards="none")
    client.force_login(lab.fay)

    shown = get(client, "hazards")
    client.force_login(lab.ben)

    assert list(shown.context["hazards"]) == ["flammable", "nano"]
    for word in ("Nano tin", "shelf box A", "Ben Samphire"):
        assert word in text(shown)
    assert "Plain" not in text(shown)
    assert get(client, "hazards").status_code == 403


def test_given_a_mounted_sample_when_listed_then_its_holder_and_where_that_is_are_told(client, lab):
    sample = build.sample("Nano tin", owner=lab.ben, form="powder", hazards="nano")
    mount.mount(holder=lab.holder, sample=sample, by=lab.ben)

    row = Sample.objects.with_place().get()

    assert (row.holder_name, row.holder_place, row.own_place) == ("B7", "rack", None)


def test_given_a_sample_that_has_left_when_searched_for_then_its_title_still_finds_it(client, lab):
    row = build.sample("Cu–Ni coupon, quay wall", owner=lab.ben)
    keep.send_away(sample=row, how="returned to its owner", by=lab.ben)
    client.force_login(lab.ben)

    found = get(client, "scan", q="quay wall")
    client.force_login(lab.chao)
    stranger = get(client, "scan", q="quay wall")

    assert found.context["sample"] == row
    assert "Returned to its owner" in text(found)
    assert row.title not in text(stranger)


# Pictures


def _picture(*codes):
    out = io.BytesIO()
    desk(*codes).convert("RGB").save(out, "JPEG")
    return SimpleUploadedFile("bench.jpg", out.getvalue(), "image/jpeg")


def test_given_a_picture_of_codes_when_sent_then_one_opens_its_page_and_two_are_offered(
    client, lab
):
    sample = build.sample("TiN 4", owner=lab.chao)
    client.force_login(lab.ben)

    one = post(client, "scan_picture", picture=_picture(lab.holder.code))
    two = post(client, "scan_picture", picture=_picture(lab.holder.code, sample.code))
    none = post(client, "scan_picture", picture=_picture())
    missing = post(client, "scan_picture")

    assert one.context["holder"] == lab.holder
    assert "Several codes are in the picture" in text(two)
    assert "another group&#x27;s sample" in text(two)
    assert "TiN 4" not in text(two)
    assert (none.status_code, missing.status_code) == (422, 422)
    assert "No code was found in the picture" in text(none)
    assert "Take or choose a picture first" in text(missing)


def _large():
    out = io.BytesIO()
    Image.new("1", (8000, 5000)).save(out, "PNG")
    return out.getvalue()


@pytest.mark.parametrize(
    ("name", "content", "says"),
    [
        ("large.png", _large(), "The picture has 40 megapixels; at most 25 are taken."),
        ("heavy.jpg", b"\xff\xd8" + bytes(100_000_000), "The picture has 100 MB; at most 26 MB"),
        ("new.heic", b"\x00\x00\x00\x18ftypheic\x00\x00\x00\x00heicmif1", "most compatible format"),
        ("page.jpg", b"GIF89a/*<script>alert(1)</script>", "This is no JPEG or PNG picture."),
        ("half.jpg", None, "The picture is damaged. Take it anew."),
        ("empty.jpg", b"", "empty"),
    ],
    ids=lambda value: value if isinstance(value, str) and "." in value[-6:] else "",
)
def test_given_a_bad_picture_when_sent_then_the_page_says_what_to_do(
    client, lab, name, content, says
):
    client.force_login(lab.ben)
    if content is None:
        whole = _picture(lab.holder.code).read()
        content = whole[: len(whole) // 3]

    for page in ("scan_picture", "photograph_holder"):
        where = [lab.holder.code] if page == "photograph_holder" else []
        file = SimpleUploadedFile(name, content, "image/jpeg")
        answer = post(client, page, *where, picture=file)

        assert answer.status_code in (200, 422)
        assert says in text(answer), page
    assert not lab.holder.photos.exists()


def test_given_a_picture_of_twelve_megapixels_when_sent_then_its_holder_opens(client, lab):
    out = io.BytesIO()
    desk(lab.holder.code, size=(4000, 3000)).convert("RGB").save(out, "JPEG", quality=70)
    client.force_login(lab.ben)

    answer = post(client, "scan_picture", picture=SimpleUploadedFile("12.jpg", out.getvalue()))

    assert answer.context["holder"] == lab.holder


def test_given_a_photograph_of_a_holder_when_kept_then_it_stands_beside_the_positions(client, lab):
    mount.mount(holder=lab.holder, sample=build.sample("TiN 4", owner=lab.ben), by=lab.ben)
    client.force_login(lab.ben)

    for _ in range(2):
        shown = post(client, "photograph_holder", lab.holder.code, picture=_picture())
    bad = post(
        client, "photograph_holder", lab.holder.code,
        picture=SimpleUploadedFile("x.jpg", b"<script>", "image/jpeg"),
    )  # fmt: skip

    assert len(shown.context["photographs"]) == 1
    assert 'class="beside"' in text(shown)
    assert "This is no JPEG or PNG picture" in text(bad)


def test_given_label_sheets_when_asked_for_then_a_pdf_comes_or_a_sentence(client, lab):
    client.force_login(lab.ben)

    made = post(client, "label_sheet", size="62x37", code=[lab.holder.code])
    nothing = post(client, "label_sheet", size="62x37")
    many = post(client, "label_sheet", size="62x37", code=[f"H{n:07d}" for n in range(10_000)])
    copies = post(client, "label_sheet", size="62x37", code=[lab.holder.code], copies="10000")
    own = post(client, "label_sheet", size="own", code=[lab.holder.code], width="80")

    assert made.content.startswith(b"%PDF")
    assert "No label was chosen" in text(nothing)
    assert many.status_code == 400
    assert "More than 1,000 things were sent at once. Choose fewer" in text(many)
    assert "Copies of each must be 420 or fewer, not 10000." in text(copies)
    assert "Enter the sheet" in text(own)


def test_given_more_text_than_is_read_when_sent_then_a_sentence_says_how_much(client, lab):
    client.force_login(lab.ben)

    answer = post(client, "describe_many", table="x" * (2 * 1024 * 1024 + 10))

    assert answer.status_code == 400
    assert "More than 2 MB of text was sent at once." in text(answer)


def test_given_a_host_that_is_not_ours_when_asked_then_the_page_says_what_to_set(client, lab):
    answer = client.get("/", headers={"host": "elsewhere.example.org"})

    assert answer.status_code == 400
    assert "adds the address to ALLOWED_HOSTS" in text(answer)


# The budget and the queries


def test_given_ordinary_loads_when_the_alarms_are_counted_then_the_same_finding_counts_once(lab):
    sample = build.sample("Ru", owner=lab.ben, form="bulk", composition="Ru", wants="Ru 3d")
    mount.mount(holder=lab.holder, sample=sample, by=lab.ben, mounting="tantalum clip")
    from bookings.models import Load
    from facility import log

    for _ in range(2):
        Load.objects.create(
            instrument=lab.instrument, holder=lab.holder, loaded_by=lab.ben,
            log=log.open_log(kind="load", instrument=lab.instrument, by=lab.ben),
            loaded_at=timezone.now(), taken_out_at=timezone.now(),
        )  # fmt: skip

    budget = alarms.measure()

    assert (budget.loads, budget.standing, budget.warned, budget.stopped) == (2, 2, 1, 0)
    assert not budget.holds


@pytest.mark.parametrize("count", [1, 4])
def test_given_more_samples_on_a_holder_when_its_pages_open_then_the_queries_do_not_grow(
    client, lab, django_assert_max_num_queries, count
):
    for n in range(count):
        sample = build.sample(f"TiN {n}", owner=lab.ben, composition="TiN")
        mount.mount(holder=lab.holder, sample=sample, by=lab.ben)
        build.sample(f"Ready {n}", owner=lab.ben)
    client.force_login(lab.ben)

    with django_assert_max_num_queries(36):
        get(client, "holder", lab.holder.code)
    with django_assert_max_num_queries(30):
        get(client, "mount_sample", lab.holder.code)
    with django_assert_max_num_queries(30):
        get(client, "sample", sample.code)
    with django_assert_max_num_queries(8):
        get(client, "samples")
