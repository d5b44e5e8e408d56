"""A trace as lanes: time from left to right, one lane a holder, loads as slips, the way inked."""

from dataclasses import dataclass

from facility.chart.paper import Dot, Drawing, Line, Word

LANE, TOP, LEFT, RIGHT, FOOT = 44, 14, 70, 18, 34
SHORTEST = 6  # of a slip, so that an hour in a season is still seen


@dataclass(frozen=True, slots=True)
class LaneSlip:
    """A load on its lane; `kind` is source, seen, touched or other."""

    key: int
    lane: str
    start: float
    end: float
    kind: str
    url: str
    says: str


def trace_lanes(
    slips, way, cleanings, *, start, end, ticks, size="only", width=1000, left=LEFT, says=""
):
    """Draws a trace.

    Takes:   slips, LaneSlip; lanes stand in order of their first slip; way, pairs of keys that the
             path joins; cleanings, pairs of lane and time; start and end, the span, in the unit of
             all times; ticks, pairs of time and word; left, room for the lanes' names.
    Returns: Drawing.   Raises: ValueError unless the span is above zero.
    """
    if end <= start:
        raise ValueError(f"the span ends at {end}, not after its start at {start}")
    lanes = list(dict.fromkeys(slip.lane for slip in slips))
    height = TOP + LANE * max(len(lanes), 1) + FOOT
    foot = height - FOOT

    def x(moment):
        share = (min(max(moment, start), end) - start) / (end - start)
        return round(left + share * (width - left - RIGHT), 1)

    def y(lane):
        return TOP + LANE * lanes.index(lane) + LANE / 2

    ground = [Line("grid", f"M{left} {y(lane)}H{width - RIGHT}") for lane in lanes]
    ground += [Line("grid", f"M{x(at)} {TOP}V{foot}") for at, _ in ticks]
    ground.append(Line("axis", f"M{left} {foot}H{width - RIGHT}"))
    words = [Word(lane, 4, y(lane) + 5, "said") for lane in lanes]
    words += [Word(word, x(at), foot + 20, "axis-word", "middle") for at, word in ticks]
    places = {slip.key: slip for slip in slips}
    joined = [
        f"M{x(places[one].start)} {y(places[one].lane)}"
        f"L{x(places[other].start)} {y(places[other].lane)}"
        for one, other in way
        if one in places and other in places
    ]
    above = [Line("curve", "".join(joined))] if joined else []
    above += [
        Line("band-edge", f"M{x(at)} {y(lane) - 14}v28") for lane, at in cleanings if lane in lanes
    ]
    dots = []
    for slip in slips:
        begins, ends = x(slip.start), max(x(slip.end), x(slip.start) + SHORTEST)
        kind = "odd" if slip.kind in ("source", "seen") else "over"
        if slip.kind != "other":
            above.append(Line(kind, f"M{begins} {y(slip.lane) - 9}H{ends}v18H{begins}z"))
        dots.append(
            Dot(
                begins, y(slip.lane), {"source": "warn", "seen": "warn"}.get(slip.kind, "manual"),
                r={"source": 8, "seen": 6, "touched": 5}.get(slip.kind, 3), url=slip.url,
                says=slip.says, hit=(begins - 10, y(slip.lane) - 20, 22, 40),
                stop=slip.kind in ("source", "seen"),
            )
        )  # fmt: skip
    return Drawing(
        size, width, height, (left - 10, TOP, width - left - RIGHT + 20, foot - TOP), says,
        ground=tuple(ground), above=tuple(above), dots=tuple(dots), words=tuple(words),
    )  # fmt: skip
