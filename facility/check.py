"""Verbs of checks: keep a kind, enter a check, strike one out; read a rise."""

import uuid
from datetime import timedelta

from django.db import transaction
from django.utils import timezone

from facility import calibration, log
from facility.check_sorts import (
    BLANK_HISTORY,
    PHASES,
    Setting,
    find,
    rise_found,
)
from facility.errors import Refused, SetAside
from facility.models import Check, CheckKind, CheckValue, Event, Instrument, Part
from facility.vacuum import units

LATE_AT_MOST = timedelta(days=400)  # of an entry after the check; own choice


def setting_of(kind):
    """A kind as the pure part takes it."""
    unit = kind.gauge.unit if kind.gauge else kind.unit
    return Setting(kind.sort, kind.name, kind.tolerance_ev, kind.low, kind.high, unit)


@transaction.atomic
def keep_kind(*, instrument, by, sort, name, source=None, made_at=None, **more):
    """A new kind of check on an instrument; refused for a source that is not there."""
    instrument = Instrument.objects.select_for_update().get(pk=instrument.pk)
    name = name.strip()
    if not name:
        raise Refused("Give the check a name, such as: Energy scale, pass energy 20 eV.")
    if sort not in CheckKind.Sort.values:
        raise Refused("Choose what is checked.")
    if sort in ("energy", "intensity"):
        refuse_without_source(instrument, source)
    if sort == "energy":
        more["tolerance_ev"] = more.get("tolerance_ev") or calibration.USUAL_TOLERANCE
        try:
            calibration.refuse_tolerance(more["tolerance_ev"])
        except calibration.NotAScale as problem:
            raise Refused(str(problem)) from None
    if sort == "base" and not more.get("gauge"):
        raise Refused("Choose the gauge on which the base pressure is read.")
    if sort == "rise" and not (more.get("gauge") and more.get("chamber")):
        raise Refused("Choose the chamber that is isolated, and the gauge that reads it.")
    if CheckKind.objects.in_use().filter(instrument=instrument, name=name).exists():
        raise Refused(f"{instrument} has a check called “{name}” already. Give it another name.")
    row = CheckKind.objects.create(
        instrument=instrument, sort=sort, name=name[:80], source=source, made_by=by,
        made_at=made_at or timezone.now(), **more,
    )  # fmt: skip
    log.write(
        log=instrument.log,
        kind="check kept",
        by=by,
        data={"check_kind": row.pk, "sort": sort, "name": row.name, "setting": row.setting},
        happened_at=made_at,
    )
    return row


@transaction.atomic
def give_up_kind(*, kind, by):
    """A kind that is not checked any more; its checks stay."""
    kind = CheckKind.objects.select_for_update(of=("self",)).get(pk=kind.pk)
    if kind.ended_at:
        return kind
    kind.ended_at = timezone.now()
    kind.save(update_fields=["ended_at"])
    log.write(log=kind.instrument.log, kind="check given up", by=by, data={"check_kind": kind.pk})
    return kind


def refuse_without_source(instrument, source):
    """Raise Refused where a check asks for an X-ray source that the instrument does not have."""
    standing = Part.objects.standing().filter(instrument=instrument, kind=Part.Kind.SOURCE)
    names = [part.name for part in standing]
    if source is None:
        raise Refused(
            f"Choose the X-ray source. {instrument} has {' and '.join(names)}."
            if names
            else f"{instrument} has no X-ray source among its parts. Add it there first."
        )
    if source.instrument_id != instrument.pk or source.ended_at or source.kind != "source":
        has = f"it has {' and '.join(names)}" if names else "none is among its parts"
        raise Refused(f"{instrument} has no source “{source.name}”; {has}.")


@transaction.atomic
def enter(*, kind, by, typed, at=None, sent_id=None):
    """Store a check as it was typed, with what it found.

    What looks like a slip is stored all the same, with the question in `doubt`. The same `sent_id`
    with the same figures gives the same check. Raises Refused, or NotRead for a field.
    """
    sent_id = sent_id or uuid.uuid4()
    typed = {
        str(key)[:24]: str(text).strip()[:200] for key, text in typed.items() if str(text).strip()
    }
    if before := _as_before(sent_id, kind, by, typed):
        return before
    instrument = Instrument.objects.select_for_update().get(pk=kind.instrument_id)
    if before := _as_before(sent_id, kind, by, typed):
        return before
    if kind.ended_at:
        raise Refused(f"“{kind}” is not checked any more. Choose another check.")
    if kind.sort == CheckKind.Sort.RISE:
        raise Refused("A rise is read at the tablet, pressure by pressure. Begin it there.")
    if kind.source_id:
        refuse_without_source(instrument, kind.source)
    now = timezone.now()
    at = at or now
    if not now - LATE_AT_MOST < at <= now + timedelta(minutes=10):
        raise Refused(f"The check cannot be of {at:%d %b %Y %H:%M}. Look at day and time again.")
    found = find(setting_of(kind), typed, past_of(kind))
    return _store(kind, instrument, by, typed, at, sent_id, found)


def past_of(kind):
    """{series: values} of the last checks of this phase, oldest first, where they say what is usual."""
    if kind.sort not in (CheckKind.Sort.BLANK, CheckKind.Sort.BASE):
        return {}
    last = Check.objects.counted().filter(kind=kind, doubt="")
    phase = Event.objects.of(kind.instrument).filter(kind__in=PHASES[kind.sort]).last()
    if phase and kind.sort == CheckKind.Sort.BASE:
        last = last.filter(at__gte=phase.at)
    keys = list(last.values_list("pk", flat=True)[:BLANK_HISTORY])
    past = {}
    for series, value in (
        CheckValue.objects.filter(check_row__in=keys).order_by("at").values_list("series", "value")
    ):
        past.setdefault(series, []).append(value)
    return past


def _as_before(sent_id, kind, by, typed):
    row = Check.objects.filter(sent_id=sent_id).first()
    if row is None:
        return None
    if (row.kind_id, row.by_id, row.typed) != (kind.pk, by.pk, typed):
        raise SetAside(
            "This check was sent before with other figures. Open the page anew and type it again."
        )
    return row


def _store(kind, instrument, by, typed, at, sent_id, found):
    entry = log.write(
        log=instrument.log,
        kind="check",
        by=by,
        happened_at=at,
        sent_id=sent_id,
        data=said(kind, typed, found),
    )
    row = Check.objects.create(
        kind=kind, at=at, by=by, typed=typed, found=found.more, verdict=found.verdict,
        says=found.says[:600], doubt=found.doubt[:300], recorded_at=entry.recorded_at,
        entry=entry, sent_id=sent_id,
    )  # fmt: skip
    keep_values(row, found.values)
    return row


def said(kind, typed, found):
    """What the log keeps of a check."""
    return {
        "check_kind": kind.pk,
        "name": kind.name,
        "setting": kind.setting,
        "typed": typed,
        "verdict": found.verdict,
        "says": found.says,
    }


def keep_values(check, values):
    """The numbers of a check that its charts follow."""
    CheckValue.objects.bulk_create(
        CheckValue(
            check_row=check, kind_id=check.kind_id, series=name, at=check.at, value=float(value)
        )
        for name, value in values.items()
    )


@transaction.atomic
def strike(*, check, by, why):
    """A check that does not count: mistyped, or the specimen was dirty. It stays to be seen."""
    check = Check.objects.select_for_update(of=("self",)).get(pk=check.pk)
    if not why.strip():
        raise Refused("Say why this check does not count.")
    if check.struck_at:
        return check
    entry = log.write(
        log=check.kind.instrument.log,
        kind="check struck out",
        by=by,
        data={"check": check.pk, "says": why.strip()},
    )
    check.struck_at, check.struck_by, check.struck_why = entry.recorded_at, by, why.strip()[:200]
    check.save(update_fields=["struck_at", "struck_by", "struck_why"])
    return check


# A rise is read over ten minutes or longer, so its check stands open meanwhile.


@transaction.atomic
def begin_rise(*, kind, by, pumped_min=None, sent_id=None):
    """The chamber is isolated now; one rise of a kind at a time."""
    if kind.sort != CheckKind.Sort.RISE:
        raise Refused(f"“{kind}” is no rise.")
    sent_id = sent_id or uuid.uuid4()
    if before := Check.objects.filter(sent_id=sent_id).first():
        return before
    Instrument.objects.select_for_update().get(pk=kind.instrument_id)
    if running := Check.objects.open_of(kind):
        return running
    now = timezone.now()
    typed = {"readings": [], "pumped_min": None if pumped_min is None else float(pumped_min)}
    return Check.objects.create(
        kind=kind, at=now, by=by, typed=typed, recorded_at=now, sent_id=sent_id
    )


@transaction.atomic
def read_rise_pressure(*, check, by, text, at=None, sent_id=None):
    """One pressure of a rise; the time is kept by itself."""
    check = (
        Check.objects.select_for_update(of=("self",)).select_related("kind__gauge").get(pk=check.pk)
    )
    sent = str(sent_id or uuid.uuid4())
    rows = check.typed["readings"]
    if any(row["sent"] == sent for row in rows):
        return check
    if check.verdict or check.struck_at:
        raise Refused("This rise is finished. Begin a new one.")
    try:
        typed = units.parse_pressure(text)
    except ValueError as problem:
        raise Refused(str(problem)) from None
    if typed.state != "number":
        raise Refused("A rise needs a pressure. Type it like 1.2e-6.")
    seconds = max(((at or timezone.now()) - check.at).total_seconds(), 0.0)
    rows.append(
        {"sent": sent, "s": round(seconds, 1), "text": text.strip()[:40],
         "pa": typed.in_pascal(check.kind.gauge.unit)}
    )  # fmt: skip
    check.save(update_fields=["typed"])
    return check


def rise_so_far(check):
    """What the rise says with the readings so far."""
    kind, rows = check.kind, check.typed["readings"]
    rows = sorted(rows, key=lambda row: row["s"])
    last = (
        CheckValue.objects.filter(
            kind=kind, series="rate", check_row__verdict="within", at__lt=check.at
        )
        .order_by("-at")
        .first()
    )
    return rise_found(
        [row["s"] for row in rows],
        [row["pa"] for row in rows],
        volume_l=kind.chamber.volume_l if kind.chamber else None,
        pumped_min=check.typed.get("pumped_min"),
        usual_rate=last.value if last else None,
        cold_cathode=kind.gauge.principle in ("cold_cathode", "combined"),
        unit=kind.gauge.unit,
    )


@transaction.atomic
def end_rise(*, check, by):
    """The rise is read: its verdict, its rate, and the load where the volume is known."""
    check = (
        Check.objects.select_for_update(of=("self",))
        .select_related("kind__gauge", "kind__chamber", "kind__instrument__log")
        .get(pk=check.pk)
    )
    if check.verdict:
        return check
    found = rise_so_far(check)
    entry = log.write(
        log=check.kind.instrument.log,
        kind="check",
        by=by,
        happened_at=check.at,
        data=said(check.kind, check.typed, found),
    )
    check.verdict, check.says, check.found = found.verdict, found.says[:600], found.more
    check.entry, check.recorded_at = entry, entry.recorded_at
    check.save(update_fields=["verdict", "says", "found", "entry", "recorded_at"])
    keep_values(check, found.values)
    return check
