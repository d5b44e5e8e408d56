"""The weekly review: its weeks, its lines, answering, signing, and what it costs."""

import hashlib
from datetime import UTC, date, datetime, timedelta

import pytest
from django.core.management import call_command
from django.test import Client
from django.urls import reverse
from django.utils import timezone

from bookings import clock, flag, review, reviewing, say, watchers
from bookings.lines import Line
from bookings.models import Flag, Matter, Message, Review
from facility import log, verify
from facility.errors import Refused
from tests import build

PASSWORD = build.PASSWORD


@pytest.fixture
def only_ours(monkeypatch):
    """No watcher speaks but those that a test names: `only_ours(line, ...)`."""
    said = []
    monkeypatch.setattr(watchers, "sources", lambda: [(lambda *_: list(said), ("order",))])
    return said


@pytest.fixture
def monday():
    return review.newest_monday()


def a_flag(lab, monday, key="lapse", severity="staff", rule="BKG-02", **more):
    return Flag.objects.create(
        key=key, rule=rule, severity=severity, says=f"{key} stands", instrument=lab.instrument,
        raised_at=review.week_of(monday).start + timedelta(days=2), **more,
    )  # fmt: skip


def a_line(key, severity="warn", heading="order"):
    return Line(key=key, heading=heading, says=f"{key} says so.", severity=severity)


def keys(page):
    return [item.line.key for item in page.first]


# Weeks


def test_given_the_clocks_go_forward_when_the_week_is_made_then_it_has_167_hours(settings):
    settings.TIME_ZONE = "Europe/London"

    assert review.hours_of(review.week_of(date(2026, 3, 23))) == 167.0


def test_given_the_clocks_go_back_when_the_week_is_made_then_it_has_169_hours_and_one_number():
    week = review.week_of(date(2026, 10, 19))

    assert review.hours_of(week) == 169.0
    assert week.number == 43
    assert week.holds(datetime(2026, 10, 25, 23, 59, tzinfo=UTC))
    assert not week.holds(datetime(2026, 10, 26, 0, 0, tzinfo=UTC))


@pytest.mark.parametrize("words", ["", "2026", "2026-W00", "2026-W54", "46", "2025-W53", "x" * 90])
def test_given_no_week_when_read_then_a_sentence_says_how_to_write_one(words):
    with pytest.raises(Refused, match="such as 2026-W46"):
        review.monday_of(words)


def test_given_a_year_of_53_weeks_when_its_last_is_read_then_it_is_found():
    assert review.monday_of("2026-W53") == date(2026, 12, 28)


# Lines


def test_given_a_quiet_week_when_read_then_nothing_needs_a_person(lab, monday, only_ours):
    page = review.page_of(lab.instrument, monday)

    assert page.items == []
    assert page.blocking == 0
    assert "nothing was done outside the rules" in page.fine.lower()


def test_given_more_than_seven_when_read_then_the_gravest_stand_in_the_order_of_headings(
    lab, monday, only_ours
):
    only_ours += [a_line(f"warn {n}") for n in range(8)]
    only_ours += [a_line("late stop", "stop", "order"), a_line("early warn", "warn", "fit")]

    page = review.page_of(lab.instrument, monday)

    assert len(page.first) == 7
    assert keys(page)[0] == "early warn"
    assert "late stop" in keys(page)
    assert len(page.rest) == 3


def test_given_a_watcher_and_a_flag_with_one_key_when_read_then_the_matter_stands_once(
    lab, monday, only_ours
):
    a_flag(lab, monday, key="pump-down|7", severity="warn")
    only_ours.append(a_line("pump-down|7", "warn", "vacuum"))

    assert keys(review.page_of(lab.instrument, monday)) == ["pump-down|7"]


def test_given_a_flag_of_the_other_instrument_when_read_then_it_stands_only_there(
    lab, monday, only_ours
):
    row = a_flag(lab, monday)
    Flag.objects.filter(pk=row.pk).update(instrument=lab.other_instrument)

    assert keys(review.page_of(lab.instrument, monday)) == []
    assert keys(review.page_of(lab.other_instrument, monday)) == ["lapse"]


def test_given_a_flag_raised_after_the_week_when_read_then_it_waits_for_its_own(
    lab, monday, only_ours
):
    row = a_flag(lab, monday)
    Flag.objects.filter(pk=row.pk).update(raised_at=timezone.now())

    assert keys(review.page_of(lab.instrument, monday)) == []


# Answering


def test_given_a_flag_when_its_line_is_answered_then_the_flag_is_answered_too(
    lab, monday, only_ours
):
    row = a_flag(lab, monday)

    reviewing.answer(
        instrument=lab.instrument, monday=monday, key="lapse", by=lab.dee, answer="fixed",
        sentence="Lights off, sources off.",
    )  # fmt: skip

    row.refresh_from_db()
    assert (row.answer, row.sentence) == ("fixed", "Lights off, sources off.")
    (item,) = review.page_of(lab.instrument, monday).first
    assert (item.answer, item.answered_by) == ("fixed", "Dee Sealavender")


def test_given_ask_staff_when_answered_without_a_sentence_then_it_is_refused(
    lab, monday, only_ours
):
    row = a_flag(lab, monday)

    with pytest.raises(Refused, match="in a sentence"):
        reviewing.answer(
            instrument=lab.instrument, monday=monday, key="lapse", by=lab.dee, answer="seen"
        )

    row.refresh_from_db()
    assert row.answer == ""
    assert not Matter.objects.exists()


def test_given_a_finding_of_the_safety_officer_when_staff_call_it_fixed_then_it_is_hers(
    lab, monday, only_ours
):
    row = a_flag(lab, monday, rule="HAZ-01", severity="stop")
    answered = {"instrument": lab.instrument, "monday": monday, "key": "lapse", "by": lab.dee}

    with pytest.raises(Refused, match="safety officer"):
        reviewing.answer(**answered, answer="fixed", sentence="It is gone.")
    reviewing.answer(**answered, answer="seen", sentence="Told Fay.")

    row.refresh_from_db()
    assert row.answer == "", "the flag waits on"
    assert review.page_of(lab.instrument, monday).blocking == 0


def test_given_the_safety_officer_when_she_answers_her_own_and_another_then_only_hers_is_taken(
    lab, monday, only_ours
):
    row = a_flag(lab, monday, rule="HAZ-01", severity="stop")
    only_ours.append(a_line("staff's"))
    answered = {"instrument": lab.instrument, "monday": monday, "by": lab.fay}

    reviewing.answer(**answered, key="lapse", answer="fixed", sentence="Permit 7 is given.")
    with pytest.raises(Refused, match="Staff answer"):
        reviewing.answer(**answered, key="staff's", answer="seen")

    row.refresh_from_db()
    assert row.answer == "fixed"


def test_given_an_answered_line_when_another_answers_it_then_they_hear_who_did(
    lab, monday, only_ours
):
    only_ours.append(a_line("tape"))
    words = {"instrument": lab.instrument, "monday": monday, "key": "tape"}
    reviewing.answer(**words, by=lab.dee, answer="fixed", sentence="Ordered.")

    reviewing.answer(**words, by=lab.dee, answer="fixed", sentence="Ordered.")  # pressed twice
    with pytest.raises(Refused, match="Dee Sealavender answered this fixed"):
        reviewing.answer(**words, by=lab.ada, answer="seen")

    assert Matter.objects.answered().count() == 1


def test_given_lines_with_and_without_sentence_when_seen_in_bulk_then_only_those_without_are(
    lab, monday, only_ours
):
    only_ours += [a_line("one"), a_line("two", "note"), a_line("three", "staff")]

    count = reviewing.see_the_rest(instrument=lab.instrument, monday=monday, by=lab.dee)

    page = review.page_of(lab.instrument, monday)
    assert count == 2
    assert [item.line.key for item in page.items if item.is_open] == ["three"]


def test_given_not_real_or_watched_when_the_next_week_is_read_then_nobody_is_asked_again(
    lab, monday, only_ours
):
    before = monday - review.A_WEEK
    only_ours += [a_line("ghost"), a_line("slow"), a_line("tape")]
    words = {"instrument": lab.instrument, "monday": before, "by": lab.dee}
    reviewing.answer(**words, key="ghost", answer="not real")
    day = timezone.localdate() + timedelta(days=30)
    reviewing.answer(**words, key="slow", answer="watched", watch_until=day)
    reviewing.answer(**words, key="tape", answer="fixed", sentence="Ordered on Monday.")

    (item,) = review.page_of(lab.instrument, monday).first

    assert item.line.key == "tape"
    assert "Dee Sealavender answered fixed: Ordered on Monday." in item.before


def test_given_what_was_not_real_when_it_grows_then_it_stands_again(lab, monday, only_ours):
    only_ours.append(a_line("ghost"))
    reviewing.answer(
        instrument=lab.instrument, monday=monday - review.A_WEEK, key="ghost", by=lab.dee,
        answer="not real",
    )  # fmt: skip
    only_ours[:] = [a_line("ghost", "stop")]

    assert keys(review.page_of(lab.instrument, monday)) == ["ghost"]


def test_given_three_weeks_unchanged_when_read_then_it_is_asked_once_what_to_do(
    lab, monday, only_ours
):
    only_ours.append(a_line("dose"))
    for weeks in (4, 3):
        reviewing.answer(
            instrument=lab.instrument, monday=monday - weeks * review.A_WEEK, key="dose",
            by=lab.dee, answer="seen",
        )  # fmt: skip
    third = monday - 2 * review.A_WEEK

    (item,) = review.page_of(lab.instrument, third).first
    assert (item.asks, item.weeks, item.needs_sentence) == (True, 3, True)
    with pytest.raises(Refused, match="what is to be done"):
        reviewing.answer(
            instrument=lab.instrument, monday=third, key="dose", by=lab.dee, answer="seen"
        )
    reviewing.answer(
        instrument=lab.instrument, monday=third, key="dose", by=lab.dee, answer="seen",
        sentence="Cleaned at the next vent.",
    )  # fmt: skip

    later = review.page_of(lab.instrument, monday - review.A_WEEK)
    assert later.first == []
    assert [item.known for item in later.rest] == [True]
    assert later.blocking == 0


def test_given_an_open_line_of_an_unsigned_week_when_the_next_is_read_then_it_rolls_on(
    lab, monday, only_ours, monkeypatch
):
    monkeypatch.setattr(reviewing, "_was_here", lambda *_: True)  # before its log began
    before = monday - review.A_WEEK
    only_ours.append(a_line("once", "staff", "outside"))
    reviewing.gather(instrument=lab.instrument, monday=before)
    reviewing.gather_due(review.week_of(before).end + timedelta(hours=9))
    only_ours.clear()

    (item,) = review.page_of(lab.instrument, monday).first

    assert item.line.key == "once"
    assert ("open since", f"week {before:%V}") in item.line.evidence
    reviewing.answer(
        instrument=lab.instrument, monday=monday, key="once", by=lab.dee, answer="seen",
        sentence="Spoke with both.",
    )  # fmt: skip
    assert review.page_of(lab.instrument, monday + review.A_WEEK).first == []


# Signing


def sign(lab, monday, by=None, **more):
    return reviewing.sign(instrument=lab.instrument, monday=monday, by=by or lab.dee, **more)


def test_given_a_line_without_its_sentence_when_signed_then_it_says_how_many_are_missing(
    lab, monday, only_ours
):
    only_ours += [a_line("one", "staff"), a_line("two", "stop"), a_line("three")]

    with pytest.raises(Refused, match="2 lines are open that need a sentence each"):
        sign(lab, monday)

    assert not Review.objects.signed().exists()


def test_given_a_signed_week_when_later_data_comes_then_its_bytes_stay(lab, monday, only_ours):
    only_ours.append(a_line("tape"))
    row = sign(lab, monday, sentence="A quiet week.")
    address = reverse("bookings:frozen_review", args=["quayside", review.name_of(monday)])
    browser = Client()
    browser.force_login(lab.dee)
    before = browser.get(address).content

    a_flag(lab, monday, key="late news", severity="stop")
    say.report_fault(instrument=lab.instrument, by=lab.ben, text="a noise")
    only_ours.append(a_line("more", "stop"))
    reviewing.gather(instrument=lab.instrument, monday=monday, anew=True)

    after = browser.get(address).content
    assert after == before
    assert hashlib.sha256(after).hexdigest() == row.sha256
    assert b"tape says so." in after
    assert b"A quiet week." in after
    assert b"csrf" not in after
    assert log.contents(row.entry)["sha256"] == row.sha256
    assert verify.verify(log=lab.instrument.log).broken == []


def test_given_a_signed_week_when_another_signs_then_there_is_one_signature_and_a_sentence(
    lab, monday, only_ours
):
    first = sign(lab, monday)

    assert sign(lab, monday).pk == first.pk  # pressed twice
    with pytest.raises(Refused, match="Dee Sealavender signed week"):
        sign(lab, monday, by=lab.ada)

    kinds = [entry.kind for entry in lab.instrument.log.entries.all()]
    assert kinds.count("review signed") == 1


def test_given_a_signed_week_when_a_line_is_answered_then_it_waits_for_the_next(
    lab, monday, only_ours
):
    only_ours.append(a_line("tape"))
    sign(lab, monday)

    with pytest.raises(Refused, match="next week's review"):
        reviewing.answer(
            instrument=lab.instrument, monday=monday, key="tape", by=lab.dee, answer="seen"
        )

    only_ours.clear()
    assert keys(review.page_of(lab.instrument, monday + review.A_WEEK)) == ["tape"]


def test_given_a_week_that_runs_when_signed_then_it_says_until_when(lab, monday, only_ours):
    with pytest.raises(Refused, match="runs until"):
        sign(lab, monday + review.A_WEEK)


def test_given_a_wrong_password_when_signed_then_nothing_is_and_the_fifth_makes_one_wait(
    lab, monday, only_ours
):
    address = reverse("bookings:sign_review", args=["quayside", review.name_of(monday)])
    browser = Client()
    browser.force_login(lab.dee)

    answers = [browser.post(address, {"password": "not this"}) for _ in range(6)]

    assert {answer.status_code for answer in answers} == {422}
    assert b"not your password" in answers[0].content
    assert b"Wait 15 minutes" in answers[-1].content
    assert browser.post(address, {"password": PASSWORD}).status_code == 422
    assert not Review.objects.signed().exists()


# The page


def test_given_the_cast_when_the_review_is_asked_then_staff_sign_and_users_hear_who_may(
    lab, monday, only_ours
):
    address = reverse("bookings:review", args=["quayside", review.name_of(monday)])
    answers = {}
    for person in (lab.ben, lab.chao, lab.eve, lab.fay, lab.dee, lab.ada):
        browser = Client()
        browser.force_login(person)
        answers[person.username] = browser.get(address)

    assert {name: answer.status_code for name, answer in answers.items()} == {
        "ben": 403, "chao": 403, "eve": 403, "fay": 200, "dee": 200, "ada": 200,
    }  # fmt: skip
    assert b"Sign week" in answers["dee"].content
    assert b"Sign week" not in answers["fay"].content


def test_given_a_refused_answer_when_sent_then_what_was_typed_stands_beside_its_sentence(
    lab, monday, only_ours
):
    only_ours.append(a_line("slow"))
    address = reverse("bookings:answer_line", args=["quayside", review.name_of(monday)])
    browser = Client()
    browser.force_login(lab.dee)

    answer = browser.post(address, {"key": "slow", "answer": "watched", "sentence": "pump is old"})

    assert answer.status_code == 422
    text = answer.content.decode()
    assert "Say until which day this is watched" in text
    assert 'value="pump is old"' in text


def test_given_a_gathered_week_when_read_then_few_queries_do(
    lab, monday, only_ours, django_assert_max_num_queries
):
    only_ours += [a_line(f"line {n}") for n in range(9)]
    a_flag(lab, monday)
    reviewing.gather(instrument=lab.instrument, monday=monday)
    browser = Client()
    browser.force_login(lab.dee)
    address = reverse("bookings:review", args=["quayside", review.name_of(monday)])

    with django_assert_max_num_queries(12):
        assert browser.get(address).status_code == 200


def test_given_the_word_review_when_followed_then_the_newest_unsigned_week_opens(
    lab, monday, only_ours
):
    browser = Client()
    browser.force_login(lab.dee)
    asked = reverse("bookings:newest_review")

    before = browser.get(asked).url
    sign(lab, monday)
    other = browser.get(asked).url
    reviewing.sign(instrument=lab.other_instrument, monday=monday, by=lab.dee)
    reviewing.gather(instrument=lab.instrument, monday=monday - review.A_WEEK)
    signed = browser.get(asked).url

    name = review.name_of(monday)
    assert before == reverse("bookings:review", args=["quayside", name])
    assert other == reverse("bookings:review", args=["headland", name])
    older = review.name_of(monday - review.A_WEEK)
    assert signed == reverse("bookings:review", args=["quayside", older])
    assert review.waiting_monday(lab.instrument) == monday - review.A_WEEK


# Monday and the command


def test_given_monday_morning_when_the_clock_ticks_twice_then_staff_are_told_once(
    lab, monday, only_ours
):
    only_ours.append(a_line("tape", "staff"))
    later = timezone.now() + timedelta(days=14)  # the log of a new instrument begins today
    asked = review.newest_monday(later)

    counts = [reviewing.gather_due(later) for _ in range(2)]

    assert counts == [2, 0]
    told = Message.objects.filter(person=lab.dee, key__startswith="review|")
    assert told.count() == 2
    assert f"week {asked:%V}: 1 thing needs a person" in told.first().says
    assert reviewing.gather_due in clock.OF_PEOPLE


def test_given_the_command_when_asked_then_it_prints_words_or_one_document(
    lab, monday, only_ours, capsys
):
    only_ours.append(a_line("tape"))

    call_command("weekly_review", instrument="quayside")
    words = capsys.readouterr().out
    call_command("weekly_review", instrument="quayside", json=True)
    document = capsys.readouterr().out

    assert "Order today" in words
    assert "warn: tape says so." in words
    assert document.count("\n") == 1
    assert '"key": "tape"' in document


@pytest.mark.parametrize(
    "words", [{"week": "W46"}, {"instrument": "nowhere"}, {"week": "2999-W01"}]
)
def test_given_words_that_mean_nothing_when_asked_then_one_sentence_and_exit_2(lab, capsys, words):
    with pytest.raises(SystemExit) as ended:
        call_command("weekly_review", **words)

    assert ended.value.code == 2
    assert capsys.readouterr().err.count("\n") <= 1


def test_given_a_flag_answered_in_its_week_when_read_then_it_stands_answered(
    lab, monday, only_ours
):
    row = a_flag(lab, monday, severity="warn")
    flag.answer(flag=row, by=lab.dee, answer="seen")
    Flag.objects.filter(pk=row.pk).update(answered_at=row.raised_at + timedelta(hours=20))

    page = review.page_of(lab.instrument, monday)

    assert (page.open_count, page.answered_count) == (0, 1)
    assert review.page_of(lab.instrument, monday + review.A_WEEK).items == []
