"""Verbs of qualification: train, observe, grant, end; what a level means where; what lapses soon."""

from datetime import time, timedelta

from django.db import transaction
from django.db.models import Q
from django.utils import timezone

from facility import access
from facility.errors import Refused
from facility.models import (
    Instrument,
    Level,
    Observation,
    Person,
    Qualification,
    Training,
    TrainingStep,
)

DAY_OPENS, DAY_SHUTS = time(8), time(18)
SOON = timedelta(days=30)  # own proposal: told so long before a qualification lapses
# Lapses after 183 days without use: six months, published authorisation pages of two university
# surface-analysis laboratories; the hours are our own proposal.
USUAL = {
    Qualification.Level.OBSERVE: {"may_book": False, "unused_days": 0},
    Qualification.Level.ASSISTED: {
        "opens_at": DAY_OPENS,
        "shuts_at": DAY_SHUTS,
        "weekdays_only": True,
        "refresher": "One session together with staff.",
    },
    Qualification.Level.DAY: {
        "opens_at": DAY_OPENS,
        "shuts_at": DAY_SHUTS,
        "weekdays_only": True,
        "refresher": "Load, pump down and transfer once, watched by staff.",
    },
    Qualification.Level.ALONE: {
        "refresher": "Load, pump down and transfer once, watched by staff.",
    },
    Qualification.Level.ION_GUN: {
        "refresher": "One profile with argon, watched by staff, from opening the valve to shutting it.",
    },
}
# What is observed before each level, until staff change it: common practice, no source.
USUAL_STEPS = {
    Qualification.Level.OBSERVE: (
        "Was told of X-rays, high voltage, gases, powders and who to call",
        "Knows where the run sheet, the manual and the emergency stop are",
    ),
    Qualification.Level.ASSISTED: (
        "Mounts samples, measures their height, removes loose powder",
        "Says from memory what must never be open together, and why",
        "Vents, loads and pumps down with the trainer beside",
    ),
    Qualification.Level.DAY: (
        "Reads gauge, threshold and forecast, and waits",
        "Transfers to the stage and back without being told",
        "Sets the height before the stage moves",
        "Starts the source, ends with it idle, signs off with a word to the next",
        "Makes safe after a fault that the trainer names",
    ),
    Qualification.Level.ALONE: (
        "Has worked alone by day without a fault of handling",
        "Says whom to call at night, and when to leave everything as it is",
    ),
    Qualification.Level.ION_GUN: (
        "Lends the pump line to the ion gun and takes it back",
        "Sets argon, watches the main chamber's ceiling, ends with the valve shut",
    ),
}


def level_of(instrument, number):
    """What a level means on an instrument: its own row, else what is usual (not stored)."""
    row = Level.objects.filter(instrument=instrument, number=number).first()
    return row or Level(instrument=instrument, number=number, **USUAL.get(number, {}))


def levels_of(instrument):
    """All levels of an instrument from observe up, its own rows before what is usual."""
    own = {row.number: row for row in Level.objects.filter(instrument=instrument)}
    return [
        own.get(number) or Level(instrument=instrument, number=number, **USUAL.get(number, {}))
        for number in Qualification.Level.values
    ]


def standing(person, instrument, on=None):
    """The person's valid qualification on an instrument, or None."""
    on = on or timezone.localdate()
    found = Qualification.objects.valid(on).filter(person=person, instrument=instrument)
    return found.order_by("-level").first()


def steps_of(instrument, level):
    """What is observed before `level` is granted; the usual steps are written down at first."""
    found = list(TrainingStep.objects.filter(instrument=instrument, level=level, retired_at=None))
    if found or TrainingStep.objects.filter(instrument=instrument, level=level).exists():
        return found
    return TrainingStep.objects.bulk_create(
        TrainingStep(instrument=instrument, level=level, number=number, words=words)
        for number, words in enumerate(USUAL_STEPS.get(level, ()), 1)
    )


@transaction.atomic
def begin_training(*, person, instrument, level, by, refresher=False, session_number=None):
    """Open a training record, or return the one that is open towards the same level."""
    access.require(by, "training.give", instrument)
    person = _present(person)
    if level not in Qualification.Level.values:
        raise Refused("Choose the level that the training leads to.")
    if person.pk == by.pk:
        raise Refused("Nobody signs their own training. Ask another trainer.")
    Instrument.objects.select_for_update().get(pk=instrument.pk)
    before = Training.objects.filter(
        person=person, instrument=instrument, level=level, granted_at=None
    ).first()
    if before:
        return before
    steps_of(instrument, level)
    return Training.objects.create(
        person=person,
        instrument=instrument,
        level=level,
        refresher=refresher,
        trainer=by,
        began_at=timezone.now(),
        session_number=session_number,
    )


@transaction.atomic
def observe(*, training, step, observed, by):
    """Write down whether a step was seen; looked at again, it is a new line."""
    access.require(by, "training.give", training.instrument)
    if training.granted_at:
        raise Refused(
            f"This training was signed on {training.granted_at:%d %b %Y}. Begin a new one."
        )
    if training.person_id == by.pk:
        raise Refused("Nobody signs their own training. Ask another trainer.")
    if (step.instrument_id, step.level) != (training.instrument_id, training.level):
        raise Refused("That step belongs to another training.")
    return Observation.objects.create(
        training=training, step=step, observed=observed, by=by, at=timezone.now()
    )


def checklist(training):
    """The steps of a training, each with the last observation of it or None."""
    last = {}
    for row in training.observations.select_related("by"):
        last[row.step_id] = row
    return [(step, last.get(step.pk)) for step in steps_of(training.instrument, training.level)]


@transaction.atomic
def grant(*, training, by, lapses_on=None):
    """Grant what a training led to, once every step was seen; an earlier level is replaced."""
    access.require(by, "qualification.grant")
    training = Training.objects.select_for_update().get(pk=training.pk)
    if training.granted_at:
        return Qualification.objects.get(training=training)
    if training.person_id == by.pk:
        raise Refused("Nobody grants their own level. Ask a colleague.")
    person = _present(training.person)
    waiting = [step.words for step, seen in checklist(training) if not (seen and seen.observed)]
    if waiting:
        raise Refused(f"Not observed yet: {'; '.join(waiting)}. Watch these first.")
    now, today = timezone.now(), timezone.localdate()
    if lapses_on is not None and lapses_on < today:
        raise Refused(f"The last day, {lapses_on:%d %b %Y}, is over. Choose a later one.")
    _end_standing(person, training.instrument, now, "replaced by a newer one")
    training.granted_at = now
    training.save(update_fields=["granted_at"])
    return Qualification.objects.create(
        person=person,
        instrument=training.instrument,
        level=training.level,
        granted_on=today,
        granted_by=by,
        lapses_on=lapses_on,
        last_used_on=today,
        unused_on=_unused_on(training.instrument, training.level, today),
        training=training,
    )


@transaction.atomic
def end(*, qualification, by, why):
    """Take a qualification back, with the reason that its history keeps."""
    access.require(by, "qualification.grant")
    if not why.strip():
        raise Refused("Say in a few words why it ends; the history keeps it.")
    qualification = Qualification.objects.select_for_update().get(pk=qualification.pk)
    if qualification.ended_at is None:
        qualification.ended_at, qualification.ended_why = timezone.now(), why.strip()[:120]
        qualification.save(update_fields=["ended_at", "ended_why"])
    return qualification


def _end_standing(person, instrument, now, why):
    Qualification.objects.standing().filter(person=person, instrument=instrument).update(
        ended_at=now, ended_why=why
    )


@transaction.atomic
def end_all(*, person, why):
    """Every standing qualification of somebody who leaves."""
    return (
        Qualification.objects.standing()
        .filter(person=person)
        .update(ended_at=timezone.now(), ended_why=why)
    )


def note_use(qualification, day):
    """The instrument was used that day; the upper floor says so, from its sessions."""
    if qualification.last_used_on and day < qualification.last_used_on:
        return qualification
    unused_on = _unused_on(qualification.instrument, qualification.level, day)
    if (day, unused_on) != (qualification.last_used_on, qualification.unused_on):
        qualification.last_used_on, qualification.unused_on = day, unused_on
        qualification.save(update_fields=["last_used_on", "unused_on"])
    return qualification


def _unused_on(instrument, level, day):
    unused = level_of(instrument, level).unused_days
    return day + timedelta(days=unused) if unused else None


def lapsing(on, within=SOON):
    """Valid qualifications whose last day comes within so long."""
    found = Qualification.objects.valid(on).filter(_last_day_between(on, on + within))
    return list(found.filter(person__is_active=True).select_related("person", "instrument"))


def lapsed(on, within=SOON):
    """Standing qualifications that lapsed so short a time ago; a refresher renews them."""
    day = timedelta(days=1)
    found = Qualification.objects.standing().filter(_last_day_between(on - within, on - day))
    found = found.filter(person__is_active=True).select_related("person", "instrument")
    return [row for row in found if on - within <= row.last_day]


def _last_day_between(first, last):
    return Q(lapses_on__range=(first, last)) | Q(unused_on__range=(first, last))


def _present(person):
    """The person as the database knows them now, who must still be here."""
    found = Person.objects.here().filter(pk=person.pk).first()
    if found is None:
        raise Refused("That person is no longer here. Choose somebody who is.")
    return found
