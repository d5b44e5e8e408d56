"""OVL: lines of the sample and its neighbours on a wanted line."""

from facility.findings import NOTE, WARN
from samples.risks.neighbours import distance_wanted
from samples.risks.registry import Hit, rule
from samples.risks.spectra import (
    ALWAYS_THERE,
    alternate_advice,
    by_element,
    folded_note,
    line_list,
    wanted_element,
)


@rule(
    "OVL-01",
    "Core-level overlap, two tiers",
    "tier1 warn + suggest alternate line; tier2 note",
    (WARN, NOTE),
    "own test on xraydb 4.5.8",
    limits=("overlap_close_ev", "overlap_near_ev"),
)
def overlap(case):
    for specimen in case.specimens:
        if not specimen.wants:
            continue
        own = specimen.composition.elements if specimen.composition is not None else ()
        shown = specimen.mounting.elements if specimen.mounting is not None else ()
        declared = [*own, *(one for one in ALWAYS_THERE if one not in own and one not in shown)]
        folded = []
        for want, wanted in specimen.wants:
            for _, hits in by_element(case, specimen, wanted, declared):
                close = [hit for hit in hits if _is_close(case, hit)]
                if close:
                    yield _overlap_hit(case, specimen, want, close[0], hits, declared)
                else:
                    folded.append((want, hits))
        if folded:
            yield folded_note(case, specimen, folded, "other lines of the sample lie near")
        yield from _neighbour_lines(case, specimen, {*declared, *shown})


def _is_close(case, hit):
    return hit.both_principal and hit.apart_ev <= case.limit("overlap_close_ev")


def _overlap_hit(case, specimen, want, nearest, hits, declared):
    return Hit(
        (specimen.id,),
        WARN,
        f"{specimen.called}: {want} lies on {line_list(hits)}.",
        alternate_advice(case, specimen, nearest, declared),
        nearest.apart_ev,
        case.limit("overlap_close_ev"),
        "eV",
    )


def _neighbour_lines(case, specimen, already):
    """Lines of neighbours near enough for matter to cross over."""
    for other in case.specimens:
        if other is specimen or other.composition is None:
            continue
        wanted_mm, _ = distance_wanted(specimen, other, case.limit)
        near = wanted_mm is not None and case.gap(specimen, other) < wanted_mm
        if not near and not case.is_volatile(other):
            continue
        foreign = [one for one in other.composition.elements if one not in already]
        folded = []
        for want, wanted in specimen.wants:
            element = wanted_element(want, wanted)
            for _, hits in by_element(case, specimen, wanted, foreign):
                if element not in foreign:
                    folded.append((want, hits))
        if folded:
            closest = min((hits[0] for _, hits in folded), key=lambda hit: hit.apart_ev)
            severity = WARN if any(_is_close(case, h) for _, hits in folded for h in hits) else NOTE
            if other.id in case.surroundings.hidden:
                says = f"{specimen.called}: what lies beside it may hide a line you want."
            else:
                text = "; ".join(f"{line_list(hits)} on {want}" for want, hits in folded)
                says = f"{specimen.called}: its neighbour {other.called} shows {text}."
            yield Hit(
                (specimen.id, other.id),
                severity,
                says,
                "Move them apart, or ask staff.",
                closest.apart_ev,
                case.limit("overlap_close_ev" if severity == WARN else "overlap_near_ev"),
                "eV",
            )
