"""Bakes and vents of the main chamber: what is inside first, then the log, then the new phase."""

import uuid

from django.db import transaction
from django.utils import timezone

from bookings.models import Load
from facility import keep_up, log
from facility.errors import Refused
from facility.models import Chamber, Instrument, Job, JobReading
from facility.vacuum import units

INDIUM_MELTS_C = 156.6  # handbook value, from memory (MNT-03)
HOTTEST_C = 450.0  # no end-station is baked above; own choice against slips


def inside_now(instrument):
    """What is in vacuum, each with what is known of its limit."""
    rows = []
    for load in Load.objects.inside().filter(instrument=instrument).select_related("holder"):
        mounts = load.layout.get("mounts") or []
        rows.append(
            {"load": load.pk, "holder": str(load.holder),
             "mountings": sorted({str(mount.get("mounting") or "not said") for mount in mounts})}
        )  # fmt: skip
    return rows


def why_not_inside(rows, kind, max_c):
    """Sentences about what must not stay inside; empty where nothing speaks against it."""
    if kind != Job.Kind.BAKE or max_c is None or max_c < INDIUM_MELTS_C:
        return []
    return [
        f"{row['holder']} is held by indium, which melts at {INDIUM_MELTS_C} °C; "
        f"{max_c:g} °C is planned. Take it out first."
        for row in rows
        if any("indium" in mounting for mounting in row["mountings"])
    ]


@transaction.atomic
def begin(
    *, instrument, by, kind, why, max_c=None, before="", accepted="", watch=None, sent_id=None
):
    """A bake or vent begins: the chamber is empty, or what stays in is accepted with its limit."""
    sent_id = sent_id or uuid.uuid4()
    instrument = Instrument.objects.select_for_update().get(pk=instrument.pk)
    if was := log.repeated(sent_id=sent_id):
        return Job.objects.get(entry=was)
    if kind not in Job.Kind.values:
        raise Refused("Choose bake or vent.")
    if not why.strip():
        raise Refused("Say why, such as: after the vent, base pressure too high.")
    if kind == Job.Kind.BAKE and not (max_c and 40 <= max_c <= HOTTEST_C):
        raise Refused(
            f"Enter the hottest temperature of the bake, between 40 and {HOTTEST_C:g} °C."
        )
    if running := Job.objects.open().filter(instrument=instrument).first():
        raise Refused(f"A {running.get_kind_display()} has been running since "
                      f"{timezone.localtime(running.began_at):%d %b %H:%M}. End it first.")  # fmt: skip
    rows = inside_now(instrument)
    if sentences := why_not_inside(rows, kind, max_c):
        raise Refused(" ".join(sentences))
    if rows and not accepted.strip():
        held = "; ".join(f"{row['holder']} on {', '.join(row['mountings'])}" for row in rows)
        raise Refused(
            f"Inside are: {held}. Take them out, or write the limit up to which each may stay in "
            "(tape: its maker's sheet)."
        )
    pascal = _pascal(instrument, before)
    inside = [row | {"accepted": accepted.strip()} for row in rows]
    entry = log.write(
        log=instrument.log, kind="job began", by=by, sent_id=sent_id,
        data={"what": kind, "says": why.strip(), "max_c": max_c, "inside": inside, "before": before},
    )  # fmt: skip
    return Job.objects.create(
        instrument=instrument, kind=kind, why=why.strip()[:200], max_c=max_c, inside=inside,
        watch=watch or by, began_at=entry.happened_at, by=by, before=before.strip()[:40],
        before_pa=pascal, entry=entry,
    )  # fmt: skip


def _pascal(instrument, text):
    """A typed pressure of the main chamber in pascal; None for nothing typed."""
    if not text.strip():
        return None
    main = instrument.chambers.filter(kind=Chamber.Kind.MAIN).first()
    gauge = main and main.gauges.filter(on_ion_gun=False).first()
    try:
        return units.parse_pressure(text).in_pascal(gauge.unit if gauge else "mbar")
    except ValueError as problem:
        raise Refused(str(problem)) from None


@transaction.atomic
def read(*, job, by, temperature_c=None, pressure="", says="", sent_id=None):
    """A line of the temperature log; hotter than planned is stored, and said."""
    sent_id = sent_id or uuid.uuid4()
    job = Job.objects.select_for_update(of=("self",)).select_related("instrument").get(pk=job.pk)
    if was := JobReading.objects.filter(sent_id=sent_id).first():
        return was
    if temperature_c is None and not pressure.strip():
        raise Refused("Enter a temperature or a pressure.")
    if temperature_c is not None and not -50 <= temperature_c <= 600:
        raise Refused(
            f"{temperature_c:g} °C is no temperature of a bake. Look at the figure again."
        )
    return JobReading.objects.create(
        job=job, at=timezone.now(), temperature_c=temperature_c, pressure=pressure.strip()[:40],
        pressure_pa=_pascal(job.instrument, pressure), says=says.strip()[:200], by=by,
        sent_id=sent_id,
    )  # fmt: skip


@transaction.atomic
def end(*, job, by, after="", says=""):
    """It is over: a new phase begins, the checks that it asks for come due."""
    instrument = Instrument.objects.select_for_update().get(pk=job.instrument_id)
    job = Job.objects.select_for_update(of=("self",)).get(pk=job.pk)
    if job.ended_at:
        return job
    job.after_pa = _pascal(instrument, after)
    entry = log.write(
        log=instrument.log, kind="job ended", by=by,
        data={"job": job.pk, "what": job.kind, "after": after, "says": says.strip()},
    )  # fmt: skip
    job.ended_at, job.ended_by, job.after_text = entry.happened_at, by, after.strip()[:40]
    job.says = says.strip()[:300]
    job.save()
    hottest = max((row.temperature_c or 0 for row in job.readings.all()[:500]), default=0)
    said = f"{job.why}." + (f" Hottest read {hottest:g} °C." if hottest else "")
    main = instrument.chambers.filter(kind=Chamber.Kind.MAIN).first()
    keep_up.note_event(
        instrument=instrument, by=by, kind=job.kind, says=f"{said} {says}".strip(), chamber=main
    )
    return job
