"""XCN and MEM: what passes from one sample to the next, on a holder or after it."""

from itertools import combinations

from facility.findings import STOP, WARN
from samples import geometry
from samples.matter import kinds
from samples.matter.substances import elements
from samples.risks.case import read_case
from samples.risks.registry import Hit, rule


@rule(
    "XCN-01",
    "Distance between samples",
    "settings without a published source: solids 3 mm, pressed powder 2 mm, loose or sputtered "
    "5 to 8 mm, nothing beside a volatile class",
    (WARN,),
    "no published distance found; UMd page implies a 13 mm pitch (8 samples in 105 mm); defaults own",
    limits=(
        "distance_solid_mm",
        "distance_pressed_powder_mm",
        "distance_loose_powder_mm",
        "distance_sputtered_mm",
    ),
)
def distance_between(case):
    for one, other in combinations(case.specimens, 2):
        if case.clearance(one, other) < -geometry.TOUCH_MM:
            continue  # GEO-02 says so
        distance = case.gap(one, other)
        wanted, why = distance_wanted(one, other, case.limit)
        if wanted is None or distance >= wanted - geometry.TOUCH_MM:
            continue
        yield Hit(
            (one.id, other.id),
            WARN,
            f"{one.called} and {other.called} are {distance:.2f} mm apart; {why} keeps "
            f"{wanted:g} mm from its neighbours.",
            "Move them apart, or put one on another holder.",
            round(distance, 3),
            wanted,
            "mm",
        )
    for specimen in case.specimens:
        others = [other for other in case.specimens if other is not specimen]
        if not others or not case.is_volatile(specimen):
            continue
        nearest = min(others, key=lambda other: case.gap(specimen, other))
        yield Hit(
            (specimen.id, nearest.id),
            WARN,
            f"{specimen.called} may spread over the holder; {nearest.called} lies "
            f"{case.gap(specimen, nearest):.2f} mm from it.",
            "Give it a holder of its own.",
            round(case.gap(specimen, nearest), 3),
            None,
            "mm",
        )


def distance_wanted(one, other, limit):
    """Distance that two specimens should keep [mm] and the reason in words; (None, "") without forms.

    Takes: limit, a function that gives a limit by its name.
    """
    wanted = [found for each in (one, other) if (found := _own_distance(each, limit))]
    return max(wanted, default=(None, ""))


def wanted_apart(layout, surroundings=None):
    """A function of two mounts that says how far apart a risk wants them [mm], 0 for no risk.

    For arranging: risky is a pair of which one may spread (loose, sputtered, volatile, residue)
    and the other is of another form or composition.
    """
    case = read_case(layout, surroundings, on_problem=lambda refusal: None)
    by_id = {specimen.id: specimen for specimen in case.specimens}
    spreads = {id_: _spreads(case, specimen) for id_, specimen in by_id.items()}

    def wanted(one, other):
        pair = by_id[one.id], by_id[other.id]
        if not spreads[one.id] and not spreads[other.id]:
            return 0.0
        if (one.form, one.composition) == (other.form, other.composition):
            return 0.0
        distance, _ = distance_wanted(*pair, case.limit)
        return max(distance or 0.0, case.limit("distance_loose_powder_mm"))

    return wanted


def _spreads(case, specimen):
    return (
        specimen.is_powder
        or specimen.mount.form == "residue"
        or bool(specimen.declared.ion_gun)
        or case.is_volatile(specimen)
    )


def _own_distance(specimen, limit):
    form = specimen.mount.form
    if form is None:
        return None
    if specimen.declared.ion_gun:
        return limit("distance_sputtered_mm"), "a sample that will be sputtered"
    if specimen.is_loose:
        return limit("distance_loose_powder_mm"), "loose powder"
    if specimen.is_powder or form == "pellet":
        return limit("distance_pressed_powder_mm"), "pressed powder"
    if form == "residue":
        return limit("distance_loose_powder_mm"), "a residue"
    return limit("distance_solid_mm"), "a solid sample"


@rule(
    "MEM-01",
    "Holder and chamber memory",
    "open until a cleaning record (method, two taps); a blank too after silicone, Hg, I2, S8; a "
    "holder dedicated to a group or material class is exempt inside that class",
    (STOP,),
    "own",
)
def memory(case):
    about = tuple(specimen.id for specimen in case.specimens)
    for past in case.surroundings.past:
        if not past.is_open:
            continue
        since = (
            "was cleaned since, but no blank was measured"
            if past.cleaned
            else "has not been cleaned since"
        )
        yield Hit(
            about,
            STOP,
            f"This {past.where} carried {past.what} on {past.when} and {since}.",
            "Measure a blank and record it." if past.cleaned else "Clean it and record the method.",
        )


def remembered_as(specimen):
    """Kinds of risk that a holder remembers of a specimen: the `kind` of a Past.

    Source: own proposal: silicone, halide and iodine, mercury, sulfur, selenium, fluoro-organic,
            loose powder.
    """
    found = []
    composition = specimen.composition
    if composition is not None:
        if "silicone" in composition.classes:
            found.append("silicone")
        if kinds.is_fluoro_organic(composition):
            found.append("fluoro-organic")
        volatile = {"Hg": "mercury", "I": "iodine", "Se": "selenium"}
        found += [kind for symbol, kind in volatile.items() if symbol in composition]
        if composition.elements == ("S",):
            found.append("sulfur")
    if specimen.is_loose:
        found.append("loose powder")
    return tuple(found)


@rule(
    "MEM-02",
    "Blank check after a risky sample",
    "at.% above the larger of mean+3s of blanks and 0.5 at.% (setting), seen again on a second spot",
    (WARN,),
    "own; own proposal",
    limits=("blank_at_percent",),
)
def blank_check(case):
    for blank in case.surroundings.blanks:
        limit = max(blank.mean + 3 * blank.spread, case.limit("blank_at_percent"))
        if blank.at_percent > limit and blank.seen_twice:
            yield Hit(
                (),
                WARN,
                f"The clean blank shows {elements()[blank.element].name}: {blank.at_percent:.2g} "
                f"at.%, above the usual {limit:.2g} at.%.",
                "Clean holder and tools, and measure the blank again.",
                blank.at_percent,
                round(limit, 3),
                "at.%",
            )
