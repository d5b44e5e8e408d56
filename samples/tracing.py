"""Tracing a contamination: what may have been touched, ranked, both ways in time. Pure.

Loads pass things on: their holder, the samples on it, chambers, ion gun, bench, lot of tape. A level from 0 to 1
is carried from load to load along these things; a cleaning dampens it, a clean blank nearly ends
it. Loads are swept once, so the work grows with their number only.
All weights are own proposals: they order, they are no probabilities.
"""

from dataclasses import dataclass, field, replace
from datetime import datetime

CARRIES = {
    "holder": 0.9, "sample": 0.4, "introduction": 0.12, "main": 0.1, "gun": 0.08, "place": 0.05,
    "lot": 0.04,
}  # fmt: skip
FADES = {
    "holder": 0.97, "sample": 0.9, "introduction": 0.8, "main": 0.8, "gun": 0.8, "place": 0.7,
    "lot": 0.7,
}  # fmt: skip
CLEANED, CLEAN_BLANK = 0.1, 0.02
NOT_SEEN, NOT_WRITTEN, SEEN = 0.15, 0.9, 0.3  # SEEN: of the doubt that is left
NOT_DECLARED = 0.05  # of a load as the source, where none of its samples declares the element
LEAST = 0.004  # below it nothing is listed
WEIGHTS = (
    ("the next load on the same holder", "0.9"),
    ("a load with a sample that lay beside it", "0.4"),
    ("the next load through the same introduction chamber", "0.12"),
    ("the next load in the same main chamber, arm and stage", "0.1"),
    ("the next load that the same ion gun sputtered", "0.08"),
    ("the next holder at the same bench, its tweezers and gauge", "0.05"),
    ("the next load with tape from the same lot", "0.04"),
    (
        "fades with each load between: holder, sample, chamber or gun, bench or tape",
        "0.97, 0.9, 0.8, 0.7",
    ),
    ("a cleaning between", "times 0.1"),
    ("a blank between without the element", "times 0.02"),
    ("its data looked at for the element, not seen", "times 0.15"),
    ("a survey measured, nobody wrote of the element", "times 0.9"),
    ("the element seen on it", "leaves 0.3 of the doubt"),
    ("as the source, without the element declared on it", "times 0.05"),
)


@dataclass(frozen=True)
class Thing:
    """What loads share: a holder, a sample, a chamber, an ion gun, a bench, a lot of tape."""

    kind: str  # a key of CARRIES
    key: int
    name: str = field(compare=False, default="")


@dataclass(frozen=True)
class Stay:
    """A load as tracing sees it."""

    key: int
    start: datetime
    end: datetime
    things: tuple[Thing, ...]
    carried: bool = False  # a sample on it declares the element
    seen: bool | None = None  # somebody looked for the element: seen, not seen, nobody looked
    surveyed: bool = False


@dataclass(frozen=True)
class Cleaning:
    """A thing cleaned; `blank`: True without the element, False with it, None not measured."""

    thing: Thing
    at: datetime
    blank: bool | None = None


@dataclass(frozen=True)
class Touched:
    """A load that may have been touched: how likely, along which way, and what speaks against it."""

    stay: Stay
    score: float
    way: tuple = ()  # pairs of key of the load before and the Thing shared with it, from the source
    against: tuple[str, ...] = ()
    reasons: tuple[str, ...] = ()


@dataclass
class _Level:
    level: float
    touched: Touched
    notes: tuple[str, ...] = ()


def sweep(stays, cleanings, seeds, *, backwards=False):
    """What the seeds may have reached later, or with `backwards` what may have reached them.

    Takes:   stays, Stay in any order; cleanings; seeds, keys of stays where it stands at 1.
    Returns: {key: Touched}, seeds included.
    """
    sign = -1 if backwards else 1
    events = [(stay.end if backwards else stay.start, 1, stay.key, stay) for stay in stays]
    events += [(row.at, 0, n, row) for n, row in enumerate(cleanings)]
    events.sort(key=lambda event: (sign * event[0].timestamp(), sign * event[1], event[2]))
    levels, found = {}, {}
    for *_, event in events:
        if isinstance(event, Cleaning):
            _clean(levels, event)
            continue
        touched = _touched(event, levels, event.key in seeds)
        if touched is None or touched.score < LEAST:
            continue
        found[event.key] = touched
        for thing in event.things:
            before = levels.get(thing)
            faded = before.level * FADES[thing.kind] if before else 0.0
            if touched.score > faded:
                levels[thing] = _Level(touched.score, touched)
            else:
                before.level = faded
    return found


def _clean(levels, cleaning):
    standing = levels.get(cleaning.thing)
    if standing is None or cleaning.blank is False:
        return
    standing.level *= CLEAN_BLANK if cleaning.blank else CLEANED
    word = "a blank without it" if cleaning.blank else "cleaned"
    standing.notes += (f"{cleaning.thing.name} {word}, {cleaning.at:%d %b}",)


def _touched(stay, levels, is_seed):
    """A stay's own level from the best of its things, and what its data say."""
    if is_seed:
        return Touched(stay, 1.0, reasons=("where it stands",))
    best = max(
        (thing for thing in stay.things if thing in levels),
        key=lambda thing: levels[thing].level * CARRIES[thing.kind],
        default=None,
    )
    if best is None:
        return None
    come = levels[best]
    score, against, reasons = come.level * CARRIES[best.kind], come.notes, [_reason(best)]
    if stay.seen:
        score = 1 - (1 - score) * SEEN
        reasons.append("the element was seen on it")
    elif stay.seen is False:
        score, against = score * NOT_SEEN, (*against, "looked for in its data, not seen")
    elif stay.surveyed:
        score, against = (
            score * NOT_WRITTEN,
            (*against, "a survey was measured, nobody wrote of it"),
        )
    way = (*come.touched.way, (come.touched.stay.key, best))
    return Touched(stay, score, way, against, tuple(reasons))


def _reason(thing):
    """How it may have come, in words.

    >>> _reason(Thing("holder", 3, "B9"))
    'same holder, B9'
    """
    said = {
        "holder": "same holder, {}",
        "sample": "carries {}, which lay beside it",
        "introduction": "through the {} after it",
        "main": "in the {} after it",
        "gun": "sputtered by the {} after it",
        "lot": "mounted with {} after it",
        "place": "at the {} after it",
    }
    return said[thing.kind].format(thing.name)


@dataclass(frozen=True)
class Trace:
    """The answer: where it may come from, what it may have reached, in order."""

    sources: tuple[Touched, ...]
    ranked: tuple[Touched, ...]


def trace(stays, cleanings, *, seeds=(), victims=()):
    """Ranks loads around a contamination, both ways in time.

    Takes:   seeds, keys of loads taken as the source (those that carried the element); victims,
             keys of loads on which it was found.
    Returns: Trace; `ranked` holds no source.
    """
    by_key = {stay.key: stay for stay in stays}
    back = {}
    for victim in victims:
        for key, touched in sweep(stays, cleanings, {victim}, backwards=True).items():
            declared = 1.0 if by_key[key].carried or key in seeds else NOT_DECLARED
            score = touched.score * declared
            if key != victim and score > (back[key].score if key in back else 0):
                said = ("may have brought it", *touched.reasons)
                if declared == 1.0:
                    said = ("declares the element", *touched.reasons)
                back[key] = replace(touched, score=score, reasons=said)
    starts = set(seeds)
    if not starts and back:
        starts = {max(back, key=lambda key: (back[key].score, -key))}
    forward = sweep(stays, cleanings, starts or set(victims))
    sources = [
        back.get(key) or Touched(by_key[key], 1.0, reasons=("declares the element",))
        for key in starts
    ]
    both = {key: touched for key, touched in forward.items() if key not in starts}
    for key, touched in back.items():
        if key not in starts and touched.score > (both[key].score if key in both else LEAST):
            both[key] = touched
    return Trace(tuple(sorted(sources, key=_order)), tuple(sorted(both.values(), key=_order)))


def _order(touched):
    return -touched.score, touched.stay.start, touched.stay.key
