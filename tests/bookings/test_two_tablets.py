"""Two tablets at one instrument press at the same moment: no lock waits for the other's."""

import pytest

from bookings import run, say, steps
from bookings.models import Fault
from facility import verify
from facility.errors import Refused
from facility.models import Entry
from tests import build
from tests.together import at_once

pytestmark = pytest.mark.django_db(transaction=True)
LOOKS = ("look_arm", "look_gate", "look_door", "look_introduction", "look_pump_valve_open")


def gone_wrong(*works):
    """What went wrong where each of them began at the same moment."""
    answers = at_once(lambda work: work(), *works)
    return [answer for answer in answers if isinstance(answer, Exception)]


def test_given_one_who_signs_off_when_the_other_takes_steps_then_nothing_waits_for_ever_or_breaks():
    lab = build.lab()
    build.qualify(lab.gil, lab.instrument, by=lab.dee)
    session = run.sign_on(instrument=lab.instrument, by=lab.ben)
    run.join(session=session, by=lab.gil, part="operates")

    problems = gone_wrong(
        lambda: [steps.take_step(session=session, by=lab.gil, step_id=look) for look in LOOKS],
        lambda: run.sign_off(session=session, by=lab.ben, handover="Done."),
        lambda: [say.note(session=session, by=lab.gil, text=f"line {n}") for n in range(5)],
    )

    assert all(isinstance(one, Refused) and "closed" in str(one) for one in problems), problems
    session.refresh_from_db()
    assert session.closed_at
    assert Entry.objects.filter(kind="note").count() == 5
    assert Entry.objects.filter(kind="signed off").count() == 1
    assert verify.verify().broken == []


def test_given_faults_that_end_when_others_are_reported_then_the_word_agrees_with_what_is_open():
    lab = build.lab()
    faults = [
        say.report_fault_here(instrument=lab.instrument, by=lab.ben, text=f"fault {n}")
        for n in range(6)
    ]

    problems = gone_wrong(
        lambda: [say.end_fault(fault=fault, by=lab.dee) for fault in faults],
        lambda: [
            say.report_fault_here(instrument=lab.instrument, by=lab.ben, text=f"later {n}")
            for n in range(6)
        ],
    )

    assert problems == []
    assert Fault.objects.open().count() == 6
    lab.instrument.refresh_from_db()
    assert lab.instrument.word == "careful"
    for fault in Fault.objects.open():
        say.end_fault(fault=fault, by=lab.dee)
    lab.instrument.refresh_from_db()
    assert lab.instrument.word == "usable"
    assert verify.verify().broken == []
