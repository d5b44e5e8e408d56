"""Reads of the bench: a holder as a layout document, where there is room, what the rules find."""

import math
import re
from dataclasses import replace
from types import MappingProxyType

from facility.findings import gravest_first
from facility.models import Instrument
from samples import drawing, heights, layout, limits, memory, risks
from samples.matter.declared import Declared, Surroundings
from samples.models import BenchStep, Mount, Whereabouts
from samples.risks.registry import RULES

GAUGES_MM = (1.0, 3.0, 5.0, 6.5)  # openings of the go/no-go gauges; own proposal
RING_ROOM_MM = 3.0  # a pattern's spots keep this from the edge of the usable area; own proposal

TAPE_MM = {
    # what lies under a sample that is taped or pressed on: nominal total thickness of common
    # double-sided tapes; common practice, no source
    "copper tape": 0.08,
    "carbon tape": 0.16,
    "indium foil": 0.10,
    "gold foil": 0.05,
    "aluminium foil": 0.02,
}


def footprint_of(sample, *, x_mm=None, y_mm=None, rotation_deg=0.0):
    """The footprint of a sample in the layout document's words."""
    size = (
        {"shape": "disc", "diameter_mm": sample.diameter_mm}
        if sample.shape == "disc"
        else {
            "shape": "rectangle",
            "width_mm": sample.width_mm,
            "height_mm": sample.height_mm,
            "rotation_deg": rotation_deg,
        }
    )
    return size if x_mm is None else size | {"x_mm": x_mm, "y_mm": y_mm}


def holder_document(holder):
    """A holder's type in the layout document's words."""
    kind = holder.type
    size = (
        {"diameter_mm": kind.diameter_mm}
        if kind.shape == "disc"
        else {"width_mm": kind.width_mm, "height_mm": kind.height_mm}
    )
    return {
        "shape": kind.shape,
        **size,
        "edge_margin_mm": kind.edge_margin_mm,
        "max_thickness_mm": kind.max_thickness_mm,
    }


def mounts_of(holder, moment=None):
    """Mounts that stand now, or stood at `moment`, in order of position."""
    found = holder.mounts.standing() if moment is None else holder.mounts.at(moment)
    return list(found.select_related("sample__owner", "sample__group", "by").order_by("position"))


def mount_document(mount, id_=""):
    """One mount in the layout document's words; what is not known is left out."""
    sample = mount.sample
    known = {
        "id": id_ or f"p{mount.position}",
        "footprint": footprint_of(
            sample, x_mm=mount.x_mm, y_mm=mount.y_mm, rotation_deg=mount.rotation_deg
        ),
        "thickness_mm": mount.thickness_mm,
        "form": sample.form,
        "composition": sample.composition,
        "wants": [want.strip() for want in sample.wants.split(",") if want.strip()],
        "mounting": mount.mounting,
        "mass_mg": sample.mass_mg,
        "surface_m2_g": sample.surface_m2_g,
        "max_temperature_c": sample.max_temperature_c,
        "loose_powder_removed": mount.loose_powder_removed,
        "stack_mm": [float(layer["mm"]) for layer in mount.stack],
    }
    return {name: value for name, value in known.items() if value not in (None, "", [])}


def instrument_document(instrument):
    """An instrument's height constants and beam in the layout document's words."""
    known = {
        "photon_energy_ev": instrument.photon_energy_ev,
        "spot_um": instrument.spot_um,
        "source_elevation_deg": instrument.source_elevation_deg,
        "z_ref_mm": instrument.z_ref_mm,
        "free_distance_mm": instrument.free_distance_mm,
        "margin_mm": instrument.margin_mm,
        "tape_mm": instrument.tape_mm,
        "tilt_axis_mm": instrument.tilt_axis_mm,
        "readout_sign": instrument.readout_sign,
    }
    return {name: value for name, value in known.items() if value is not None}


def layout_document(holder, mounts, instrument=None):
    """The holder with these mounts as one layout document."""
    document = {
        "holder": holder_document(holder),
        "mounts": [mount_document(mount) for mount in mounts],
    }
    if instrument is not None:
        document["instrument"] = instrument_document(instrument)
    return document


SPOT_MM = 5.2  # a free place is drawn so wide: a gloved finger finds it on the tablet


def draw(holder, mounts, seen, spots=()):
    """The drawing of a holder; a sample that the onlooker may not know of shows as its form.

    Takes: mounts in order of position; `seen`, by the mount's primary key; spots, (x, y) in mm of
    free places.
    """
    document = layout_document(holder, mounts)
    for mount, row in zip(mounts, document["mounts"], strict=True):
        row["name"] = mount.sample.title if seen[mount.pk] else "another group's sample"
    numbers = {f"p{mount.position}": str(mount.position) for mount in mounts}
    places = [layout.Footprint("disc", SPOT_MM, x_mm=x, y_mm=y) for x, y in spots]
    read = replace(layout.read_layout(document), rules=limits.in_force())
    return drawing.draw(read, code=holder.code, numbers=numbers, spots=places)


def draw_small(holder, mounts):
    """The drawing without names and numbers, for lists."""
    return drawing.draw_small(layout.read_layout(layout_document(holder, mounts)))


def _half(sample):
    """Radius of the smallest circle round a sample's footprint, in mm."""
    if sample.shape == "disc":
        return sample.diameter_mm / 2
    return math.hypot(sample.width_mm, sample.height_mm) / 2


def free_spot(holder, sample):
    """(x, y) in mm of the spot on a 0.5 mm grid that is farthest from everything mounted.

    A first suggestion: samples count as their surrounding circles, so it never overlaps where
    room is left, and prefers the middle of an empty holder. `arrange` does better for many.
    """
    kind = holder.type
    width = kind.diameter_mm if kind.shape == "disc" else kind.width_mm
    height = kind.diameter_mm if kind.shape == "disc" else kind.height_mm
    standing = [
        (mount.x_mm, mount.y_mm, _half(mount.sample))
        for mount in Mount.objects.standing().filter(holder=holder).select_related("sample")
    ]
    own = _half(sample)
    if not standing:
        return 0.0, 0.0
    best, best_room = (0.0, 0.0), -math.inf
    for row in range(int(height) * 2 + 1):
        y = row / 2 - height / 2
        for column in range(int(width) * 2 + 1):
            x = column / 2 - width / 2
            edge = (
                kind.diameter_mm / 2 - math.hypot(x, y)
                if kind.shape == "disc"
                else min(width / 2 - abs(x), height / 2 - abs(y))
            )
            room = min(
                edge - kind.edge_margin_mm - own,
                *(math.hypot(x - mx, y - my) - half - own for mx, my, half in standing),
            )
            if room > best_room + 1e-9:
                best, best_room = (x, y), room
    return best


def spots(holder, count):
    """(x, y) in mm of `count` places in a pattern: on a ring, one in the middle from seven on, or in a row.

    >>> from types import SimpleNamespace as Is
    >>> plate = Is(type=Is(shape="rectangle", width_mm=40, height_mm=10, edge_margin_mm=2))
    >>> spots(plate, 3)
    ((-13.0, 0.0), (0.0, 0.0), (13.0, 0.0))
    """
    kind = holder.type
    if kind.shape == "rectangle":
        room = kind.width_mm - 2 * kind.edge_margin_mm - 2 * RING_ROOM_MM
        pitch = min(room / max(count - 1, 1), 13.0)  # 8 samples in 105 mm is a common pitch
        return tuple((round((n - (count - 1) / 2) * pitch, 2), 0.0) for n in range(count))
    if count == 1:
        return ((0.0, 0.0),)
    on_ring = count if count < 7 else count - 1
    radius = max(kind.diameter_mm / 2 - kind.edge_margin_mm - RING_ROOM_MM, 0.0)
    turns = [2 * math.pi * n / on_ring for n in range(on_ring)]
    ring = tuple(
        (round(radius * math.sin(turn), 2), round(radius * math.cos(turn), 2)) for turn in turns
    )
    return ring if count < 7 else (*ring, (0.0, 0.0))


def free_spots(holder, mounts, count):
    """(number, x, y) of each place of the pattern on which nothing lies yet."""
    taken = {mount.position for mount in mounts}
    return [
        (number, x, y)
        for number, (x, y) in enumerate(spots(holder, count), 1)
        if number not in taken
        and all(math.hypot(x - m.x_mm, y - m.y_mm) > _half(m.sample) for m in mounts)
    ]


# What the rules find


def instrument_for(holder):
    """The instrument that a holder was in last, else the first: for heights and lines; or None."""
    been = (
        Whereabouts.objects.filter(holder=holder, place__instrument__isnull=False)
        .select_related("place__instrument")
        .first()
    )
    return been.place.instrument if been else Instrument.objects.first()


def last_change(mounts, holder):
    """When something was last mounted on a holder or taken off it, or None."""
    gone = holder.mounts.exclude(until=None).order_by("-until").values_list("until", flat=True)[:1]
    moments = [mount.since for mount in mounts] + list(gone)
    return max(moments, default=None)


def steps_done(holder, mounts):
    """The newest bench step of each kind since the holder was last changed.

    That picture and positions agree is asked again after a move, too.
    """
    changed = last_change(mounts, holder)
    steps = holder.steps.select_related("by")
    if changed is not None:
        steps = steps.filter(at__gte=changed)
    done = {step.kind: step for step in reversed(steps[:20])}
    moved = max((mount.moved_at for mount in mounts if mount.moved_at), default=None)
    agrees = done.get(BenchStep.Kind.AGREES)
    if agrees and moved and agrees.at < moved:
        del done[BenchStep.Kind.AGREES]
    return done


def layout_of(holder, mounts, instrument=None, *, names=None, rules=None):
    """The holder as the rules read it, under the limits in force."""
    document = layout_document(holder, mounts, instrument)
    for mount, row in zip(mounts, document["mounts"], strict=True):
        if names and names.get(mount.pk):
            row["name"] = names[mount.pk]
    return replace(layout.read_layout(document), rules=rules or limits.in_force())


def past_document(holder, mounts):
    """Mounts of different times beside one another: only what they are counts, not where."""
    rows = [mount_document(mount, f"m{mount.pk}") for mount in mounts]
    return {"holder": holder_document(holder), "mounts": rows}


def declared_of(sample):
    """What was declared of a sample, in the words of the rules."""
    named = tuple(
        word
        for word in (part.strip() for part in re.split(r"[,;]", sample.hazards))
        if word and word.casefold() not in ("none", "no", "not known")
    )
    known = {
        name: value
        for name, value in (sample.plans or {}).items()
        if name in Declared.__dataclass_fields__ and value is not None
    }
    return Declared(**known | {"hazards": named, "permit": bool(sample.permit) or None})


def assessed(holder, mounts, *, may_see=None, named=True, past=(), instrument=None, steps=None):
    """(findings, sentences about texts that nobody could read), gravest first.

    Takes:   may_see, whether the reader may know a sample (None: everything is computed);
             named, whether samples are called by their titles; past, what the chamber remembers;
             steps, as steps_done gives them.
    Returns: findings whose `about` holds p1, p2, ... A risk across groups stays, without the
             other group's composition.
    """
    if not mounts:
        return [], []
    may_see = may_see or (lambda sample: True)
    seen = {f"p{mount.position}": bool(may_see(mount.sample)) for mount in mounts}
    titles = {m.pk: m.sample.title for m in mounts if named and seen[f"p{m.position}"]}
    instrument = instrument or instrument_for(holder)
    steps = steps_done(holder, mounts) if steps is None else steps
    under = steps.get(BenchStep.Kind.GAUGE)
    surroundings = Surroundings(
        of=MappingProxyType({f"p{m.position}": declared_of(m.sample) for m in mounts}),
        past=(*memory.pasts_of(holder, mounts, past_document, seen=may_see), *past),
        blanks=memory.blanks_of(holder),
        hidden=frozenset(id_ for id_, known in seen.items() if not known),
        passes_gauge=under.passes if under else None,
        gauge_mm=under.gauge_mm if under else None,
    )
    unread = []
    found = risks.assess(
        layout_of(holder, mounts, instrument, names=titles),
        surroundings,
        on_problem=lambda refusal: unread.append(str(refusal)),
    )
    hides = {f"p{m.position}": m.sample.confidential for m in mounts if not seen[f"p{m.position}"]}
    findings = [_for_people(one, seen, hides) for one in found]
    readable = [
        said
        for said in unread
        if all(known or f"mount {id_}," not in said for id_, known in seen.items())
    ]
    return gravest_first(findings), [in_words(said) for said in readable]


def findings_of(holder, mounts, **more):
    """What the rules find on a holder as it stands; see `assessed`."""
    return assessed(holder, mounts, **more)[0]


def _for_people(finding, seen, hides):
    """A finding with positions for ids; of a sample that the reader may not know, only its rule."""
    about = [id_ for id_ in finding.about if id_ in seen]
    if about and finding.rule not in ("MEM-01", "HGT-02") and not any(seen[id_] for id_ in about):
        where = in_words(" and ".join(about))
        if any(hides[id_] for id_ in about):
            return replace(
                finding, says=f"{where}: ask staff.", do="", value=None, limit=None, source=""
            )
        return replace(
            finding,
            says=f"{where}, another group's: {RULES[finding.rule].title.lower()}.",
            do="Its owner and staff see the details.",
            value=None,
            limit=None,
        )
    if any(hides.get(id_) for id_ in about):
        others = [id_ for id_ in about if seen[id_]]
        return replace(
            finding,
            says=f"{in_words(' and '.join(others))}: ask staff about its neighbour.",
            do="",
        )
    return replace(finding, says=in_words(finding.says), do=in_words(finding.do))


def in_words(text):
    """p2 as position 2, a capital first.

    >>> in_words("p1 and Anatase A3 (p2) touch.")
    'Position 1 and Anatase A3 (position 2) touch.'
    """
    text = re.sub(r"\bp(\d+)\b", r"position \1", text)
    return text[:1].upper() + text[1:]


# Heights


def height_of(holder, mounts, instrument, steps):
    """(heights of the layout, what the gauge says, limit with the gauge's opening or None).

    The larger of measurement and gauge counts, so the limit is that of the gauge's opening.
    """
    if not mounts or instrument is None:
        return None, None, None
    read = layout_of(holder, mounts, instrument)
    found = heights.heights(read)
    under = steps.get(BenchStep.Kind.GAUGE)
    if under is None or found.height_mm is None:
        return found, None, found.max_mm
    measured = under.measured_mm if under.measured_mm is not None else found.height_mm
    said = heights.gauged(
        measured_mm=max(measured, found.height_mm), gauge_mm=under.gauge_mm, passes=under.passes
    )
    if said.height_mm is None or found.max_mm is None:
        return found, said, None
    free = min(read.instrument.free_distance_mm.values())
    with_gauge = heights.z_max(
        z_ref=read.instrument.z_ref_mm,
        free_distance=free,
        margin=read.instrument.margin_mm,
        height=max(said.height_mm, found.height_mm),
        readout_sign=read.instrument.readout_sign,
    )
    return found, said, with_gauge


def next_gauge(height_mm):
    """The smallest gauge under which this height should go, or None above all of them."""
    return next(
        (gauge for gauge in GAUGES_MM if height_mm is not None and height_mm <= gauge), None
    )
