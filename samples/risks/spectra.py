"""Sentences about lines, shared by mounting and overlaps."""

from functools import lru_cache

from facility.findings import NOTE
from samples.matter import lines
from samples.matter.mounts import find_mounting
from samples.matter.substances import elements
from samples.risks.registry import Hit

ALWAYS_THERE = ("C", "O")
"""Every surface that has seen air shows carbon and oxygen."""


def wanted_element(want, wanted):
    return wanted[0].element if wanted else want.split()[0]


INSIDE_EV = 0.5  # a smaller distance needs no word on chemical states; own choice


def by_element(case, specimen, wanted, others):
    """Interferences of the wanted components, nearest first, by the element they come from.

    The grey tier is about the main component; a weaker one of the doublet counts where a line
    is close to it.
    """
    return _by_element(
        wanted,
        tuple(others),
        case.photon_energy_ev,
        specimen.composition.elements if specimen.composition is not None else (),
        case.limit("overlap_near_ev"),
        case.limit("overlap_close_ev"),
    )


@lru_cache(maxsize=8192)
def _by_element(wanted, others, photon_energy_ev, partners, near_ev, close_ev):
    nearest = {}
    for line in wanted:
        for hit in lines.interferences(
            line,
            others,
            photon_energy_ev,
            partners=partners,
            near_ev=near_ev if line is wanted[-1] or line.is_auger else close_ev,
            close_ev=close_ev,
        ):
            known = nearest.get(str(hit.line))
            if known is None or _distance(hit) < _distance(known):
                nearest[str(hit.line)] = hit
    found = {}
    for hit in sorted(nearest.values(), key=_distance):
        found.setdefault(hit.line.element, []).append(hit)
    return tuple((element, tuple(hits)) for element, hits in found.items())


def _distance(hit):
    return hit.apart_ev, abs(hit.shift_ev)


def line_list(hits):
    """The interfering lines with their distance from the wanted one."""
    return listed([f"{hit.line}, {_how_far(hit)}" for hit in hits], "; ")


def _how_far(hit):
    """The distance of the two lines; a wanted line lies anywhere among its chemical states."""
    told = f"{abs(hit.shift_ev):.1f} eV away"
    inside = hit.apart_ev == 0 and abs(hit.shift_ev) >= INSIDE_EV
    return f"{told} but among its chemical states," if inside else told


def folded_note(case, specimen, folded, lead, more=""):
    """One note for all the grey hits of a mount."""
    nearest = min((hits[0] for _, hits in folded), key=lambda hit: hit.apart_ev)
    wants = {}
    for want, hits in folded:
        wants.setdefault(want, []).extend(hits)
    text = "; ".join(
        f"{want}: " + ", ".join(f"{hit.line} {abs(hit.shift_ev):.1f} eV away" for hit in hits)
        for want, hits in wants.items()
    )
    return Hit(
        (specimen.id,),
        NOTE,
        f"{specimen.called}: {lead} what you want ({text}){more}.",
        "Look at a second line of the same element.",
        nearest.apart_ev,
        case.limit("overlap_near_ev"),
        "eV",
    )


def alternate_advice(case, specimen, nearest, declared):
    """Which line to use instead: another of the wanted element, else one of the other's."""
    wanted, other = nearest.wanted.element, nearest.line.element
    shown = specimen.mounting.elements if specimen.mounting is not None else ()
    around = {*declared, *shown, *ALWAYS_THERE}
    offered = lines.alternates(
        wanted, sorted(around - {wanted}), case.photon_energy_ev, besides=(nearest.wanted,)
    )
    if offered:
        return f"Use {with_energy(offered[0])}."
    offered = lines.alternates(
        other, sorted(around - {other}), case.photon_energy_ev, besides=(nearest.line,)
    )
    if offered:
        return (
            f"No other line of {elements()[wanted].name} is free; {with_energy(offered[0])} tells "
            f"how much {elements()[other].name} there is."
        )
    return f"No line of {elements()[wanted].name} or {elements()[other].name} is free; ask staff."


def other_mounting(case, specimen, element):
    """Mounting media whose lines stay clear of every wanted line."""
    from_list = {"copper tape", "carbon tape", "indium foil", "gold foil", "tantalum clip"}
    clear = []
    for name in sorted(from_list - {specimen.mounting.name}):
        mounting = find_mounting(name)
        if element in mounting.elements:
            continue
        hits = (
            by_element(case, specimen, wanted, mounting.elements) for _, wanted in specimen.wants
        )
        wanted = {wanted_element(want, found) for want, found in specimen.wants}
        if not any(hits) and not wanted & set(mounting.elements):
            clear.append(name)
    others = listed(clear, ", ", " or ") if clear else "a pellet or a powder well"
    return f"Mount it on {others} instead, or make sure that it covers the {specimen.mounting}."


def with_energy(line):
    return f"{line} ({line.energy_ev:g} eV)"


def listed(words, between=", ", last=" and "):
    *first, final = words
    return f"{between.join(first)}{last}{final}" if first else final
