"""MNT: what holds a sample hides it, is seen beside it, or melts."""

from facility.findings import NOTE, STOP, WARN
from samples import geometry
from samples.matter.substances import elements
from samples.risks.registry import Hit, rule
from samples.risks.spectra import (
    ALWAYS_THERE,
    by_element,
    folded_note,
    line_list,
    listed,
    other_mounting,
    wanted_element,
)


@rule(
    "MNT-01",
    "Mounting medium hides the analyte",
    "for wanted lines only: the line's element is in the mount, or overlap<=3 eV: warn; <=9 eV: note",
    (WARN, NOTE),
    "xpsdatabase In table (In 4p over Al 2p/Cu 3p, In 4s over Al 2s, In 3d over Ti 2p, In 3p over "
    "Fe 2p); own for Cu and C tape",
    limits=("overlap_close_ev", "overlap_near_ev"),
)
def mount_hides_analyte(case):
    for specimen in case.specimens:
        mounting = specimen.mounting
        if mounting is None or not mounting.elements:
            continue
        folded, everywhere = [], []
        for want, wanted in specimen.wants:
            element = wanted_element(want, wanted)
            if element in mounting.elements and _is_everywhere(specimen, element):
                everywhere.append(want)
                continue
            if element in mounting.elements:
                yield Hit(
                    (specimen.id,),
                    WARN,
                    f"{specimen.called}: the {mounting} shows {elements()[element].name} itself; a "
                    f"gap in the sample will look like your {want}.",
                    other_mounting(case, specimen, element),
                    0.0,
                    case.limit("overlap_close_ev"),
                    "eV",
                )
                continue
            for _, hits in by_element(case, specimen, wanted, mounting.elements):
                if close := [hit for hit in hits if _is_close(case, hit)]:
                    yield Hit(
                        (specimen.id,),
                        WARN,
                        f"{specimen.called}: the {mounting} shows {line_list(close)} on your {want}; a "
                        f"gap in the sample will look like {elements()[element].name}.",
                        other_mounting(case, specimen, element),
                        min(_distance(hit) for hit in close),
                        case.limit("overlap_close_ev"),
                        "eV",
                    )
                else:
                    folded.append((want, hits))
        if folded:
            lead = f"the {mounting} shows lines near"
            yield folded_note(case, specimen, folded, lead, _as_the_air(everywhere))
        elif everywhere:
            yield Hit(
                (specimen.id,),
                NOTE,
                f"{specimen.called}: the {mounting} shows at gaps{_as_the_air(everywhere)}.",
                "Cover the mount wholly, or choose one without it where the amount matters.",
                0.0,
                case.limit("overlap_near_ev"),
                "eV",
            )


def _is_close(case, hit):
    """Whether a mount's line is close enough to warn."""
    return _distance(hit) <= case.limit("overlap_close_ev")


def _distance(hit):
    """How far a mount's line lies away [eV]; a broad Auger line counts at its own place only."""
    return abs(hit.shift_ev) if hit.line.is_auger else hit.apart_ev


def _is_everywhere(specimen, element):
    """Whether a wanted carbon or oxygen line is no more hidden by the mount than by the air.

    Every surface that saw air shows both; the mount counts where it is made of the element and
    the sample is too, as with graphene on carbon tape.
    """
    if element not in ALWAYS_THERE:
        return False
    if element in specimen.mounting.adhesive:
        return True
    return specimen.composition is not None and element not in specimen.composition


def _as_the_air(wants):
    return f" and adds to your {listed(wants)}, as the air does" if wants else ""


@rule(
    "MNT-02",
    "Sample smaller than beam plus tails",
    "ratio<5 warn, <2 listed first (5 and 2 are lab settings)",
    (WARN,),
    "arXiv:1605.02692 (quantitative lateral resolution significantly larger than nominal "
    "diameter); arXiv:2006.03405; ratios own",
    limits=("spot_ratio", "spot_ratio_first"),
)
def smaller_than_beam(case):
    if case.spot_um is None:
        return
    hits = []
    for specimen in case.specimens:
        width_um = 1000 * geometry.least_width(specimen.mount.footprint)
        ratio = width_um / case.spot_um
        if ratio >= case.limit("spot_ratio"):
            continue
        first = ratio < case.limit("spot_ratio_first")
        hits.append(
            Hit(
                (specimen.id,),
                WARN,
                f"{specimen.called} is {width_um:.0f} µm across, {ratio:.2g} times the "
                f"{case.spot_um:g} µm spot: the beam has tails, so tape and holder add signal"
                f"{' and may be most of it' if first else ''}.",
                "Choose a smaller spot, or a mount without the elements you want.",
                round(ratio, 3),
                case.limit("spot_ratio"),
                "spots",
            )
        )
    yield from sorted(hits, key=lambda hit: hit.value)


@rule(
    "MNT-03",
    "Mounting material above its temperature limit",
    "tape: its maker's sheet; indium melts at 156.6 C",
    (STOP,),
    "indium melting point: handbook value, from memory",
)
def mount_too_hot(case):
    for specimen in case.specimens:
        planned, mounting = specimen.mount.max_temperature_c, specimen.mounting
        if planned is None or mounting is None or mounting.max_temperature_c is None:
            continue
        if planned > mounting.max_temperature_c:
            yield Hit(
                (specimen.id,),
                STOP,
                f"{specimen.called}: the {mounting} does not stand {planned:g} °C; its limit is "
                f"{mounting.max_temperature_c:g} °C.",
                "Plan a lower temperature, or mount it with a clip.",
                planned,
                mounting.max_temperature_c,
                "°C",
                mounting.source,
            )
