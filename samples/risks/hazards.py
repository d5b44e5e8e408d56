"""HAZ: what must be said of a sample before it comes."""

from facility.findings import NOTE, STAFF, STOP
from samples.matter import kinds
from samples.matter.substances import elements
from samples.risks.registry import Hit, rule

HAZARDS = (
    # word people use, severity without a permit, what it needs; the lists are the laboratory's
    ("explosive", STOP, "the safety officer"),
    ("radioactive", STOP, "a permit of the safety officer"),
    ("infectious", STOP, "a permit of the safety officer"),
    ("pyrophoric", STAFF, "staff beside you and an inert transfer"),
    ("water-reactive", STAFF, "staff beside you and an inert transfer"),
    ("water reactive", STAFF, "staff beside you and an inert transfer"),
    ("acutely toxic", STAFF, "staff, gloves and its own waste"),
    ("category 1", STAFF, "staff, gloves and its own waste"),
    ("category 2", STAFF, "staff, gloves and its own waste"),
    ("cmr", STAFF, "staff, extraction and its own waste"),
    ("carcinogenic", STAFF, "staff, extraction and its own waste"),
    ("nano", STAFF, "staff, extraction and a wet wipe after"),
    ("hf", STAFF, "staff who know first aid for hydrogen fluoride"),
    ("toxic", NOTE, "gloves, its own waste and a disposal line"),
)


@rule(
    "HAZ-01",
    "Hazard declaration",
    "lists are the laboratory's",
    (STOP, STAFF, NOTE),
    "IITK page; ASTM E1829 (SDS with specimen)",
    limits=("nano_nm",),
    override="safety officer",
)
def hazard_declared(case):
    for specimen in case.specimens:
        for hazard in _hazards(case, specimen):
            found = next((row for row in HAZARDS if row[0] in hazard.casefold()), None)
            severity, needs = found[1:] if found else (NOTE, "a look at its safety data sheet")
            if severity == STOP and specimen.declared.permit and found[0] != "explosive":
                severity, needs = STAFF, "its permit shown to staff"
            yield Hit(
                (specimen.id,),
                severity,
                f"{specimen.called} is declared {hazard}: it needs {needs} before it may come.",
                "Ask the safety officer." if severity == STOP else "Show it to staff first.",
            )


def _hazards(case, specimen):
    """Declared hazards, and those that the composition or the grain size tells."""
    named = list(specimen.declared.hazards)
    composition = specimen.composition
    said = " ".join(named).casefold()
    if composition is not None and "radioactive" not in said:
        for symbol in kinds.radioactive_elements(composition):
            named.append(f"radioactive ({elements()[symbol].name})")
    if composition is not None and "hf-former" in composition.classes and "hf" not in said:
        named.append("HF former")
    size = specimen.declared.particle_nm
    is_nano = size is not None and size < case.limit("nano_nm") and specimen.is_powder
    if is_nano and "nano" not in said:
        named.append(f"nano powder ({size:g} nm)")
    return named
