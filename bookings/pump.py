"""Verbs of pressures: type a reading, start and end a pump-down."""

import uuid
from datetime import timedelta

from django.db import transaction
from django.utils import timezone

from bookings import readings
from bookings.models import PumpDown, Reading
from facility import log
from facility.errors import Refused, SetAside
from facility.models import Gauge, Instrument
from facility.vacuum import units

RISES, FALLS = (
    3.0,
    300.0,
)  # times since the last reading, beyond which one is asked back; own choice
FRESH = timedelta(minutes=5)  # common practice, no source: a reading older than this is read again


@transaction.atomic
def type_pressure(*, gauge, by, text, happened_at=None, tablet_at=None, sent_id=None):
    """Store what somebody typed, or raise Refused where nothing can be read from it.

    The same `sent_id` with the same text gives the same reading; with another, SetAside.
    What looks implausible is stored all the same; `doubt()` has the question to ask back.
    """
    sent_id = sent_id or uuid.uuid4()
    if before := Reading.objects.filter(sent_id=sent_id).first():
        if (before.gauge_id, before.typed, before.person_id) == (gauge.pk, text.strip(), by.pk):
            return before
        raise SetAside(
            "The same reading was sent before with another pressure or by another person."
        )
    try:
        typed = units.parse_pressure(text)
    except ValueError as problem:
        raise Refused(str(problem)) from None
    now = timezone.now()
    return Reading.objects.create(
        gauge=gauge,
        at=happened_at or now,
        state=typed.state,
        pressure_pa=typed.in_pascal(gauge.unit),
        typed=text.strip(),
        unit=typed.unit or gauge.unit,
        source=Reading.Source.MANUAL,
        person=by,
        tablet_at=tablet_at,
        recorded_at=now,
        sent_id=sent_id,
    )


def doubt(reading):
    """What to ask back about a reading that a usual slip would explain, or an empty text."""
    if reading.pressure_pa is None:
        return ""
    before = (
        Reading.objects.filter(gauge=reading.gauge, at__lt=reading.at, state="number")
        .order_by("-at", "-pk")
        .first()
    )
    if not before or reading.at - before.at > timedelta(hours=1):
        return ""
    falls = before.pressure_pa / reading.pressure_pa
    if 1 / RISES < falls < FALLS:
        return ""  # a pump-down falls fast, and a reading is good to a factor of two
    slip = units.likely_slip(reading.pressure_pa, before.pressure_pa, unit=reading.gauge.unit)
    if slip is None:
        return ""
    return slip.says


def newest(gauges, at=None):
    """The newest reading of each gauge, or its newest at a moment; one query a gauge, of few."""
    told = Reading.objects.filter(at__lte=at) if at else Reading.objects.all()
    return {gauge.pk: told.filter(gauge=gauge).order_by("-at", "-pk").first() for gauge in gauges}


def powers_near(reading, span=3):
    """Powers of ten that a pad offers: those near the last reading, in the gauge's unit."""
    if reading is None or reading.pressure_pa is None:
        return list(range(3, -9, -1))
    return powers_around(reading.pressure_pa, reading.gauge.unit, span)


def powers_around(pascal, unit, span=3):
    """The same near a pressure [Pa], spoken in `unit`."""
    _, last = units.show(pascal, unit)
    return list(range(min(last + span, 3), last - span - 1, -1))


def power_of(reading):
    """The power of ten of a reading in its gauge's unit, or None."""
    if reading is None or reading.pressure_pa is None:
        return None
    return units.show(reading.pressure_pa, reading.gauge.unit)[1]


def gauges_of(instrument, kind=None):
    """The gauges of an instrument, or of one of its chambers."""
    chosen = Gauge.objects.filter(chamber__instrument=instrument, on_ion_gun=False)
    if kind:
        chosen = chosen.filter(chamber__kind=kind)
    return list(chosen.select_related("chamber").order_by("chamber__kind", "pk"))


def gun_gauge_of(instrument):
    """The ion gun's own gauge, or None."""
    return (
        Gauge.objects.filter(chamber__instrument=instrument, on_ion_gun=True)
        .select_related("chamber")
        .first()
    )


@transaction.atomic
def start(*, chamber, by, load=None, started_at=None, vent_minutes=None):
    """A pump-down from closing the vent on; one that still runs in this chamber ends first."""
    started_at = started_at or timezone.now()
    instrument = Instrument.objects.select_for_update().get(pk=chamber.instrument_id)
    for running in PumpDown.objects.running().filter(chamber=chamber):
        end(pumpdown=running, by=by, why=PumpDown.Why.VENTED, ended_at=started_at)
    made = _new(chamber, load, started_at, instrument.threshold_pa, vent_minutes)
    made.save()
    return made


@transaction.atomic
def begin(*, chamber, by, load, started_at, ended_at=None, ended_why=""):
    """A pump-down that is told only afterwards; over already where `ended_at` is known."""
    made = _new(chamber, load, started_at, chamber.instrument.threshold_pa)
    if ended_at is None:
        made.save()
        return made
    made.ended_at = ended_at
    made.ended_why = ended_why
    made.save()
    return _seal(made, by)


def _new(chamber, load, started_at, threshold_pa, vent_minutes=None):
    carried = (load.layout.get("mounts") if load else None) or []
    return PumpDown(
        chamber=chamber,
        load=load,
        started_at=started_at,
        threshold_pa=threshold_pa,
        vent_minutes=vent_minutes,
        form=slowest_form(carried),
        samples=len(carried) if load else None,
    )


FORM_BY_WATER = (
    # slowest first: how much water a form brings, common practice, no source
    "porous powder",
    "powder",
    "electrode",
    "residue",
    "fibre",
    "pellet",
    "bulk",
    "single crystal",
    "film",
)


def slowest_form(mounts):
    """The form that outgasses longest among a layout's mounts, or an empty text."""
    carried = {mount.get("form") for mount in mounts}
    return next((form for form in FORM_BY_WATER if form in carried), "")


@transaction.atomic
def end(*, pumpdown, by, why, ended_at=None):
    """End a pump-down: an entry holds count and digest of its readings, gauge by gauge."""
    pumpdown = PumpDown.objects.select_for_update().get(pk=pumpdown.pk)
    if pumpdown.ended_at:
        return pumpdown
    pumpdown.ended_at = max(ended_at or timezone.now(), pumpdown.started_at)
    pumpdown.ended_why = why
    return _seal(pumpdown, by)


@transaction.atomic
def end_earlier(*, pumpdown, by, why, ended_at):
    """A pump-down ended at a moment that is told only now, before what was taken for its end."""
    pumpdown = PumpDown.objects.select_for_update().get(pk=pumpdown.pk)
    pumpdown.ended_at, pumpdown.ended_why, pumpdown.judged_at = ended_at, why, None
    return _seal(pumpdown, by)


def _seal(pumpdown, by):
    """What an ended pump-down leaves in the log: why, and its readings by count and digest."""
    kept = {name: pumpdown.cooked[name] for name in ("expected",) if name in pumpdown.cooked}
    pumpdown.cooked = {"crossed_s": crossed_s(pumpdown)} | kept  # judged anew, expected once
    pumpdown.save(update_fields=["ended_at", "ended_why", "cooked", "judged_at"])
    instrument = pumpdown.chamber.instrument
    log.write(
        log=pumpdown.load.log if pumpdown.load else instrument.log,
        kind="pump-down ended",
        by=by,
        happened_at=pumpdown.ended_at,
        data={
            "pumpdown": pumpdown.pk,
            "why": pumpdown.get_ended_why_display(),
            "readings": readings.digests(
                gauges_of(instrument), pumpdown.started_at, pumpdown.ended_at
            ),
        },
    )
    return pumpdown


def readings_of(pumpdown):
    """The readings of the chamber's gauges while it was pumped, in order of time."""
    gauges = Gauge.objects.filter(chamber=pumpdown.chamber, on_ion_gun=False)
    return Reading.objects.of(gauges, pumpdown.started_at, pumpdown.ended_at)


def crossed_s(pumpdown):
    """Seconds from the start to the first reading at or below the threshold, or None.

    A first reading far below its neighbours may be a slip; the science of pump-downs judges that.
    """
    first = (
        readings_of(pumpdown).filter(state="number", pressure_pa__lte=pumpdown.threshold_pa).first()
    )
    return (first.at - pumpdown.started_at).total_seconds() if first else None
