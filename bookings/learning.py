"""What past pump-downs teach, kept in the database so that every worker gives the same answer.

tick brings it up to date; a process keeps what it read only by the row's key.
"""

from datetime import timedelta
from functools import lru_cache

import numpy as np
from django.db import transaction
from django.utils import timezone

from bookings import pump
from bookings.models import Learned, PumpDown, Reading
from facility.models import Chamber
from facility.vacuum import diagnosis
from facility.vacuum import forecast as science
from facility.vacuum.chances import candidates
from facility.vacuum.learning import past_of
from facility.vacuum.pumpdown import FIRST_S, basis
from facility.vacuum.runs import Run

KEPT = 150  # pump-downs of one chamber that are learned from at first
MOST_ROWS = 4000  # of one pump-down; a logger's rows are thinned to this many
BAND_POINTS = 48
HALF_BAND = 1.2816  # standard deviations on either side that hold 80 % of a normal distribution
LIMIT_EVERY = 10  # runs after which the limit of what is unusual is set anew
WHOLLY_EVERY = 25  # runs after which sizes and intervals are learned anew, not only brought along
AT_ONCE = 20  # pump-downs that are added; more are learned anew
ROWS_KEPT = 3  # older states of what was learned, for a worker that still answers with one


def run_of(pumpdown, *, until=None):
    """A pump-down with its readings as the science takes it."""
    rows = (
        pump.readings_of(pumpdown)
        .exclude(state=Reading.State.OFF)
        .values_list("at", "pressure_pa", "gauge__code", "source", named=True)
    )
    if until is not None:
        rows = rows.filter(at__lte=until)
    rows = list(rows)
    if len(rows) > MOST_ROWS:
        rows = rows[:: -(-len(rows) // MOST_ROWS)]
    marks = [(float(at_s), None, "", "manual", event) for at_s, event in pumpdown.events]
    if until is not None:
        elapsed = (until - pumpdown.started_at).total_seconds()
        marks = [mark for mark in marks if mark[0] <= elapsed]
    lines = [
        ((row.at - pumpdown.started_at).total_seconds(), row.pressure_pa, row.gauge__code,
         row.source, "")
        for row in rows
    ]  # fmt: skip
    lines = sorted(lines + marks, key=lambda line: line[0])
    t_s, pressure, gauge, source, event = zip(*lines, strict=True) if lines else ((),) * 5
    return Run(
        run_id=str(pumpdown.pk),
        instrument=str(pumpdown.chamber_id),
        started_at=pumpdown.started_at,
        form=pumpdown.form,
        samples=pumpdown.samples,
        vent_minutes=pumpdown.vent_minutes,
        t_s=np.array(t_s, dtype=float),
        pressure_pa=np.array([np.nan if p is None else p for p in pressure], dtype=float),
        gauge=np.array(gauge, dtype=object),
        source=np.array(source, dtype=object),
        event=np.array(event, dtype=object),
    )


def newest_row(chamber):
    """The newest state of what was learned for a chamber, or None; without its document."""
    return (
        Learned.objects.filter(chamber=chamber, version=science.VERSION).defer("document").first()
    )


@lru_cache(maxsize=16)
def _read(pk):
    return science.from_json(Learned.objects.get(pk=pk).document)


def known(chamber, threshold_pa):
    """What is learned for a chamber; from nothing but published magnitudes where nothing is yet."""
    row = newest_row(chamber)
    if row is not None:
        learned = _read(row.pk)
        if np.isclose(learned.threshold_pa, threshold_pa):
            return learned
    return _from_nothing(threshold_pa)


@lru_cache(maxsize=4)
def _from_nothing(threshold_pa):
    return science.learn([], threshold_pa)


@transaction.atomic
def bring_up_to_date(chamber, *, now=None):
    """Learn from pump-downs that ended since the last time; returns how many were new."""
    chamber = Chamber.objects.select_for_update().select_related("instrument").get(pk=chamber.pk)
    threshold = chamber.instrument.threshold_pa
    row = newest_row(chamber)
    ended = PumpDown.objects.ended().filter(chamber=chamber, load__isnull=False)
    ended = ended.order_by("started_at")  # an empty chamber pumps down unlike one with a holder
    learned = None
    if row is not None:
        learned = _read(row.pk)
        if not np.isclose(learned.threshold_pa, threshold):
            learned = None
    waiting = list(ended.filter(learned_from=False))
    if not waiting and (learned is not None or not ended.exists()):
        return 0
    wholly = learned is None or _is_due(learned, len(waiting))
    if wholly:
        new = list(ended.order_by("-started_at")[:KEPT])[::-1]
        learned = science.learn([run_of(pumpdown) for pumpdown in new], threshold)
    else:
        new = waiting
        for pumpdown in new:
            learned = science.add(learned, run_of(pumpdown))
    if wholly or learned.runs - row.limit_at >= LIMIT_EVERY:
        limit, limit_at = diagnosis.limit_of(learned), learned.runs
    else:
        limit, limit_at = row.limit, row.limit_at
    ended.filter(started_at__lte=new[-1].started_at).update(learned_from=True)
    Learned.objects.create(
        chamber=chamber,
        version=science.VERSION,
        document=science.as_json(learned),
        runs=learned.runs,
        limit=limit,
        limit_at=limit_at,
        last=new[-1],
        made_at=now or timezone.now(),
    )
    old = Learned.objects.filter(chamber=chamber).values_list("pk", flat=True)[ROWS_KEPT:]
    Learned.objects.filter(pk__in=list(old)).delete()
    return len(waiting) or len(new)


def _is_due(learned, waiting):
    """Whether to learn anew from the last KEPT pump-downs instead of adding those that wait."""
    # many are learned sooner than added one by one
    since = learned.runs + waiting - learned.fitted_on
    return waiting > AT_ONCE or since >= WHOLLY_EVERY


def judge(pumpdown, *, at=None):
    """Whether a pump-down was or is as usual, against the others of its chamber.

    Written into `cooked`; the flag is the caller's. Returns the science's Diagnosis.
    """
    at = at or timezone.now()
    row = newest_row(pumpdown.chamber)
    learned = known(pumpdown.chamber, pumpdown.threshold_pa)
    gauges = pump.gauges_of(pumpdown.chamber.instrument, pumpdown.chamber.kind)
    found = diagnosis.diagnose(
        learned,
        run_of(pumpdown, until=min(at, pumpdown.ended_at or at)),
        limit=row.limit if row else diagnosis.LIMIT,
        unit=gauges[0].unit if gauges else "Pa",
    )
    pumpdown.cooked = pumpdown.cooked | {
        "unusual": found.unusual,
        "score": round(float(found.score), 3),
        "cause": found.cause,
        "second_cause": found.second_cause,
        "says": found.says,
        "runs": learned.runs,
        "expected": pumpdown.cooked.get("expected") or _expected_by(learned, pumpdown),
    }
    pumpdown.judged_at = at
    pumpdown.save(update_fields=["cooked", "judged_at"])
    return found


def expected_of(pumpdown):
    """What the chamber's past expects of a pump-down before its first reading."""
    return _expected_by(known(pumpdown.chamber, pumpdown.threshold_pa), pumpdown)


def _expected_by(learned, pumpdown):
    found = science.forecast(learned, run_of(pumpdown, until=pumpdown.started_at), 0.0)
    return {
        "low_s": round(float(found.low80_s)),
        "ready_s": round(float(found.ready_s)),
        "high_s": round(float(found.high80_s)),
        "runs": learned.runs,
    }


def forecast_of(pumpdown, *, at=None):
    """When the threshold will be reached, as known at `at`; None once the pump-down ended."""
    if pumpdown.ended_at:
        return None
    at = at or timezone.now()
    learned = known(pumpdown.chamber, pumpdown.threshold_pa)
    run = run_of(pumpdown, until=at)
    return science.forecast(learned, run, max((at - pumpdown.started_at).total_seconds(), 0.0))


def band_of(pumpdown, until_s):
    """Where 8 of 10 such loads run: times [s], low and high [Pa]; None before five runs."""
    learned = known(pumpdown.chamber, pumpdown.threshold_pa)
    if learned.runs < 5 or until_s <= FIRST_S:
        return None
    load = past_of([run_of(pumpdown, until=pumpdown.started_at)])
    means, spreads, _ = candidates(learned.curves, learned.reasons, learned.past, load)
    times = np.geomspace(FIRST_S, until_s, BAND_POINTS)
    weights = basis(np.log(times))
    middle = weights @ means[0]
    sd = np.sqrt(np.einsum("nk,kl,nl->n", weights, spreads[0], weights))
    low, high = (np.exp(middle + side * HALF_BAND * sd) * learned.threshold_pa for side in (-1, 1))
    return times, low, high


def local_ready(pumpdown, found):
    """The forecast's three moments in the facility's zone."""
    return [
        timezone.localtime(pumpdown.started_at + timedelta(seconds=float(seconds)))
        for seconds in (found.low80_s, found.ready_s, found.high80_s)
    ]
