"""BEM, FLU and ION: what X-rays and ions do to a sample."""

from facility.findings import NOTE, WARN
from samples.matter import kinds
from samples.risks.registry import Hit, rule


@rule(
    "BEM-01",
    "Beam-sensitive class",
    "high -> shortest exposure, repeat first scan last, fresh spots",
    (WARN,),
    "J. Appl. Polym. Sci. 41 (1990) 1451; xpsfitting.com Pd and Mo pages; ISO 18554:2016 contents "
    "list; Cu(II) from memory",
)
def beam_sensitive(case):
    for specimen in case.specimens:
        damage = kinds.beam_damage(specimen.composition) if specimen.composition else None
        if damage is not None:
            how, source = damage
            yield Hit(
                (specimen.id,),
                WARN,
                f"{specimen.called}: {specimen.composition} does not stand X-rays; {how}.",
                "Take the key region first, use fresh spots, repeat the first survey at the end.",
                source=source,
            )


@rule(
    "FLU-01",
    "Fluoropolymer or fluoro-organic",
    "own position; expect beam damage; blank if F matters next",
    (NOTE,),
    "low X-ray stability of PTFE: J. Appl. Polym. Sci. 41 (1990) 1451; spread to neighbours from "
    "memory",
    limits=("fluorine_beam_min",),
)
def fluorine(case):
    limit = case.limit("fluorine_beam_min")
    for specimen in case.specimens:
        if specimen.composition is None or not kinds.is_fluoro_organic(specimen.composition):
            continue
        minutes = specimen.declared.beam_minutes
        if minutes is not None and minutes <= limit and not specimen.declared.ion_gun:
            continue
        yield Hit(
            (specimen.id,),
            NOTE,
            f"{specimen.called}: fluorinated carbon breaks down under X-rays; fragments can reach "
            f"neighbours and the next blank.",
            "Give it a position of its own, and measure a blank if fluorine matters next.",
            minutes,
            None if minutes is None else limit,
            "" if minutes is None else "min",
        )


@rule(
    "ION-01",
    "Ion gun used on chemistry question",
    "warn",
    (WARN,),
    "Appl. Surf. Sci. 659 (2024) 159876; Plasma Process. Polym. 4 (2007) 773",
)
def ion_gun_on_chemistry(case):
    for specimen in case.specimens:
        declared = specimen.declared
        is_polymer = specimen.composition is not None and kinds.is_polymer(specimen.composition)
        asks = declared.question in ("oxidation state", "polymer")
        if declared.ion_gun and (asks or is_polymer):
            yield Hit(
                (specimen.id,),
                WARN,
                f"{specimen.called}: single argon ions reduce oxides and rewrite polymers; the "
                f"profile may be an artefact.",
                "Measure the untouched surface first, or ask for a cluster source.",
            )


@rule(
    "ION-02",
    "Argon expected in spectrum",
    "a fact shown on the page, never a finding",
    (NOTE,),
    "harwellxps.guru argon",
)
def argon_expected(case):
    return ()


def argon_fact(declared):
    """ION-02: the sentence a page shows where the ion gun is planned, else None.

    >>> from samples.matter.declared import Declared
    >>> argon_fact(Declared(ion_gun=True))[:12]
    'Argon (Ar 2p'
    """
    if not declared.ion_gun:
        return None
    return (
        "Argon (Ar 2p3/2 at 240.4 to 241.9 eV, Ar 2s near 319 eV) is from the gun, not from your "
        "sample."
    )
