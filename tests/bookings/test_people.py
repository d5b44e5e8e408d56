"""Training, invitations, visits and leaving; letters; hours of use; who is told what and how often."""

import csv
import io
from datetime import datetime, timedelta

import pytest
from django.core import mail
from django.core.exceptions import PermissionDenied
from django.test import Client
from django.urls import reverse
from django.utils import timezone

from bookings import attend, book, duty, inside, run, say, teach, tell, usage, visits
from bookings.models import Booking, BookingRules, Fault, Mail, Message, Wish
from facility import invite, log, qualify, status
from facility.errors import Refused
from facility.models import Attempt, Entry, Instrument, Invitation, Person, Place, Qualification
from samples import mount
from samples.models import Sample
from tests import build

pytestmark = pytest.mark.django_db
H = timedelta(hours=1)


def see_all(training, by):
    for step, _ in qualify.checklist(training):
        qualify.observe(training=training, step=step, observed=True, by=by)


# Training


def test_given_a_training_when_a_step_is_not_seen_then_no_level_and_the_step_is_named(lab):
    training = teach.begin(person=lab.chao, instrument=lab.instrument, level=3, by=lab.ben)
    steps = qualify.checklist(training)
    for step, _ in steps[1:]:
        qualify.observe(training=training, step=step, observed=True, by=lab.ben)
    qualify.observe(training=training, step=steps[0][0], observed=False, by=lab.ben)

    with pytest.raises(Refused, match=steps[0][0].words):
        teach.grant(training=training, by=lab.dee)
    with pytest.raises(PermissionDenied):
        teach.grant(training=training, by=lab.ben)


def test_given_every_step_seen_when_granted_then_level_history_and_message_stand(lab):
    old = build.qualify(lab.chao, lab.instrument, 2, by=lab.dee)
    training = teach.begin(person=lab.chao, instrument=lab.instrument, level=4, by=lab.ben)
    see_all(training, lab.ben)

    row = teach.grant(training=training, by=lab.dee)

    old.refresh_from_db()
    assert (old.ended_why, row.level, row.training) == ("replaced by a newer one", 4, training)
    assert row.unused_on == timezone.localdate() + timedelta(days=183)
    assert Message.objects.get(person=lab.chao).direct
    assert teach.grant(training=training, by=lab.dee) == row


def test_given_a_trainer_without_the_level_or_oneself_when_training_then_not(lab):
    with pytest.raises(PermissionDenied):
        teach.begin(person=lab.eve, instrument=lab.instrument, level=2, by=lab.chao)
    with pytest.raises(Refused, match="Nobody signs their own"):
        teach.begin(person=lab.dee, instrument=lab.instrument, level=5, by=lab.dee)


def test_given_trainer_and_trainee_in_one_session_when_begun_then_the_session_is_noted(lab):
    session = run.sign_on(instrument=lab.instrument, by=lab.ben)
    run.join(session=session, by=lab.chao, part="present")

    training = teach.begin(person=lab.chao, instrument=lab.instrument, level=2, by=lab.ben)

    assert training.session_number == session.pk


def test_given_a_level_taken_back_when_signing_off_then_making_safe_stays_open(lab):
    session = run.sign_on(instrument=lab.instrument, by=lab.ben)
    teach.end(qualification=lab.ben.qualifications.get(), by=lab.dee, why="left the source on")

    assert run.sign_off(session=session, by=lab.ben).closed_at
    with pytest.raises(Refused, match="no standing qualification"):
        run.sign_on(instrument=lab.instrument, by=lab.ben)
    assert "left the source on" in Message.objects.get(person=lab.ben).says


# Invitations and passwords


def test_given_an_invitation_when_opened_then_the_password_is_set_once_and_they_are_in(lab):
    person, token = invite.invite(by=lab.dee, full_name="Örn Sedge", email="o@example.org")
    path, browser = reverse("facility:welcome", args=[token]), Client()
    words = {"password": "gravel under wet boots", "again": "gravel under wet boots"}

    assert person.username == "orn"
    assert token not in str(list(Invitation.objects.values()))
    assert browser.post(path, {"password": "short", "again": "short"}).status_code == 422
    assert browser.post(path, words).status_code == 302
    assert browser.get("/").status_code == 200
    assert Client().get(path).status_code == 404
    assert Client().post(path, words).status_code == 404


def test_given_a_newer_link_or_two_weeks_when_the_old_is_opened_then_it_is_over(lab):
    old = invite.new_link(person=lab.chao, by=lab.dee)
    new = invite.new_link(person=lab.chao, by=lab.dee)
    Invitation.objects.filter(withdrawn_at=None).update(expires_at=timezone.now())

    for token in (old, new):
        with pytest.raises(Refused, match="Ask staff for a new one"):
            invite.accept(token=token, password="gravel under wet boots")


def test_given_five_wrong_passwords_when_changing_it_then_the_right_one_waits_too(lab):
    browser = Client()
    browser.force_login(lab.ben)
    words = {"password": "gravel under wet boots", "again": "gravel under wet boots"}

    for _ in range(5):
        assert browser.post("/password/", {"old": "wrong", **words}).status_code == 422

    answer = browser.post("/password/", {"old": build.PASSWORD, **words})
    assert b"Wait 15 minutes" in answer.content
    Attempt.objects.all().delete()
    assert browser.post("/password/", {"old": build.PASSWORD, **words}).status_code == 302
    assert browser.get("/").status_code == 200


def test_given_a_manager_to_invite_or_a_known_address_when_invited_by_staff_then_refused(lab):
    with pytest.raises(Refused, match="Managers are invited by managers"):
        invite.invite(by=lab.dee, full_name="Nan Rush", role="manager")
    invite.invite(by=lab.dee, full_name="Nan Rush", email="n@example.org")
    with pytest.raises(Refused, match="is here already"):
        invite.invite(by=lab.dee, full_name="Nan Rush", email="N@example.org")


# Visits and leaving


def test_given_a_visit_when_closed_then_not_before_every_sample_is_gone_or_handed_over(lab):
    today = timezone.localdate()
    visitor, _ = visits.invite_visitor(
        by=lab.dee, full_name="Wim Plantain", host=lab.gil, arrives_on=today,
        leaves_on=today + timedelta(days=2), samples_ahead="3 coupons in a box, shelf 2",
    )  # fmt: skip
    visit = visitor.visits.get()
    sample = build.sample("coupon", owner=visitor)
    invite.induct(visit=visit, by=lab.gil)

    assert "3 coupons in a box" in Message.objects.get(person=lab.gil).says
    with pytest.raises(Refused, match="1 of Wim Plantain's samples is still here: coupon"):
        visits.close(visit=visit, by=lab.gil)
    visits.hand_over(person=visitor, to=lab.gil, by=lab.dee)
    assert visits.close(visit=visit, by=lab.gil).closed_by == lab.gil
    sample.refresh_from_db()
    assert (sample.owner, sample.group) == (lab.gil, lab.gil.group)


def test_given_a_visitor_who_should_have_left_when_ticked_twice_then_host_and_staff_hear_once(lab):
    today = timezone.localdate()
    visits.arrange(person=lab.eve, host=lab.gil, by=lab.dee, arrives_on=today - timedelta(days=5),
                   leaves_on=today - timedelta(days=1))  # fmt: skip

    for _ in range(2):
        attend.tell_overdue_visits(timezone.now())

    told = Message.objects.filter(key__startswith="visit|")
    assert sorted(row.person.username for row in told) == ["ada", "dee", "gil", "root"]


def test_given_somebody_leaves_when_done_then_samples_time_levels_and_sign_in_are_settled(lab):
    build.sample("film", owner=lab.ben)
    stage = Place.objects.get(kind="stage", instrument=lab.instrument)
    row = book.book(place=stage, by=lab.ben, start=timezone.now() + 9 * H,
                    end=timezone.now() + 11 * H)  # fmt: skip
    Wish.objects.create(person=lab.ben, place=stage, starts_at=row.starts_at, ends_at=row.ends_at,
                        made_at=timezone.now())  # fmt: skip

    with pytest.raises(Refused, match=r"has 1 sample here\. Choose who takes them over"):
        visits.leave(person=lab.ben, by=lab.dee)
    visits.leave(person=lab.ben, by=lab.dee, to=lab.gil)

    lab.ben.refresh_from_db()
    assert not lab.ben.is_active
    assert Sample.objects.get().owner == lab.gil
    assert not Booking.objects.standing().exists()
    assert not Wish.objects.waiting().exists()
    assert not Qualification.objects.standing().filter(person=lab.ben).exists()
    assert not Client().login(username="ben", password=build.PASSWORD)


# Letters


def letters(person, count, **more):
    for number in range(count):
        tell.tell(person=person, key=f"{number}|{more}", says=f"thing {number}", **more)


@pytest.fixture
def addressed(lab):
    lab.ben.email = "ben@example.org"
    lab.ben.save()
    return lab


def test_given_several_messages_when_sent_then_one_letter_and_at_most_two_a_week(addressed):
    now = timezone.now()
    for day in range(7):
        letters(addressed.ben, 3, url=f"/{day}/")
        at = now + timedelta(days=day, hours=1)
        tell.gather(at)
        tell.send(at)

    assert len(mail.outbox) == 2
    assert mail.outbox[0].subject == "3 things from Holdfast"
    assert mail.outbox[0].body.count("- thing") == 3
    later = now + timedelta(days=8)
    tell.gather(later)
    tell.send(later)
    assert len(mail.outbox) == 3  # what waited goes along with the next


def test_given_a_direct_answer_when_the_week_is_full_then_it_goes_at_once_with_what_waits(
    addressed,
):
    now = timezone.now()
    for _ in range(2):
        Mail.objects.create(person=addressed.ben, direct=False, made_at=now, sent_at=now)
    letters(addressed.ben, 1)
    tell.gather(now + H)
    assert Mail.objects.filter(sent_at=None).count() == 0

    letters(addressed.ben, 1, direct=True)
    tell.gather(now + H)
    tell.send(now + H)

    assert [letter.body.count("- thing") for letter in mail.outbox] == [2]


def test_given_a_mail_server_that_is_down_when_sent_then_it_is_tried_again_and_not_doubled(
    addressed, monkeypatch
):
    from django.core.mail import EmailMessage

    now = timezone.now()
    letters(addressed.ben, 1, direct=True)
    tell.gather(now)
    with monkeypatch.context() as down:
        down.setattr(EmailMessage, "send", lambda self: (_ for _ in ()).throw(OSError("refused")))
        assert tell.send(now) == 0
    assert tell.send(now) == 0  # not before ten minutes

    assert tell.send(now + timedelta(minutes=11)) == 1
    assert tell.send(now + timedelta(minutes=30)) == 0
    assert len(mail.outbox) == 1


def test_given_a_fault_when_ticked_twice_then_each_of_the_staff_is_told_once(lab):
    entry = log.write(log=lab.instrument.log, kind="fault", by=lab.ben, data={"says": "no x-rays"})
    Fault.objects.create(instrument=lab.instrument, says="no x-rays", began_at=timezone.now(),
                         by=lab.ben, entry=entry)  # fmt: skip

    for _ in range(2):
        attend.tell_faults(timezone.now())

    told = Message.objects.filter(key__startswith="fault|")
    assert sorted(row.person.username for row in told) == ["ada", "dee", "root"]


# Staff's word


def test_given_an_instrument_when_staff_say_a_word_then_the_log_keeps_who_and_why(lab):
    with pytest.raises(Refused, match="Say in a few words why"):
        status.say(instrument=lab.instrument, by=lab.dee, word="down")
    status.say(instrument=lab.instrument, by=lab.dee, word="down", why="the pump is out")

    entry = Entry.objects.filter(kind="word").get()
    assert log.contents(entry) == {"word": "down", "why": "the pump is out"}
    browser = Client()
    browser.force_login(lab.eve)
    answer = browser.get("/").content.decode()
    assert "staff say: down" in answer
    assert "the pump is out" in answer
    with pytest.raises(PermissionDenied):
        status.say(instrument=lab.instrument, by=lab.ben, word="usable")


# Hours


@pytest.fixture
def measured(lab):
    """Yesterday: Ben booked 9 to 13, was there 9:30 to 12:30, source 10 to 11:30, fault 11 to 12."""
    nine = timezone.now().replace(minute=0, second=0, microsecond=0) - 30 * H
    stage = Place.objects.get(kind="stage", instrument=lab.instrument)
    book.made(stage, lab.ben, nine, nine + 4 * H, person=lab.ben)
    unused = book.made(stage, lab.chao, nine + 6 * H, nine + 8 * H, person=lab.chao)
    Booking.objects.filter(pk=unused.pk).update(
        cancelled_at=nine + 6.5 * H, cancelled_why="not used"
    )
    session = run.sign_on(instrument=lab.instrument, by=lab.ben)
    for form in ("film", "powder"):
        sample = build.sample(owner=lab.ben, form=form)
        mounted = mount.mount(holder=lab.holder, sample=sample, by=lab.ben)
        type(mounted).objects.filter(pk=mounted.pk).update(since=nine - H)
    load = inside.open_load(session=session, holder=lab.holder, by=lab.ben, moment=nine)
    for at, state in ((1, "xrays"), (2.5, "idle")):
        log.write(log=session.log, kind="step", by=lab.ben, data={"sets": {"sources": state}},
                  happened_at=nine + at * H)  # fmt: skip
    type(session).objects.filter(pk=session.pk).update(
        opened_at=nine + 0.5 * H, closed_at=nine + 3.5 * H
    )
    type(load).objects.filter(pk=load.pk).update(taken_out_at=nine + 4 * H)
    entry = log.write(log=session.log, kind="fault", by=lab.ben, data={"says": "arc"})
    Fault.objects.create(instrument=lab.instrument, says="arc", by=lab.ben, entry=entry,
                         began_at=nine + 2 * H, ended_at=nine + 3 * H)  # fmt: skip
    lab.span = (nine - 2 * H, nine + 20 * H)
    return lab


def test_given_a_day_when_counted_then_four_clocks_are_four_numbers_and_fault_is_not_charged(
    measured,
):
    rows = {row.name: row for row in usage.lines(*measured.span, by="group")}

    ben = rows["coatings"]
    assert (ben.booked, ben.present, ben.source_on, ben.fault, ben.charged) == (4, 3, 1.5, 1, 2)
    chao = rows["corrosion"]
    assert (chao.booked, chao.present, chao.unused) == (0.5, 0, 1)


def test_given_two_forms_when_counted_by_class_then_the_session_is_split_and_sums(measured):
    rows = {row.name: row.present for row in usage.lines(*measured.span, by="class")}

    assert rows == {"film": 1.5, "powder": 1.5, "no sample": 0}


def test_given_the_csv_when_read_then_groups_stand_in_alphabetic_order_and_nobody_is_named(
    measured,
):
    browser = Client()
    browser.force_login(measured.ada)
    start, end = (timezone.localtime(at).date() for at in measured.span)

    answer = browser.get(reverse("bookings:hours_csv"), {"start": start, "end": end})

    rows = list(csv.DictReader(io.StringIO(answer.content.decode())))
    assert [row["group"] for row in rows] == ["coatings", "corrosion"]
    assert rows[0]["present_h"] == "3.00"
    for person in Person.objects.all():
        assert person.full_name not in answer.content.decode()


def test_given_a_lead_when_looking_then_only_the_own_group_with_cost_shows(measured):
    BookingRules.objects.create(instrument=measured.instrument, price=40.0)
    browser = Client()
    browser.force_login(measured.gil)
    start, end = (timezone.localtime(at).date() for at in measured.span)
    words = {"start": start, "end": end}

    page = browser.get(reverse("bookings:group", args=[measured.gil.group_id]), words)
    table = browser.get(reverse("bookings:hours_csv"), words).content.decode()

    assert "80.00" in page.content.decode()  # 2 h charged at 40
    assert "corrosion" not in table
    other = reverse("bookings:group", args=[measured.chao.group_id])
    assert browser.get(other).status_code == 404


def test_given_faults_outside_sessions_when_a_lead_looks_then_the_own_groups_stand_and_no_others(
    lab,
):
    session = run.sign_on(instrument=lab.instrument, by=lab.ben)
    say.report_fault(instrument=lab.instrument, by=lab.ben, text="Arm sticks.", session=session)
    say.report_fault_here(instrument=lab.instrument, by=lab.gil, text="Pump whistles.")
    say.report_fault_here(instrument=lab.instrument, by=lab.chao, text="Gauge blinks.")
    browser = Client()
    browser.force_login(lab.gil)

    page = browser.get(reverse("bookings:group", args=[lab.gil.group_id])).content.decode()

    assert [page.count(says) for says in ("Arm sticks.", "Pump whistles.", "Gauge blinks.")] == [
        *(1, 1, 0)
    ]


def test_given_ten_times_the_sessions_when_counted_then_the_queries_are_the_same(
    measured, django_assert_max_num_queries
):
    with django_assert_max_num_queries(9):
        usage.lines(*measured.span, by="group")
    stage = Place.objects.get(kind="stage", instrument=measured.instrument)
    for day in range(1, 31):
        start = measured.span[0] - day * 24 * H
        book.made(stage, measured.ben, start, start + H, person=measured.ben)
    with django_assert_max_num_queries(9):
        usage.lines(measured.span[0] - 40 * 24 * H, measured.span[1], by="group")


def test_given_a_period_backwards_or_too_long_when_counted_then_told_and_this_month_shows(lab):
    browser = Client()
    browser.force_login(lab.ada)

    for words in ({"start": "2026-03-02", "end": "2026-03-01"}, {"start": "2010-01-01"}):
        answer = browser.get(reverse("bookings:hours"), words)
        assert answer.status_code == 422
        assert b"Until must not be before" in answer.content or b"at once" in answer.content


def test_given_the_instrument_not_at_rest_at_17_when_nobody_is_to_come_then_one_flag(lab):
    from bookings.models import Flag
    from facility.models import DeviceState

    now = timezone.now()
    DeviceState.objects.create(instrument=lab.instrument, device="gate_valve", state="open",
                               since=now, looked_at=now)  # fmt: skip
    evening = timezone.make_aware(datetime.combine(timezone.localdate(), datetime.min.time()))
    evening += 17.2 * H

    assert duty.watch_shut_down(evening - H) == 0
    assert duty.watch_shut_down(evening) == 1
    duty.watch_shut_down(evening + H)
    flag = Flag.objects.get(rule="BKG-02")
    assert "gate valve open" in flag.says
    assert Instrument.objects.count() == 2


@pytest.mark.parametrize(
    "table", ["facility/person", "facility/level", "facility/trainingstep", "facility/project",
              "bookings/groupquota"],
)  # fmt: skip
def test_given_the_tables_when_a_superuser_opens_them_then_list_and_form_show(lab, table):
    browser = Client()
    browser.force_login(lab.root)

    assert browser.get(f"/tables/{table}/").status_code == 200
    form = f"/tables/{table}/{lab.ben.pk}/change/" if "person" in table else f"/tables/{table}/add/"
    assert browser.get(form).status_code == 200
    browser.force_login(lab.dee)
    assert browser.get(f"/tables/{table}/").status_code in (302, 403)
