"""HGT: how far up the stage may go, focus and shadow."""

from facility.findings import NOTE, STOP, WARN
from samples import heights
from samples.risks.registry import Hit, rule


@rule(
    "HGT-01",
    "Stage height limit",
    "Z_requested>Z_max -> stop, no override",
    (STOP,),
    "own derivation",
    override="nobody",
)
def stage_height(case):
    found = heights.heights(case.layout)
    if found.max_mm is None:
        return
    sign = case.layout.instrument.readout_sign
    high = {
        id_: focus
        for id_, focus in found.focus_mm.items()
        if focus is not None and sign * focus > sign * found.max_mm
    }
    if not high:
        return
    highest = max(high, key=lambda id_: sign * high[id_])
    about = dict.fromkeys([found.tallest, *high])  # the tallest first, each once
    yield Hit(
        tuple(about),
        STOP,
        f"{_and_others(case, high, highest)} in focus at Z {high[highest]:g} mm, past the limit "
        f"{found.max_mm:g} mm ({found.formula}): the tallest thing on the holder decides, "
        f"{case.called(found.tallest)} at {found.height_mm:.2f} mm.",
        f"Put {case.called(found.tallest)} on another holder. This checks typing; set the stage's "
        f"own soft limit too.",
        high[highest],
        found.max_mm,
        "mm",
    )


def _and_others(case, high, highest):
    others = len(high) - 1
    if not others:
        return f"{case.called(highest)} is"
    return f"{case.called(highest)} and {others} other{'s' if others > 1 else ''} are"


@rule(
    "HGT-02",
    "Height measured and gauged",
    "disagreement -> ask again; does not pass -> stop",
    (STOP,),
    "own",
)
def height_gauged(case):
    surroundings = case.surroundings
    if surroundings.passes_gauge is not False:
        return
    tallest = heights.heights(case.layout).height_mm
    opening = surroundings.gauge_mm
    named = "the go/no-go gauge" if opening is None else f"the {opening:g} mm gauge"
    yield Hit(
        tuple(specimen.id for specimen in case.specimens),
        STOP,
        f"The holder does not pass under {named}.",
        "Measure the tallest point again, lower it, or use the next gauge.",
        tallest,
        opening,
        "mm",
    )


@rule(
    "HGT-03",
    "Focus tolerance",
    "re-optimise height on counts for every sample if thickness known worse than dz",
    (NOTE,),
    "own geometry",
    limits=("thickness_uncertainty_mm",),
)
def focus_tolerance(case):
    instrument = case.layout.instrument
    about = tuple(one.id for one in case.specimens if one.mount.thickness_mm is not None)
    if instrument is None or not about:
        return
    if instrument.spot_um is None or instrument.source_elevation_deg is None:
        return
    elevation = instrument.source_elevation_deg
    tolerance_um = heights.focus_tolerance(spot_um=instrument.spot_um, elevation_deg=elevation)
    known = case.limit("thickness_uncertainty_mm")
    if known <= tolerance_um / 1000:
        return
    shift = heights.beam_shift(rise=known, elevation_deg=elevation)
    yield Hit(
        about,
        NOTE,
        f"At {elevation:g}° a height wrong by {known:g} mm moves the {instrument.spot_um:g} µm "
        f"spot by {1000 * shift:.0f} µm; "
        f"half a spot is {tolerance_um:.0f} µm of height.",
        "Find the height on counts for each sample.",
        known,
        round(tolerance_um / 1000, 4),
        "mm",
    )


@rule("HGT-04", "Shadow", "distance<L -> warn", (WARN,), "own geometry")
def shadow(case):
    named = {specimen.id: specimen.called for specimen in case.specimens}
    for taller, lower, step, length, distance in heights.shadows(case.layout):
        yield Hit(
            (taller, lower),
            WARN,
            f"{named[taller]} stands {step:.2g} mm above {named[lower]} and shades {length:.2g} mm "
            f"behind it; they are {distance:.2f} mm apart.",
            "Move them apart, or turn the holder so that the beam comes from the other side.",
            round(distance, 3),
            round(length, 3),
            "mm",
        )
