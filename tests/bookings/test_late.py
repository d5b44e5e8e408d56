"""Late entries: lines typed from a paper sheet, each kept or named, and nothing of now undone."""

import io
import uuid
from datetime import date, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest
from django.conf import settings
from django.urls import reverse
from django.utils import timezone
from PIL import Image

from bookings import late, run, steps
from bookings.models import Flag, Load, PumpDown, Reading
from facility import log, verify
from facility.errors import Refused
from facility.models import DeviceState, Entry, KeptItem

HERE = ZoneInfo(settings.TIME_ZONE)
DAY = date(2026, 3, 2)
NOW = datetime(2026, 3, 4, 12, 0, tzinfo=HERE)


def local(text):
    return datetime.fromisoformat(text).replace(tzinfo=HERE)


# Times, without a database


@pytest.mark.parametrize(
    ("text", "moment"),
    [
        ("16:42", "2026-03-02T16:42"),
        (" 9.05 ", "2026-03-02T09:05"),
        ("0905", "2026-03-02T09:05"),
        ("16h42", "2026-03-02T16:42"),
        ("2026-03-03 07:00", "2026-03-03T07:00"),
    ],
)
def test_given_a_typed_time_when_read_then_it_is_on_the_day_of_the_sheet(text, moment):
    assert late.moment_of(text, day=DAY, now=NOW) == local(moment)


@pytest.mark.parametrize(
    ("text", "sentence"),
    [
        ("", "Nothing is no time"),
        ("noon", "noon is no time"),
        ("25:10", "25:10 does not exist"),
        ("12:60", "12:60 does not exist"),
        ("2026-02-30 10:00", "does not exist"),
        ("2026-03-05 10:00", "still to come"),
        ("2025-03-02 10:00", "more than 60 days ago"),
        ("9" * 5000, "is no time"),
        ("\x00", "is no time"),
    ],
)
def test_given_what_is_no_time_when_read_then_a_sentence_says_so(text, sentence):
    with pytest.raises(Refused, match=sentence):
        late.moment_of(text, day=DAY, now=NOW)


def test_given_a_line_after_midnight_when_read_then_it_is_of_the_next_day():
    before = late.moment_of("23:50", day=DAY, now=NOW)

    after = late.moment_of("00:20", day=DAY, before=before, now=NOW)
    later = late.moment_of("00:40", day=DAY, before=after, now=NOW)

    assert after == local("2026-03-03T00:20")
    assert later == local("2026-03-03T00:40")


def test_given_a_line_a_little_earlier_than_the_one_above_when_read_then_it_stays_on_its_day():
    before = late.moment_of("16:42", day=DAY, now=NOW)

    assert late.moment_of("16:40", day=DAY, before=before, now=NOW) == local("2026-03-02T16:40")


def test_given_an_hour_that_the_clocks_left_out_when_read_then_it_does_not_exist():
    with pytest.raises(Refused, match="clocks went forward"):
        late.moment_of("01:30", day=date(2026, 3, 29), now=datetime(2026, 4, 1, tzinfo=HERE))


# Lines


@pytest.fixture
def session(lab):
    """Ben's session on the short sheet, everything looked at, three hours ago."""
    made = run.sign_on(instrument=lab.instrument, by=lab.ben)
    for look in ("look_arm", "look_gate", "look_door", "look_pump_valve_shut", "look_introduction"):
        steps.take_step(
            session=made, by=lab.ben, step_id=look,
            happened_at=timezone.now() - timedelta(hours=3),
        )  # fmt: skip
    return made


def line(number, minutes_ago, what, value, sent_id=None):
    at = timezone.localtime() - timedelta(minutes=minutes_ago)
    return late.Line(number, f"{at:%Y-%m-%d %H:%M}", what, value, sent_id or uuid.uuid4())


PAPER = [
    (100, late.STEP, "1 B7"),
    (95, late.STEP, "2"),
    (80, "pressure:quayside-intro", "3.1e-5"),
    (60, "pressure:quayside-intro", "7.5e-7"),
    (58, late.STEP, "3"),
    (55, late.STEP, "4"),
    (50, late.NOTE, "the lamp over the window is broken"),
    (45, late.STEP, "5"),
]


def paper():
    return [line(number, *row) for number, row in enumerate(PAPER, 1)]


@pytest.mark.django_db
def test_given_a_whole_paper_when_typed_then_load_pump_down_readings_and_steps_stand_as_of_then(
    lab, session
):
    written, bad = late.write_lines(
        session=session, by=lab.ben, day=timezone.localdate(), lines=paper()
    )

    assert (written, bad) == (8, [])
    load = Load.objects.get()
    assert load.holder == lab.holder
    ago = (timezone.now() - load.loaded_at).total_seconds() / 60
    assert 99 <= ago <= 102
    assert load.transferred_at
    assert PumpDown.objects.get().ended_why == "threshold"
    assert list(Reading.objects.order_by("at").values_list("typed", flat=True)) == [
        "3.1e-5",
        "7.5e-7",
    ]
    typed = [row for row in Entry.objects.filter(log=session.log) if row.late_by]
    assert [log.contents(row).get("step") for row in typed if row.kind == "step"] == [
        "load", "pump_down", "below_threshold", "transfer", "retract_and_end",
    ]  # fmt: skip
    assert all(log.contents(row)["in_order"] for row in typed if row.kind == "step")
    assert not Flag.objects.filter(rule="hazard").exists()
    assert verify.verify(log=session.log).broken == []


@pytest.mark.django_db
def test_given_the_same_paper_when_sent_twice_then_everything_is_stored_once(lab, session):
    lines = paper()
    late.write_lines(session=session, by=lab.ben, day=timezone.localdate(), lines=lines)
    counts = Entry.objects.count(), Reading.objects.count(), Load.objects.count()

    written, bad = late.write_lines(
        session=session, by=lab.ben, day=timezone.localdate(), lines=lines
    )

    assert (written, bad) == (8, [])
    assert (Entry.objects.count(), Reading.objects.count(), Load.objects.count()) == counts


@pytest.mark.django_db
@pytest.mark.parametrize(
    ("what", "value", "sentence"),
    [
        (late.STEP, "", "Write what stands on the paper."),
        (late.STEP, "load", "is no step of this sheet"),
        (late.STEP, "0", "1 to 5"),
        (late.STEP, "6", "1 to 5"),
        (late.STEP, "1", "puts a holder in"),
        (late.STEP, "1 ZZZ", "code"),
        (late.STEP, "2 and then some", "asks for nothing"),
        ("pressure:quayside-intro", "abc", "abc"),
        ("pressure:headland-intro", "1e-6", "has no gauge headland-intro"),
        ("dance", "1", "step, a pressure or a note"),
        (late.NOTE, "a\x00b", "NUL"),
    ],
)
def test_given_a_line_that_cannot_be_kept_when_typed_then_it_is_named_and_the_others_stand(
    lab, session, what, value, sentence
):
    lines = [
        line(1, 100, late.NOTE, "before"),
        line(2, 90, what, value),
        line(3, 80, late.NOTE, "after"),
    ]

    written, bad = late.write_lines(
        session=session, by=lab.ben, day=timezone.localdate(), lines=lines
    )

    assert written == 2
    assert [row.line.number for row in bad] == [2]
    assert sentence in bad[0].why
    assert Entry.objects.filter(log=session.log, kind="note").count() == 2
    assert not Entry.objects.filter(log=session.log, kind="step").exists()


@pytest.mark.django_db
def test_given_one_id_with_two_contents_when_typed_then_the_second_is_set_aside_for_staff(
    lab, session
):
    sent_id = uuid.uuid4()
    day = timezone.localdate()
    late.write_lines(
        session=session, by=lab.ben, day=day, lines=[line(1, 90, late.NOTE, "one", sent_id)]
    )

    written, bad = late.write_lines(
        session=session, by=lab.ben, day=day, lines=[line(1, 90, late.NOTE, "two", sent_id)]
    )

    assert written == 0
    assert "kept for staff" in bad[0].why
    assert "two" in KeptItem.objects.get().text


@pytest.mark.django_db
def test_given_something_newer_when_an_old_step_is_typed_then_what_was_seen_since_stands(
    lab, session
):
    door = steps.happened_anyway(session=session, by=lab.dee, sets={"door": "open"})
    flags = Flag.objects.count()

    written, bad = late.write_lines(
        session=session, by=lab.ben, day=timezone.localdate(), lines=[line(1, 90, late.STEP, "2")]
    )

    assert (written, bad) == (1, [])
    states = {row.device: row.state for row in DeviceState.objects.all()}
    assert (states["door"], states["pump_valve"]) == ("open", "unknown")  # both open cannot be
    said = log.contents(Entry.objects.get(log=session.log, kind="step"))
    assert (said["step"], said["devices_left"]) == ("pump_down", True)
    assert Flag.objects.count() == flags
    pumped = PumpDown.objects.get()
    assert (pumped.ended_at, pumped.ended_why) == (door.happened_at, "vented")


@pytest.mark.django_db
def test_given_a_paper_of_hours_ago_when_typed_then_no_device_counts_as_looked_at_now(lab, session):
    late.write_lines(session=session, by=lab.ben, day=timezone.localdate(), lines=paper())

    newest = max(row.looked_at for row in DeviceState.objects.filter(instrument=lab.instrument))

    # looks were recorded when the session began, a moment ago; the paper adds nothing newer
    assert newest <= Entry.objects.filter(kind="looked").latest("recorded_at").recorded_at
    gate = DeviceState.objects.get(device="gate_valve")
    assert gate.state == "closed"


# The page


def png():
    out = io.BytesIO()
    Image.new("RGB", (40, 30), "white").save(out, "PNG")
    out.seek(0)
    out.name = "paper.png"
    return out


def sent(lines, **more):
    fields = {"day": timezone.localdate().isoformat(), **more}
    for row in lines:
        fields |= {
            f"time-{row.number}": row.time,
            f"what-{row.number}": row.what,
            f"value-{row.number}": row.value,
            f"sent-{row.number}": str(row.sent_id),
        }
    return fields


@pytest.mark.django_db
def test_given_a_paper_with_one_bad_line_when_posted_then_that_one_stays_with_its_sentence(
    client, lab, session
):
    client.force_login(lab.ben)
    address = reverse("bookings:late_entries", args=[session.pk])
    lines = [
        line(1, 90, late.NOTE, "kept"),
        line(2, 80, late.STEP, "77"),
        line(3, 70, late.NOTE, "too"),
    ]

    answer = client.post(address, sent(lines))
    page = answer.content.decode()

    assert answer.status_code == 422
    assert "2 lines written down, 1 not yet" in page
    assert "Line 2: 77 is no step of this sheet." in page
    rows = {row["line"].number: row["line"].value for row in answer.context["rows"]}
    assert rows[2] == "77"
    assert 1 not in {n for n, value in rows.items() if value}
    fixed = late.Line(2, lines[1].time, late.NOTE, "77 was smudged", lines[1].sent_id)
    assert client.post(address, sent([fixed])).status_code == 302
    assert Entry.objects.filter(log=session.log, kind="note").count() == 3


@pytest.mark.django_db
def test_given_lines_and_a_photograph_when_posted_then_both_are_in_the_log_and_show_as_late(
    client, lab, session
):
    client.force_login(lab.ben)
    address = reverse("bookings:late_entries", args=[session.pk])

    answer = client.post(
        address, sent([line(1, 90, late.NOTE, "by lamplight")], photograph=png()), follow=True
    )

    said = answer.content.decode()
    assert "1 line and the photograph of the paper are written down." in said
    assert "written down 1 h 3" in said
    photo = Entry.objects.get(log=session.log, kind="photograph")
    assert len(log.contents(photo)["photo"]) == 64


@pytest.mark.django_db
def test_given_a_picture_that_is_none_when_posted_then_the_lines_are_kept_all_the_same(
    client, lab, session
):
    client.force_login(lab.ben)
    file = io.BytesIO(b"not a picture")
    file.name = "paper.png"

    answer = client.post(
        reverse("bookings:late_entries", args=[session.pk]),
        sent([line(1, 90, late.NOTE, "kept")], photograph=file),
    )

    assert answer.status_code == 422
    assert "no JPEG or PNG" in answer.content.decode()
    assert Entry.objects.filter(log=session.log, kind="note").count() == 1


@pytest.mark.django_db
@pytest.mark.parametrize("day", ["", "yesterday", "2026-02-31", "9" * 400])
def test_given_no_day_when_posted_then_it_is_asked_for_and_the_lines_stay(
    client, lab, session, day
):
    client.force_login(lab.ben)

    answer = client.post(
        reverse("bookings:late_entries", args=[session.pk]),
        sent([line(1, 90, late.NOTE, "stays here")]) | {"day": day},
    )

    assert answer.status_code == 422
    assert "Write the day, such as 2026-03-02." in answer.content.decode()
    assert "stays here" in answer.content.decode()
    assert not Entry.objects.filter(log=session.log, kind="note").exists()


@pytest.mark.django_db
def test_given_a_closed_session_when_a_paper_is_typed_then_it_is_taken_and_the_chain_holds(
    client, lab, session
):
    run.sign_off(session=session, by=lab.ben)
    client.force_login(lab.ben)

    answer = client.post(
        reverse("bookings:late_entries", args=[session.pk]), sent(paper()), follow=True
    )

    assert "8 lines are written down." in answer.content.decode()
    record = client.get(reverse("bookings:session_record", args=[session.pk]))
    assert "later</small>" in record.content.decode()


@pytest.mark.django_db
@pytest.mark.parametrize(
    ("person", "code"), [("ben", 200), ("dee", 200), ("gil", 403), ("chao", 404), ("eve", 404)]
)
def test_given_each_person_when_they_open_it_then_only_those_who_took_part_and_staff_may(
    client, lab, session, person, code
):
    client.force_login(getattr(lab, person))

    assert client.get(reverse("bookings:late_entries", args=[session.pk])).status_code == code
