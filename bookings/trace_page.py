"""What the tracing page shows: rows in words, neighbours, people to tell, and the drawing."""

from datetime import UTC, datetime, timedelta
from urllib.parse import urlencode

from django.urls import reverse
from django.utils import timezone

from bookings.tracing import declares
from facility.chart.lanes import LaneSlip, trace_lanes
from facility.errors import Refused
from samples import tracing
from samples.geometry import gaps
from samples.layout import read_layout

SHOWN, LANES, NEIGHBOURS = 24, 9, 24
LIKELY, MAY = 0.5, 0.1
MARGIN = timedelta(days=4)  # around what is inked, on a phone


def context_of(found, around):
    """The trace as a page reads it."""
    rows = [_row(touched, around) for touched in found.ranked[:SHOWN]]
    sources = [_row(touched, around) for touched in found.sources[:6]]
    return {
        "sources": sources,
        "rows": rows,
        "left_out": max(len(found.ranked) - SHOWN, 0),
        "around": around,
        "likely": sum(touched.score >= LIKELY for touched in found.ranked),
        "neighbours": _neighbours(found, around),
        "people": _people(found, around),
        "drawings": _drawings(found, around) if rows or sources else [],
        "weights": tracing.WEIGHTS,
        "looked_at": len(around.loads),
    }


def _row(touched, around):
    load = around.loads[touched.stay.key]
    via = [thing.name for _, thing in touched.way[:-1]]
    return {
        "load": load,
        "touched": touched,
        "word": "likely"
        if touched.score >= LIKELY
        else "may be"
        if touched.score >= MAY
        else "hardly",
        "is": "warn" if touched.score >= LIKELY else "note",
        "reasons": "; ".join(touched.reasons),
        "via": ", then ".join(via[-3:]) if via else "",
        "against": "; ".join(dict.fromkeys(touched.against)),
    }


def _neighbours(found, around):
    """Samples beside the element on the source loads, each with its smallest gap to it."""
    rows = []
    for touched in found.sources[:3]:
        load = around.loads[touched.stay.key]
        mounts = around.mounts.get(load.pk, ())
        carriers = {f"m{row.pk}" for row in mounts if declares(row.sample, around.element)}
        between = _gaps(load)
        by_position = {f"p{row.position}": row for row in mounts}
        carrying = {name for name, row in by_position.items() if f"m{row.pk}" in carriers}
        for name, row in by_position.items():
            if name in carrying:
                continue
            near = [mm for pair, mm in between.items() if name in pair and set(pair) & carrying]
            rows.append({"mount": row, "load": load, "gap": min(near, default=None)})
    return rows[:NEIGHBOURS]


def _gaps(load):
    try:
        return {tuple(pair): mm for pair, mm in gaps(read_layout(load.layout)).items()}
    except (Refused, ValueError, KeyError, TypeError, AttributeError):
        return {}


def _people(found, around):
    """Whose samples may be touched: owners on the source and on what is likely, for telling them."""
    likely = [t for t in found.ranked if t.score >= MAY and t.stay.start >= _first(found)]
    owners = {}
    for touched in (*found.sources, *likely):
        for mount in around.mounts.get(touched.stay.key, ()):
            owners.setdefault(mount.sample.owner, set()).add(mount.sample)
    return sorted(((who, len(rows)) for who, rows in owners.items()), key=lambda one: str(one[0]))


def _first(found):
    starts = [touched.stay.start for touched in (*found.sources, *found.ranked)]
    sources = [touched.stay.start for touched in found.sources]
    return min(sources or starts)


def _drawings(found, around):
    """Lanes of the holders that matter most, the way inked: wide, narrower, and for a phone."""
    best = (*found.sources, *found.ranked)
    holders = list(dict.fromkeys(around.loads[t.stay.key].holder_id for t in best))[:LANES]
    known = {touched.stay.key: touched for touched in best}
    sources = {touched.stay.key for touched in found.sources}
    lanes, slips = {pk: n for n, pk in enumerate(holders)}, []
    rows = [load for load in around.loads.values() if load.holder_id in lanes]
    for load in sorted(rows, key=lambda row: (lanes[row.holder_id], row.loaded_at)):
        touched = known.get(load.pk)
        kind = "source" if load.pk in sources else "other"
        if touched and kind == "other" and touched.score >= MAY:
            kind = "seen" if touched.stay.seen else "touched"
        ends = load.taken_out_at or load.loaded_at + timedelta(hours=6)
        slips.append(
            LaneSlip(
                load.pk, str(load.holder), load.loaded_at.timestamp(), ends.timestamp(), kind,
                load.get_absolute_url(), f"{load.holder}, {timezone.localtime(load.loaded_at):%d %b %H:%M}",
            )
        )  # fmt: skip
    way = {
        (key, touched.stay.key)
        for touched in found.ranked
        if touched.score >= MAY and touched.way
        for key, _ in touched.way[-1:]
    }
    names = {pk: str(load.holder) for load in rows for pk in [load.holder_id]}
    cleaned = [
        (names[row.thing.key], row.at.timestamp())
        for row in around.cleanings
        if row.thing.kind == "holder" and row.thing.key in names
    ]
    start, end = around.start, min(around.end, timezone.now())
    if end <= start:
        end = around.end
    words = f"{len(holders)} holders as lanes, {len(slips)} loads on them, the way of {around.element} inked"
    inked = [slip for slip in slips if slip.kind != "other"] or slips
    near = (
        max(start, _moment(min(slip.start for slip in inked)) - MARGIN),
        min(end, _moment(max(slip.end for slip in inked)) + MARGIN),
    )
    sizes = [("upright", 1000, 70, 10, (start, end)), ("across", 600, 60, 5, (start, end))]
    sizes.append(("phone", 360, 48, 3, near))
    return [
        trace_lanes(
            [slip for slip in slips if first.timestamp() <= slip.start < last.timestamp()],
            sorted(way), cleaned, start=first.timestamp(), end=last.timestamp(),
            ticks=_ticks(first, last, most), size=size, width=width, left=left, says=words,
        )
        for size, width, left, most, (first, last) in sizes
    ]  # fmt: skip


def _moment(stamp):
    return datetime.fromtimestamp(stamp, UTC)


def _ticks(first, last, most):
    """At most so many days, each with its word."""
    step = max(((last - first).days + most - 1) // most, 1)
    moments = (first + timedelta(days=n * step + step / 2) for n in range(most))
    return [
        (moment.timestamp(), f"{timezone.localtime(moment):%d %b}")
        for moment in moments
        if moment < last
    ]


def address(**asks):
    """Where a trace stands."""
    return f"{reverse('bookings:trace')}?{urlencode(asks)}"
