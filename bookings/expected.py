"""What was expected of a pump-down at its start, against what came, in sentences.

The expectation is written into `cooked` when a pump-down is first judged, before it is learned
from. Older ones have none: they are held against what the chamber has taught by today.
"""

from datetime import timedelta

from django.utils import timezone

from bookings import learning, pump
from bookings.models import PumpDown

FEW = 5  # pump-downs; below, the expectation rests on published magnitudes (own proposal)
AS_EXPECTED_MIN = 2  # minutes that nobody would call early or late (own proposal)


def of_pumpdown(pumpdown):
    """Two sentences: what was expected, and what came."""
    kept = pumpdown.cooked.get("expected") or learning.expected_of(pumpdown)
    return {"expected": _expected(pumpdown, kept), "came": _came(pumpdown, kept)}


def _expected(pumpdown, kept):
    low, ready, high = (_clock(pumpdown, kept[name]) for name in ("low_s", "ready_s", "high_s"))
    if kept["runs"] < FEW:
        why = "from published magnitudes, as this chamber had taught little"
    elif "expected" in pumpdown.cooked:
        why = f"from {kept['runs']} earlier pump-downs"
    else:
        why = f"from the {kept['runs']} pump-downs known today"
    return f"Ready about {ready}, 80 % between {low} and {high}, {why}."


def _came(pumpdown, kept):
    crossed = pumpdown.cooked.get("crossed_s")
    if crossed is not None:
        begin = f"First read below the threshold at {_clock(pumpdown, crossed)}"
        seen = _last_look_before(pumpdown, crossed)
        if crossed > kept["high_s"] >= seen:
            since = f"since {_clock(pumpdown, seen)}" if seen else "before"
            return f"{begin}; nobody looked {since}, so it may have come as expected."
        return f"{begin}, {_told(crossed, kept)}."
    if pumpdown.ended_at is None:
        late = timezone.now() > pumpdown.started_at + timedelta(seconds=kept["high_s"])
        return f"Still pumping{', longer than 9 of 10 such loads take' if late else ''}."
    ended = _clock(pumpdown, (pumpdown.ended_at - pumpdown.started_at).total_seconds())
    if pumpdown.ended_why == PumpDown.Why.VENTED:
        return f"Vented at {ended}, before a reading was below the threshold."
    return f"No reading below the threshold; the last was at {ended}."


def _last_look_before(pumpdown, crossed):
    """Seconds to the last reading before the crossing, 0 where there was none."""
    at = pumpdown.started_at + timedelta(seconds=crossed)
    last = pump.readings_of(pumpdown).filter(at__lt=at).order_by("-at").first()
    return (last.at - pumpdown.started_at).total_seconds() if last else 0


def _told(crossed, kept):
    """How a crossing lies to the expectation: by how much, and whether inside the interval."""
    minutes = round((crossed - kept["ready_s"]) / 60)
    if abs(minutes) <= AS_EXPECTED_MIN:
        by = "as expected"
    else:
        by = f"{_long(abs(minutes))} {'later' if minutes > 0 else 'sooner'} than expected"
    if crossed > kept["high_s"]:
        return f"{by} and after the interval"
    if crossed < kept["low_s"]:
        return f"{by} and before the interval"
    return f"{by} and within the interval"


def _long(minutes):
    return f"{minutes} min" if minutes < 90 else f"{minutes // 60} h {minutes % 60} min"


def _clock(pumpdown, seconds):
    """A moment of the pump-down on the facility's clock, with its day if that is another."""
    start = timezone.localtime(pumpdown.started_at)
    at = timezone.localtime(pumpdown.started_at + timedelta(seconds=float(seconds)))
    return f"{at:%H:%M}" if at.date() == start.date() else f"{at:%a} {at:%H:%M}"
