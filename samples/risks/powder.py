"""PWD: powder that falls off, is blown off or lifted by a magnet."""

from facility.findings import STAFF, STOP, WARN
from samples.matter import kinds
from samples.risks.case import POWDERS
from samples.risks.registry import Hit, rule


@rule(
    "PWD-01",
    "Loose powder removed",
    "not done -> cannot load",
    (STOP,),
    "common practice, no source; morechemistry.com XPS policy (blown-away powder reaches the pump)",
)
def loose_powder(case):
    for specimen in case.specimens:
        if specimen.is_loose:
            yield Hit(
                (specimen.id,),
                STOP,
                f"{specimen.called}: loose powder is not off yet. What falls off under vacuum "
                f"reaches valves, pumps and the analyser.",
                "Tap it off upside down in the extraction, press again, then say how it was done.",
            )


@rule(
    "PWD-02",
    "Ion etching of powder",
    "loose powder: stop; pressed, embedded or sintered: staff",
    (STOP, STAFF),
    "morechemistry.com policy (never); IITK (no sputtering of loose powder)",
)
def ion_etching_of_powder(case):
    for specimen in case.specimens:
        if not specimen.declared.ion_gun or specimen.mount.form not in (*POWDERS, "pellet"):
            continue
        is_loose = specimen.is_loose
        yield Hit(
            (specimen.id,),
            STOP if is_loose else STAFF,
            f"{specimen.called} is {'loose' if is_loose else 'pressed'} powder and the ion gun is "
            f"planned: the beam blows powder into the chamber and the pumps.",
            "Press it into a pellet or embed it first." if is_loose else "Ask staff first.",
        )


@rule(
    "PWD-03",
    "Ferromagnetic powder or magnet with magnetic lens/neutraliser",
    "staff; magnetic lens off or powder immobilised (pellet, embedded)",
    (STAFF,),
    "xpslibrary.com mesh note: a nickel mesh moves up and down under a magnetic lens; extension "
    "to powder from memory",
)
def magnetic_powder(case):
    for specimen in case.specimens:
        composition, declared = specimen.composition, specimen.declared
        if declared.magnetic_lens is False:
            continue
        is_magnet = composition is not None and kinds.is_magnet(composition)
        pulled = declared.magnetic
        if pulled is None:
            pulled = composition is not None and kinds.is_ferromagnetic(composition)
        if is_magnet or (pulled and specimen.is_powder):
            what = "a permanent magnet" if is_magnet else "ferromagnetic powder"
            yield Hit(
                (specimen.id,),
                STAFF,
                f"{specimen.called} is {what}: a magnetic lens can lift grains, and its field "
                f"bends slow electrons.",
                "Ask staff: the magnetic lens stays off, or the powder is pressed or embedded.",
            )


@rule(
    "PWD-04",
    "Nanopowder handling outside local extraction",
    "warn; follow local nano rules",
    (WARN,),
    "ISO 20579-4 / GB/T 42658.4 scope (nano-object reporting); control measures from memory",
    limits=("nano_nm",),
)
def nanopowder(case):
    limit = case.limit("nano_nm")
    for specimen in case.specimens:
        size = specimen.declared.particle_nm
        if size is None or size >= limit or specimen.declared.extracted is not False:
            continue
        yield Hit(
            (specimen.id,),
            WARN,
            f"{specimen.called}: grains of {size:g} nm were handled outside the extraction.",
            "Weigh, press and shake off in the extracted bench, wet-wipe after.",
            size,
            limit,
            "nm",
        )
