"""Verbs of upkeep: what happened to an instrument, parts and their lives, tasks that come due."""

import uuid
from dataclasses import dataclass
from datetime import timedelta

from django.db import transaction
from django.db.models import OuterRef, Subquery, Sum
from django.db.models.functions import Coalesce
from django.utils import timezone

from facility import log, spares
from facility.errors import Refused
from facility.models import (
    Entry,
    Event,
    Instrument,
    Part,
    PartLife,
    UpkeepDone,
    UpkeepTask,
    UseMark,
)
from facility.vacuum.gauges import DOSE_SERVICE, DOSE_WARN, MBAR_HOUR

# What changing a part is, for checks and charts.
EVENT_OF = {
    Part.Kind.SOURCE: Event.Kind.SOURCE,
    Part.Kind.GUN: Event.Kind.GUN,
    Part.Kind.PUMP: Event.Kind.PUMP,
    Part.Kind.GAUGE: Event.Kind.GAUGE,
    Part.Kind.SEAL: Event.Kind.SEAL,
    Part.Kind.ANALYSER: Event.Kind.ANALYSER,
}
SOON = timedelta(days=28)  # in which a task is shown as coming; own choice
SOON_SHARE = 0.9  # of the hours or dose; own choice


@transaction.atomic
def note_event(*, instrument, by, kind, says="", at=None, chamber=None, sent_id=None):
    """Something changed what is normal: a new phase begins, and checks come due."""
    if kind not in Event.Kind.values:
        raise Refused("Choose what happened.")
    at = _not_ahead(at)
    entry = log.write(
        log=instrument.log,
        kind="instrument changed",
        by=by,
        data={"what": kind, "says": says.strip(), "chamber": chamber and chamber.kind},
        happened_at=at,
        sent_id=sent_id,
    )
    row, _ = Event.objects.get_or_create(
        entry=entry,
        defaults={
            "instrument": instrument, "chamber": chamber, "kind": kind, "at": at,
            "says": says.strip()[:300], "by": by, "recorded_at": entry.recorded_at,
        },
    )  # fmt: skip
    return row


def _not_ahead(at):
    now = timezone.now()
    if at is not None and at > now + timedelta(minutes=10):
        raise Refused(
            f"{timezone.localtime(at):%d %b %Y %H:%M} is still to come. Look at it again."
        )
    return at or now


@transaction.atomic
def add_part(
    *, instrument, by, kind, name, began_at=None, began_hours=0.0, serial="", sent_id=None, **more
):
    """A part of an instrument with the life that it is in."""
    Instrument.objects.select_for_update().get(pk=instrument.pk)
    if sent_id and (before := log.repeated(sent_id=sent_id)):
        return Part.objects.get(pk=log.contents(before)["part"])
    name = name.strip()
    if not name:
        raise Refused("Give the part a name, such as: Al Kα source, neutraliser filament.")
    if kind not in Part.Kind.values:
        raise Refused("Choose what kind of part it is.")
    if Part.objects.standing().filter(instrument=instrument, name=name).exists():
        raise Refused(f"{instrument} has a part called “{name}” already.")
    if more.get("counts") == Part.Counts.DEVICE and not (
        more.get("device") and more.get("on_states")
    ):
        raise Refused("Choose the device of the run sheet, and in which states the part is in use.")
    if more.get("counts") == Part.Counts.DOSE and not more.get("gauge"):
        raise Refused("Choose the gauge whose dose is counted.")
    if began_hours < 0:
        raise Refused("Hours from before cannot be below zero.")
    now = timezone.now()
    part = Part.objects.create(
        instrument=instrument, kind=kind, name=name[:60], made_at=began_at or now, **more
    )
    PartLife.objects.create(
        part=part, serial=serial.strip()[:60], began_at=began_at or now,
        began_hours=began_hours, by=by,
    )  # fmt: skip
    log.write(
        log=instrument.log, kind="part added", by=by, happened_at=began_at, sent_id=sent_id,
        data={"part": part.pk, "name": name, "serial": serial, "hours": began_hours},
    )  # fmt: skip
    return part


@transaction.atomic
def change_part(*, part, by, cause, at=None, serial="", use_spare=True, sent_id=None):
    """The old piece is out, a new one in: one life ends with its cause, another begins.

    A new phase begins and checks come due; a spare leaves the stores where one is kept.
    Returns: the new life.
    """
    cause = cause.strip()
    if not cause:
        raise Refused("Say why the old one came out: the next person plans by it.")
    sent_id = sent_id or uuid.uuid4()
    instrument = Instrument.objects.select_for_update().get(pk=part.instrument_id)
    if log.repeated(sent_id=sent_id):
        return part.lives.running().get()
    at = _not_ahead(at)
    old = part.lives.select_for_update().filter(ended_at=None).first()
    if old is None or part.ended_at:
        raise Refused(f"{part} is not in {instrument} any more.")
    if at < old.began_at:
        raise Refused(
            f"This {part} went in on {timezone.localtime(old.began_at):%d %b %Y}; it cannot have "
            "come out before that."
        )
    was_on = old.on_since is not None
    _end_life(old, by, cause, at)
    new = PartLife.objects.create(
        part=part, serial=serial.strip()[:60], began_at=at, by=by, on_since=at if was_on else None
    )
    taken = ""
    if use_spare:
        taken = spares.take_one(
            part.spare, cause=f"part|{new.pk}", by=by, says=f"into {instrument}", at=at
        )
    log.write(
        log=instrument.log, kind="part changed", by=by, happened_at=at, sent_id=sent_id,
        data={
            "part": part.pk, "name": part.name, "cause": cause, "serial": serial,
            "hours": round(hours_of(old, at), 1), "dose_mbar_h": round(old.dose_pa_s / MBAR_HOUR, 4),
            "spare": taken,
        },
    )  # fmt: skip
    if part.kind in EVENT_OF:
        note_event(
            instrument=instrument, by=by, kind=EVENT_OF[part.kind], at=at,
            says=f"{part.name} changed: {cause}",
        )  # fmt: skip
    return new


def _end_life(life, by, cause, at):
    if life.on_since and at > life.on_since:
        life.seconds += (at - life.on_since).total_seconds()
        life.on_since = None
    life.ended_at, life.ended_by, life.cause = at, by, cause[:200]
    life.save()


def hours_of(life, at):
    """Hours of use of a life: counted by its device, or since it was put in."""
    if life.part.counts == Part.Counts.DEVICE:
        running = (at - life.on_since).total_seconds() if life.on_since and not life.ended_at else 0
        return life.began_hours + (life.seconds + max(running, 0)) / 3600
    return life.began_hours + ((life.ended_at or at) - life.began_at).total_seconds() / 3600


@transaction.atomic
def add_task(*, instrument, by, name, made_at=None, sent_id=None, **more):
    """Something to be done again and again."""
    if sent_id and (before := log.repeated(sent_id=sent_id)):
        return UpkeepTask.objects.get(pk=log.contents(before)["task"])
    name = name.strip()
    if not name:
        raise Refused("Give the task a name, such as: Backing pump, change the tip seals.")
    if not any(
        more.get(key) for key in ("every_days", "every_hours", "every_dose_mbar_h", "after")
    ):
        raise Refused("Say when it comes due: days, hours of a part, dose of a gauge, or an event.")
    for key in ("every_days", "every_hours", "every_dose_mbar_h"):
        if more.get(key) is not None and more[key] <= 0:
            raise Refused("An interval must be above zero.")
    if (more.get("every_hours") or more.get("every_dose_mbar_h")) and not more.get("part"):
        raise Refused("Choose the part whose hours or dose are counted.")
    Instrument.objects.select_for_update().get(pk=instrument.pk)
    if UpkeepTask.objects.in_use().filter(instrument=instrument, name=name).exists():
        raise Refused(f"{instrument} has a task called “{name}” already.")
    task = UpkeepTask.objects.create(
        instrument=instrument, name=name[:80], made_by=by, made_at=made_at or timezone.now(), **more
    )
    log.write(
        log=instrument.log, kind="upkeep planned", by=by, happened_at=made_at, sent_id=sent_id,
        data={"task": task.pk, "name": name},
    )  # fmt: skip
    return task


@transaction.atomic
def end_task(*, task, by):
    """A task is off the list from now on; what was done stays. Once."""
    instrument = Instrument.objects.select_for_update().get(pk=task.instrument_id)
    task = UpkeepTask.objects.select_for_update().get(pk=task.pk)
    if task.ended_at is None:
        task.ended_at = timezone.now()
        task.save(update_fields=["ended_at"])
        log.write(
            log=instrument.log, kind="upkeep ended", by=by,
            data={"task": task.pk, "name": task.name},
        )  # fmt: skip
    return task


@transaction.atomic
def do_task(*, task, by, says="", at=None, sent_id=None):
    """A task that was done, with a sentence; the next one is counted from now."""
    instrument = Instrument.objects.select_for_update().get(pk=task.instrument_id)
    sent_id = sent_id or uuid.uuid4()
    if before := log.repeated(sent_id=sent_id):
        return UpkeepDone.objects.get(entry=before)
    if task.ended_at:
        raise Refused(f"“{task}” is not on the list any more.")
    at = _not_ahead(at)
    used, dose = used_by(task.part, at) if task.part_id else (0.0, 0.0)
    entry = log.write(
        log=instrument.log, kind="upkeep done", by=by, happened_at=at, sent_id=sent_id,
        data={"task": task.pk, "name": task.name, "says": says.strip()},
    )  # fmt: skip
    row = UpkeepDone.objects.create(
        task=task, at=at, by=by, says=says.strip()[:300], seconds=used, dose_pa_s=dose,
        recorded_at=entry.recorded_at, entry=entry,
    )  # fmt: skip
    if task.renews:
        note_event(
            instrument=instrument,
            by=by,
            kind=task.renews,
            at=at,
            says=f"{task.name}. {says}".strip(),
        )
    return row


def used_by(part, at):
    """Seconds and dose of a part over all its lives."""
    total = part.lives.aggregate(seconds=Sum("seconds"), dose=Sum("dose_pa_s"))
    seconds, dose = total["seconds"] or 0.0, total["dose"] or 0.0
    for life in part.lives.running():
        if life.on_since and at > life.on_since:
            seconds += (at - life.on_since).total_seconds()
    return seconds, dose


@dataclass(frozen=True)
class Standing:
    """Where a task stands: when it is due, or how much of its hours or dose is left."""

    task: UpkeepTask
    last: UpkeepDone | None
    due_at: object  # datetime or None
    share: float  # of its interval that is used; 1 and above is due
    left: str
    why: str

    @property
    def is_due(self):
        return self.share >= 1

    @property
    def is_soon(self):
        return self.share >= SOON_SHARE


def standings(instrument, at=None, *, events=None, lives=None):
    """Every task of an instrument as known at `at`, the nearest first; two to four queries.

    Takes:   the last events and `lives_then`, where they were read already.
    """
    now = at or timezone.now()
    tasks = list(UpkeepTask.objects.in_use(at).filter(instrument=instrument).select_related("part"))
    last = last_done(tasks, at)
    use = use_of_parts(instrument, at, lives)
    if events is None:
        events = list(Event.objects.of(instrument, at).order_by("-at")[:60])
    found = [_standing(task, last.get(task.pk), use, events, now) for task in tasks]
    return sorted(found, key=lambda row: (-row.share, row.task.name))


def last_done(tasks, at=None):
    """{task: its last doing}, as known at `at`; one query, whatever was done before."""
    known = UpkeepDone.objects.filter(task=OuterRef("pk"))
    if at is not None:
        known = known.filter(recorded_at__lt=at, at__lt=at)
    newest = known.order_by("-at", "-pk").values("pk")[:1]
    keys = UpkeepTask.objects.filter(pk__in=[task.pk for task in tasks]).values(
        last=Subquery(newest)
    )
    rows = UpkeepDone.objects.filter(pk__in=keys).select_related("by")
    return {row.task_id: row for row in rows}


def use_of_parts(instrument, at=None, lives=None):
    """{part: (seconds, dose)} over all lives, as counted now, or as marked last before `at`.

    Takes:   lives of `lives_then`, where they were read already.
    """
    if at is None:
        rows = (
            PartLife.objects.filter(part__instrument=instrument)
            .values("part")
            .annotate(used=Sum("seconds"), dose=Sum("dose_pa_s"))
        )
        return {row["part"]: (row["used"] or 0.0, row["dose"] or 0.0) for row in rows}
    found = {}
    for life in lives_then(instrument, at) if lives is None else lives:
        seconds, dose = found.get(life.part_id, (0.0, 0.0))
        found[life.part_id] = (seconds + life.seconds_then, dose + life.dose_then)
    return found


def lives_then(instrument, at):
    """Every life of an instrument begun before `at`, with what it had counted then; one query."""
    mark = UseMark.objects.filter(life=OuterRef("pk"), at__lte=at).order_by("-at")
    counted = {
        "seconds_then": Coalesce(Subquery(mark.values("seconds")[:1]), 0.0),
        "dose_then": Coalesce(Subquery(mark.values("dose_pa_s")[:1]), 0.0),
    }
    lives = PartLife.objects.filter(part__instrument=instrument, began_at__lt=at)
    lives = lives.annotate(**counted).select_related("part__gauge").order_by("part", "-began_at")
    return list(lives)


def _standing(task, last, use, events, now):
    since = last.at if last else task.made_at
    after = [event for event in events if event.kind in task.after and event.at > since]
    if after:
        event = min(after, key=lambda row: row.at)
        return Standing(task, last, event.at, 1.0, "now", f"after {event.get_kind_display()}")
    found = []
    if task.every_days:
        due = since + timedelta(days=task.every_days)
        share = (now - since) / timedelta(days=task.every_days)
        found.append(
            Standing(task, last, due, share, _days_left(due, now), f"every {task.every_days} days")
        )
    seconds, dose = use.get(task.part_id, (0.0, 0.0))
    if task.every_hours:
        used = (seconds - (last.seconds if last else 0.0)) / 3600
        if task.part and task.part.counts == Part.Counts.CALENDAR:
            used = (now - since).total_seconds() / 3600
        left = f"{task.every_hours - used:,.0f} h of {task.every_hours:,.0f}"
        found.append(Standing(task, last, None, used / task.every_hours, left, "by hours"))
    if task.every_dose_mbar_h:
        seen = (dose - (last.dose_pa_s if last else 0.0)) / MBAR_HOUR
        said = f"{seen:.2g} of {task.every_dose_mbar_h:g} mbar h seen"
        found.append(Standing(task, last, None, seen / task.every_dose_mbar_h, said, "by dose"))
    if not found:
        names = " or ".join(Event.Kind(kind).label for kind in task.after)
        return Standing(task, last, None, 0.0, "nothing", f"after {names}")
    return max(found, key=lambda row: row.share)


def _days_left(due, now):
    days = (due - now).days
    if days < 0:
        return f"{-days} day{'s' * (days != -1)} over"
    return "today" if days == 0 else f"{days} day{'s' * (days != 1)}"


def dose_word(life):
    """GAU-01: note, warn or nothing of a gauge's dose since it was put in."""
    if life.dose_pa_s >= DOSE_SERVICE:
        return "service due"
    return "half of its dose" if life.dose_pa_s >= DOSE_WARN else ""


def entries_after(instrument, last, kinds, most):
    """The next entries of an instrument's logs, in the order of recording."""
    return list(
        Entry.objects.filter(log__instrument=instrument, pk__gt=last, kind__in=kinds)
        .order_by("pk")
        .values_list("pk", "kind", "happened_at", "body")[:most]
    )
