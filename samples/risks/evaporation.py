"""VOL: what evaporates, creeps or melts."""

from facility.findings import STAFF, STOP
from facility.vacuum.units import in_words
from samples.matter import kinds, volatility
from samples.matter.substances import elements
from samples.risks.registry import Hit, rule
from samples.risks.spectra import listed


@rule(
    "VOL-01",
    "Vapour pressure of a declared elemental or molecular solid at the hottest planned temperature",
    "p>1e-5 torr stop; 1e-8<p<=1e-5 staff; p<=1e-8 pass at that temperature",
    (STOP, STAFF),
    "UMd chem sample page (UHV compatible <1e-8 torr, printed 10^8); philiphofmann.net (Cd, Hg "
    "never in UHV); numeric tiers are own",
    limits=("vapour_stop_torr", "vapour_staff_torr"),
)
def vapour_pressure(case):
    for specimen in case.specimens:
        for one in specimen.evaporations:
            severity = case.evaporates(one)
            if severity is None:
                continue
            limit = case.limit("vapour_stop_torr" if severity == STOP else "vapour_staff_torr")
            if one.torr is None:
                says = f"{specimen.called}: nobody can say how fast this evaporates: {one.why}."
                do = "Ask staff before loading."
            else:
                at_most = "up to " if one.at_most else ""
                says = (
                    f"{specimen.called}: at {one.temperature_c:g} °C {one.substance} evaporates at "
                    f"{at_most}{in_words(one.torr)} torr and will coat the chamber and the next sample."
                )
                do = (
                    "Keep it out of the vacuum, or plan a lower temperature."
                    if severity == STOP
                    else "Plan a lower temperature, or ask staff."
                )
            yield Hit((specimen.id,), severity, says, do, one.torr, limit, "torr", one.source)


@rule(
    "VOL-02",
    "Low-melting molecular film",
    "melting point < 80 C -> ask staff; not for chemisorbed monolayers, salts that are liquid, or metals",
    (STAFF,),
    "IITK XPS facility page",
    limits=("melting_low_c",),
)
def low_melting_film(case):
    limit = case.limit("melting_low_c")
    for specimen in case.specimens:
        composition = specimen.composition
        if composition is not None and volatility.melts_low(composition, limit):
            yield Hit(
                (specimen.id,),
                STAFF,
                f"{specimen.called}: {composition} melts at {composition.melting_c:g} °C; a "
                f"molecular film that melts below {limit:g} °C may evaporate.",
                "Ask staff before loading.",
                composition.melting_c,
                limit,
                "°C",
            )


@rule(
    "VOL-03",
    "Oil, grease, silicone, plasticised polymer present or used in preparation",
    "oil film: stop; silicone/plasticiser: staff + own holder + blank check after",
    (STOP, STAFF),
    "IITK (oil films disallowed); Asemblon sample guidelines; Appl. Surf. Sci. 227 (2004) 318",
)
def oil_and_silicone(case):
    for specimen in case.specimens:
        if specimen.composition is None:
            continue
        if oil := kinds.oil_or_grease(specimen.composition):
            yield Hit(
                (specimen.id,),
                STOP,
                f"{specimen.called} holds {oil}: it spreads through the whole chamber.",
                "Wash it off in a clean solvent, dry it, and say how.",
            )
        elif creeping := kinds.creeping(specimen.composition):
            yield Hit(
                (specimen.id,),
                STAFF,
                f"{specimen.called} holds {creeping}: it creeps over every surface around and may "
                f"be all that a spectrum shows.",
                "Ask staff; it needs a holder of its own and a blank check after.",
            )


@rule(
    "VOL-04",
    "Metal-halide, chalcogen and Hg/I/S/Se/Te/P/As compounds: unknown vapour pressure",
    "ask staff",
    (STAFF,),
    "own conservative rule",
)
def unknown_vapour_pressure(case):
    for specimen in case.specimens:
        if specimen.composition is None:
            continue
        found = volatility.unknown_compound(specimen.composition, specimen.mount.max_temperature_c)
        if found:
            names = listed([elements()[symbol].name for symbol in found])
            yield Hit(
                (specimen.id,),
                STAFF,
                f"{specimen.called}: nobody published how fast {specimen.composition} evaporates; "
                f"it holds {names}.",
                "Ask staff; a heated or sputtered sample is the risky case.",
            )
