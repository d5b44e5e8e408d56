"""What is due by the clock, once, whoever ticks: two workers or a restart change nothing."""

from datetime import timedelta

from django.contrib.sessions.models import Session as SignOn
from django.db import transaction
from django.utils import timezone

from bookings import (
    attend,
    counting,
    learning,
    pump,
    reviewing,
    soon,
    stores,
    tell,
    unusual,
    waiting,
    watching,
)
from bookings.duty import watch_shut_down
from bookings.models import PumpDown
from facility import sheet_proof
from facility.models import Attempt, Chamber, Instrument, Person

FIRST_LOOK = timedelta(minutes=30)  # a pump-down is judged from then on while it runs; own choice
LOOK_AGAIN = timedelta(minutes=20)
TOO_LATE = timedelta(days=7)  # an older pump-down, such as an imported one, raises no flag
FEWEST_RUNS = 12  # past pump-downs before one may be called unusual; own choice
LEFT = timedelta(days=2)  # a pump-down without a reading for so long is over; own proposal

JUDGED = ("chamber__instrument", "load__holder")
OF_PEOPLE = (  # use first, so that nobody is told of a lapse that a session has put off
    attend.note_use,
    attend.release_unused,
    waiting.pass_on,
    attend.tell_lapses,
    attend.tell_faults,
    attend.tell_overdue_visits,
    watch_shut_down,
    stores.watch_stores,
    soon.tell_ready_soon,
    reviewing.gather_due,
    tell.forget,
    tell.gather,
)


def tick(now=None):
    """Run every duty under a lock on the instruments; returns what was done, by name."""
    now = now or timezone.now()
    done = {}
    for duty in (
        _end_left_pumpdowns,
        _judge,
        _learn,
        _count_use,
        *OF_PEOPLE,
        _forget_old_attempts,
        _sweep_sign_ons,
    ):
        with transaction.atomic():
            list(Instrument.objects.select_for_update().order_by("pk"))
            done[duty.__name__.strip("_").replace("_", " ")] = duty(now)
    done["watch pump-downs"] = sum(  # a second or so, so with no row locked
        len(watching.look(chamber, now))
        for chamber in Chamber.objects.filter(kind=Chamber.Kind.INTRODUCTION)
    )
    done["send"] = tell.send(now)  # with no row locked: a mail server may be slow
    done["prove waiting sheets"] = sheet_proof.prove_waiting()  # minutes, so outside the lock
    return done


def _end_left_pumpdowns(now):
    """A pump-down that nobody reads any more ends, so that its readings are sealed."""
    count = 0
    for running in PumpDown.objects.running().filter(started_at__lt=now - LEFT):
        last = pump.readings_of(running).order_by("-at").first()
        since = last.at if last else running.started_at
        if now - since > LEFT:
            by = running.load.loaded_by if running.load else Person.objects.staff_of_the_house()[0]
            pump.end(pumpdown=running, by=by, why=PumpDown.Why.LEFT, ended_at=since)
            count += 1
    return count


def _judge(now):
    """Judge what ended, and what runs with news; an unusual one becomes one flag."""
    unjudged = PumpDown.objects.ended().filter(judged_at=None)
    unjudged.filter(ended_at__lt=now - TOO_LATE).update(judged_at=now)  # nobody acts on it now
    due = list(unjudged.order_by("started_at").select_related(*JUDGED)[:20])
    running = PumpDown.objects.running().filter(started_at__lt=now - FIRST_LOOK)
    for pumpdown in running.select_related(*JUDGED):
        last = pump.readings_of(pumpdown).order_by("-at").first()
        judged = pumpdown.judged_at
        if last and (judged is None or (last.at > judged and now - judged > LOOK_AGAIN)):
            due.append(pumpdown)
    for pumpdown in due:
        found = learning.judge(pumpdown, at=now)
        unusual.raise_for_pumpdown(
            pumpdown=pumpdown,
            found=found if pumpdown.cooked["runs"] >= FEWEST_RUNS else None,
        )
    return len(due)


def _learn(now):
    return sum(
        learning.bring_up_to_date(chamber, now=now)
        for chamber in Chamber.objects.filter(kind=Chamber.Kind.INTRODUCTION)
    )


def _count_use(now):
    return sum(counting.count_use(row, now) for row in Instrument.objects.order_by("pk"))


def _forget_old_attempts(now):
    return Attempt.objects.filter(at__lt=now - timedelta(days=1)).delete()[0]


def _sweep_sign_ons(now):
    return SignOn.objects.filter(expire_date__lt=now).delete()[0]
