"""GEO: where samples lie on a holder."""

from facility.findings import STOP, WARN
from samples import geometry
from samples.risks.registry import Hit, rule


@rule(
    "GEO-01",
    "Outside the usable area",
    "any of it past the edge of the usable area: stop",
    (STOP,),
    "geometry; the rim is for handling and clips: common practice, no source",
)
def outside(case):
    for id_, past in geometry.outside(case.layout):
        yield Hit(
            (id_,),
            STOP,
            f"{case.called(id_)} reaches {past:.2f} mm past the usable area of the holder.",
            "Move it inwards.",
            round(past, 4),
            0.0,
            "mm",
        )


@rule("GEO-02", "Overlap", "two share more than an edge: stop", (STOP,), "geometry")
def overlapping(case):
    for (one, other), clearance in case.clearances.items():
        if clearance >= -geometry.TOUCH_MM:
            continue
        yield Hit(
            (one, other),
            STOP,
            f"{case.called(one)} and {case.called(other)} overlap by {-clearance:.2f} mm.",
            "Move them apart.",
            round(-clearance, 4),
            0.0,
            "mm",
        )


@rule(
    "GEO-03",
    "Gap below the smallest allowed",
    "gap below min_gap_mm: warn; not where they overlap",
    (WARN,),
    "own proposal: two tape edges of 0.45 mm side by side with room for tweezers",
    limits=("min_gap_mm",),
)
def narrow_gap(case):
    least = case.limit("min_gap_mm")
    for (one, other), clearance in case.clearances.items():
        if not -geometry.TOUCH_MM <= clearance < least - geometry.TOUCH_MM:
            continue
        gap = max(clearance, 0.0)
        yield Hit(
            (one, other),
            WARN,
            f"{case.called(one)} and {case.called(other)} are {gap:.2f} mm apart; at least "
            f"{least:g} mm is kept.",
            "Move them apart.",
            round(gap, 4),
            least,
            "mm",
        )


@rule(
    "GEO-04",
    "Thicker than the holder type allows",
    "thickness of the sample itself above max_thickness_mm: stop",
    (STOP,),
    "the holder type's own limit",
)
def too_thick(case):
    most = case.layout.holder.max_thickness_mm
    for id_, thickness in geometry.too_thick(case.layout):
        yield Hit(
            (id_,),
            STOP,
            f"{case.called(id_)} is {thickness:g} mm thick; this holder takes {most:g} mm.",
            "Use a holder type for thick samples, or cut it down.",
            thickness,
            most,
            "mm",
        )
