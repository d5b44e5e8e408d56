"""Planning backwards: when to load, so that a holder lies on the stage in time, and the queue for it."""

from dataclasses import dataclass
from datetime import timedelta

import numpy as np
from django.utils import timezone

from bookings import learning, planning, pump
from bookings.book import INTRODUCTION, here, rules_of, whose
from bookings.models import Booking, Load, PumpDown
from facility.access import may
from facility.models import Chamber, Place
from facility.vacuum import forecast as science
from facility.vacuum.runs import Run
from samples import bench
from samples.matter import kinds
from samples.matter.composition import parse


@dataclass(frozen=True)
class Plan:
    """When to load for measuring at a time, how sure, and what stands in the way."""

    measure_at: object
    certainty: float
    load_at: object
    rows: list  # (certainty, wait in words, load-by time)
    usual: str
    says: str
    in_the_way: list
    free_from: object
    chamber: Place | None
    too_late: bool
    learned_from: int
    scans: list


def forecast_for(instrument, *, form="", samples=None, vent_minutes=None):
    """What is expected of a load that has not begun: seconds to the threshold, and from how many."""
    chamber = Chamber.objects.filter(instrument=instrument, kind=Chamber.Kind.INTRODUCTION).first()
    if chamber is None:
        return None, 0
    learned = learning.known(chamber, instrument.threshold_pa)
    nothing, no_words = np.array([], dtype=float), np.array([], dtype=object)
    run = Run(
        run_id="planned",
        instrument=str(chamber.pk),
        started_at=timezone.now(),
        form=form,
        samples=samples,
        vent_minutes=vent_minutes,
        t_s=nothing,
        pressure_pa=nothing,
        gauge=no_words,
        source=no_words,
        event=no_words,
    )
    return science.forecast(learned, run, 0.0), learned.runs


def plan(*, instrument, measure_at, person, certainty=0.9, holder=None, form="", samples=None):
    """When the door must be shut, by the forecast for this load; None without a chamber to load."""
    mounts = bench.mounts_of(holder) if holder is not None else []
    if mounts:
        form = pump.slowest_form([{"form": mount.sample.form} for mount in mounts])
        samples = len(mounts)
    found, runs = forecast_for(instrument, form=form, samples=samples)
    if found is None:
        return None
    transfer = timedelta(minutes=rules_of(instrument).transfer_min)
    waits = {
        sure: planning.quantile_s(found.ready_s, found.low80_s, found.high80_s, sure)
        for sure in (*planning.CERTAINTIES, certainty)
    }
    by = {sure: planning.load_by(measure_at, wait, transfer) for sure, wait in waits.items()}
    load_at = by[certainty]
    chamber = Place.objects.filter(instrument=instrument, kind=INTRODUCTION).first()
    taken = _taken(chamber, load_at, measure_at, person)
    free_from, in_the_way = planning.room_to_load(taken, load_at, measure_at)
    return Plan(
        measure_at=measure_at,
        certainty=certainty,
        load_at=load_at,
        rows=[
            (f"{sure:.0%}", planning.span(timedelta(seconds=waits[sure])), by[sure])
            for sure in planning.CERTAINTIES
        ],
        usual=planning.span(timedelta(seconds=waits[0.5])),
        says=_what(form, samples),
        in_the_way=in_the_way,
        free_from=free_from,
        chamber=chamber,
        too_late=load_at < timezone.now(),
        learned_from=runs,
        scans=_scans([row for row in mounts if may(person, "sample.see", row.sample)]),
    )


def _what(form, samples):
    carried = f"{samples} sample{'' if samples == 1 else 's'}" if samples is not None else "a load"
    return f"{carried}, slowest form {form}" if form else f"{carried}, form not said"


def _scans(mounts):
    """In which order to measure, for each sample that X-rays spoil."""
    found = []
    for mount in mounts:
        damage = _damage(mount.sample.composition)
        if damage is not None:
            wants = [want.strip() for want in mount.sample.wants.split(",") if want.strip()]
            order = planning.order_of_scans(wants, sensitive=True)
            found.append((mount, damage[0], order))
    return found


def _damage(composition):
    """How X-rays change it and who says so, or None; also for words that are no formula."""
    try:
        return kinds.beam_damage(parse(composition)) if composition else None
    except ValueError:
        return None


def _taken(chamber, start, end, person):
    if chamber is None:
        return []
    rows = (
        Booking.objects.standing()
        .filter(place=chamber)
        .touching(start, end)
        .exclude(person=person, held_for=None)
        .select_related("person__group")
        .order_by("starts_at")
    )
    zone = here()
    return [
        planning.Taken(
            row.starts_at.astimezone(zone),
            row.ends_at.astimezone(zone),
            f"closed: {row.why}" if row.is_closure else whose(row, person),
        )
        for row in rows
    ]


def queue(instrument, person, now):
    """Who has the introduction chamber next: what is inside now, then the bookings in order."""
    inside = (
        Load.objects.inside()
        .filter(instrument=instrument, holder__whereabouts__until=None)
        .filter(holder__whereabouts__place__kind=INTRODUCTION)
        .select_related("holder", "loaded_by__group")
        .first()
    )
    running = PumpDown.objects.running().filter(
        chamber__instrument=instrument, chamber__kind=Chamber.Kind.INTRODUCTION
    ).select_related("chamber__instrument").first()  # fmt: skip
    rows = (
        Booking.objects.standing()
        .filter(place__instrument=instrument, place__kind=INTRODUCTION, ends_at__gt=now)
        .select_related("person__group", "held_for")
        .order_by("starts_at")[:12]
    )
    return {
        "inside": inside,
        "ready": learning.local_ready(running, learning.forecast_of(running)) if running else None,
        "rows": [
            {"booking": row, "whose": whose(row, person), "for_main": row.held_for_id is not None}
            for row in rows
        ],
    }
