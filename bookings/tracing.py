"""Reads of tracing: loads around a day with what they shared, cleanings, blanks, what was seen.

The work is bounded: at most MOST loads nearest to the day, a fixed number of queries. What was cut
is said.
"""

import re
from dataclasses import dataclass
from datetime import timedelta

from django.db import transaction
from django.db.models import Q
from django.utils import timezone

from bookings.broke import TELLS_NOTHING
from bookings.models import Load, LookedFor, Measurement
from facility import log
from facility.errors import Refused, SetAside
from facility.models import Chamber, Entry, Place
from samples import tracing
from samples.matter.composition import elements, parse
from samples.memory import WRITTEN
from samples.models import Cleaning, Mount, Whereabouts

BEFORE, AFTER = 30, 60  # days looked at around the day; own proposal
LONGEST = 400
MOST, MOST_NOTES, MOST_ROWS = 400, 3000, 6000
NEAR = timedelta(days=10)  # of the day: a load that carries the element is taken as the source
A_BLANK_SHOWS = 0.5  # at.%, MEM-02: own proposal
PLACES = (Place.Kind.BENCH, Place.Kind.GLOVE_BOX)


@dataclass
class Around:
    """Everything around a day that tracing needs, and how much was left out."""

    element: str
    loads: dict
    stays: list
    cleanings: list
    mounts: dict  # load's key -> mounts on it
    cut: int
    start: object
    end: object


def around(element, day_start, *, before=BEFORE, after=AFTER):
    """Read what stands around a moment; a fixed number of queries."""
    start, end = day_start - timedelta(days=before), day_start + timedelta(days=after)
    rows = Load.objects.filter(loaded_at__gte=start, loaded_at__lt=end)
    count = rows.count()
    chosen = rows.select_related("holder", "instrument", "loaded_by")
    late = list(chosen.filter(loaded_at__gte=day_start).order_by("loaded_at")[: MOST * 2 // 3])
    early = list(chosen.filter(loaded_at__lt=day_start).order_by("-loaded_at")[: MOST // 3])
    loads = {row.pk: row for row in (*early, *late)}
    holders = {row.holder_id for row in loads.values()}
    mounts = _mounts(loads, holders, start, end)
    seen, surveyed, sputtered = _seen(element, loads)
    places = _places(loads, holders, start, end)
    chambers = _chambers(loads)
    stays = [
        tracing.Stay(
            pk, row.loaded_at, row.taken_out_at or max(end, row.loaded_at),
            _things(row, mounts.get(pk, ()), places.get(pk), chambers, pk in sputtered),
            carried=any(declares(mount.sample, element) for mount in mounts.get(pk, ())),
            seen=seen.get(pk), surveyed=pk in surveyed,
        )
        for pk, row in loads.items()
    ]  # fmt: skip
    cleanings = _cleanings(element, holders, start, end)
    return Around(element, loads, stays, cleanings, mounts, count - len(loads), start, end)


def declares(sample, element):
    """Whether a sample's composition holds the element; what cannot be read does not."""
    try:
        return bool(element) and element in parse(sample.composition).elements
    except Refused:
        return False


def telling_element(sample):
    """The first element of a sample that is not on every surface anyway, empty for none."""
    try:
        symbols = parse(sample.composition).elements if sample.composition else ()
    except Refused:
        return ""
    return next((symbol for symbol in symbols if symbol not in TELLS_NOTHING), "")


def _mounts(loads, holders, start, end):
    """What each load carried when the door closed."""
    rows = (
        Mount.objects.filter(holder__in=holders, since__lt=end)
        .select_related("sample__owner", "lot__consumable")
        .order_by("position")
    )
    # two asked apart, because an index answers each and neither of them joined by OR
    rows = [*rows.filter(until=None)[:MOST_ROWS], *rows.filter(until__gte=start)[:MOST_ROWS]]
    by_holder, found = {}, {}
    for row in sorted(rows, key=lambda row: row.position):
        by_holder.setdefault(row.holder_id, []).append(row)
    for pk, load in loads.items():
        found[pk] = [
            row
            for row in by_holder.get(load.holder_id, ())
            if row.since <= load.loaded_at and (row.until is None or row.until > load.loaded_at)
        ]
    return found


def _places(loads, holders, start, end):
    """The bench or glove box at which each load's holder was before it went in."""
    rows = (
        Whereabouts.objects.filter(
            holder__in=holders, since__lt=end, since__gte=start, place__kind__in=PLACES
        )
        .select_related("place")
        .order_by("-since")[:MOST_ROWS]
    )
    by_holder = {}
    for row in rows:
        by_holder.setdefault(row.holder_id, []).append(row)
    return {
        pk: next(
            (row.place for row in by_holder.get(load.holder_id, ()) if row.since <= load.loaded_at),
            None,
        )
        for pk, load in loads.items()
    }


def _chambers(loads):
    """{instrument: {kind: chamber}} of the loads' instruments."""
    rows = Chamber.objects.filter(instrument__in={row.instrument_id for row in loads.values()})
    found = {}
    for row in rows:
        found.setdefault(row.instrument_id, {})[row.kind] = row
    return found


def _things(load, mounts, place, chambers, sputtered):
    things = [tracing.Thing("holder", load.holder_id, str(load.holder))]
    things += [tracing.Thing("sample", row.sample_id, f"“{row.sample}”") for row in mounts]
    here = chambers.get(load.instrument_id, {})
    if "introduction" in here:
        name = f"introduction chamber of {load.instrument}"
        things.append(tracing.Thing("introduction", here["introduction"].pk, name))
    if "main" in here and load.transferred_at:
        name = f"main chamber, arm and stage of {load.instrument}"
        things.append(tracing.Thing("main", here["main"].pk, name))
    if sputtered:
        name = f"ion gun of {load.instrument}"
        things.append(tracing.Thing("gun", load.instrument_id, name))
    if place:
        things.append(tracing.Thing("place", place.pk, f"{place.name}, its tweezers and gauge"))
    lots = {row.lot_id: row.lot for row in mounts if row.lot_id}
    things += [tracing.Thing("lot", pk, f"the same {lot}") for pk, lot in lots.items()]
    return tuple(things)


def _seen(element, loads):
    """({load: seen or not}, loads with a survey, loads that the ion gun was set for).

    From answers, and from notes and settings of the sessions that measured them.
    """
    rows = Measurement.objects.filter(load__in=loads).values_list(
        "load_id", "session__log_id", "what"
    )[:MOST_ROWS]
    of_log, surveyed = {}, set()
    for load, log_id, what in rows:
        of_log.setdefault(log_id, set()).add(load)
        if "survey" in what.casefold():
            surveyed.add(load)
    told = Entry.objects.filter(log__in=of_log, kind__in=("note", "setting"))
    seen, sputtered = {}, set()
    for entry in told.order_by("-pk")[:MOST_NOTES] if element else ():
        said, measured = log.contents(entry), of_log[entry.log_id]
        if said.get("device") == "ion gun":
            sputtered |= measured
        elif len(measured) == 1 and _names(element, said.get("says", "")):
            seen[next(iter(measured))] = True
    for pk, answer in LookedFor.objects.answers(element, loads).items():
        seen[pk] = answer.shows
    return seen, surveyed, sputtered


def _names(element, text):
    """Whether a note tells of a line of the element, such as Sn 3d, and does not deny it."""
    line = re.search(rf"\b{element} ?[1-7][spdf]\b", text)
    return bool(line) and not re.search(rf"\bno {element}\b", text, re.IGNORECASE)


def _cleanings(element, holders, start, end):
    rows = (
        Cleaning.objects.filter(at__gte=start, at__lt=end)
        .filter(Q(holder__in=holders) | Q(holder=None))
        .select_related("holder", "chamber__instrument")
        .order_by("-at")[:MOST_ROWS]
    )
    return [
        tracing.Cleaning(
            tracing.Thing("holder", row.holder_id, str(row.holder))
            if row.holder_id
            else tracing.Thing(row.chamber.kind, row.chamber_id, str(row.chamber)),
            row.at,
            _blank(row.blank, element),
        )
        for row in rows
    ]


def _blank(text, element):
    """True: measured, without the element; False: with it; None: not measured."""
    if not text:
        return None
    shown = {symbol: float(figure) for symbol, figure, _ in WRITTEN.findall(text)}
    if not shown:
        return None if element in text else True
    return shown.get(element, 0.0) < A_BLANK_SHOWS


def follow(element, moment, *, holder=None, load=None, **window):
    """The trace of an element around a moment; with a holder or load, from there.

    Returns: (Trace, Around).
    """
    if element not in elements():
        raise Refused(f"{element or 'Nothing'} is no symbol of an element; write it such as Sn.")
    found = around(element, moment, **window)
    carriers = [stay for stay in found.stays if stay.carried]
    if holder is not None:
        of_holder = [s for s in carriers if found.loads[s.key].holder_id == holder.pk]
        carriers = of_holder or carriers
    near = [stay for stay in carriers if abs(stay.start - moment) <= NEAR]
    seeds = {stay.key for stay in near or carriers}
    victims = {stay.key for stay in found.stays if stay.seen} - seeds
    if load is not None and load.pk in found.loads:
        if found.loads[load.pk].loaded_at > moment - NEAR and load.pk not in seeds:
            victims = {load.pk}
            seeds = {key for key in seeds if found.loads[key].loaded_at <= load.loaded_at}
        else:
            seeds = {load.pk}
    if not seeds and not victims and holder is not None:
        here = [s for s in found.stays if found.loads[s.key].holder_id == holder.pk]
        seeds = {min(here, key=lambda s: abs(s.start - moment)).key} if here else set()
    return tracing.trace(found.stays, found.cleanings, seeds=seeds, victims=victims), found


@transaction.atomic
def look_for(*, load, element, shows, by, says="", sent_id=None):
    """Somebody looked into a load's data for an element: it shows it, or it does not."""
    if element not in elements():
        raise Refused(f"{element[:20]} is no symbol of an element; write it such as Sn.")
    said = {"load": load, "element": element, "shows": shows}
    more = {"says": says.replace("\x00", "␀")[:200], "at": timezone.now(), "by": by}
    if sent_id is None:
        return LookedFor.objects.create(**said, **more)
    row, new = LookedFor.objects.get_or_create(sent_id=sent_id, defaults=said | more)
    if not new and (row.load_id, row.element, row.shows) != (load.pk, element, shows):
        raise SetAside("The same answer was sent before with another content.")
    return row
