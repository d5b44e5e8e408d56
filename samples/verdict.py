"""What the rules say of one sample by itself, before it is mounted: the number behind each word."""

from dataclasses import dataclass, replace

from facility.errors import Refused
from facility.findings import Finding, gravest_first
from facility.vacuum import units
from samples import bench, layout, limits, risks
from samples.matter import volatility
from samples.matter.composition import parse
from samples.matter.declared import Surroundings

ALONE = ("GEO", "XCN", "HGT", "MEM", "PWD-01", "MNT")  # rules that ask for a holder
HOUSE_DISC = {"shape": "disc", "diameter_mm": 10_000}


@dataclass(frozen=True)
class Vapour:
    """One substance at its hottest: pressure against the two limits [torr], passes or not."""

    says: str
    severity: str  # "" where it passes


@dataclass(frozen=True)
class Verdict:
    """Vapour pressures, water, and every finding on the sample alone; what could not be read."""

    vapours: tuple[Vapour, ...]
    water: str
    findings: tuple[Finding, ...]
    unread: tuple[str, ...]

    @property
    def severity(self):
        return self.findings[0].severity if self.findings else ""


def verdict_of(sample):
    """The Verdict on a sample, described or about to be; the rules in force, no holder."""
    rules, unread = limits.in_force(), []
    row = {
        "id": "p1",
        "footprint": {"shape": "disc", "diameter_mm": 1, "x_mm": 0, "y_mm": 0},
        "form": sample.form,
        "composition": sample.composition,
        "wants": [want.strip() for want in sample.wants.split(",") if want.strip()],
        "mass_mg": sample.mass_mg,
        "surface_m2_g": sample.surface_m2_g,
        "max_temperature_c": sample.max_temperature_c,
        "loose_powder_removed": True,
        "name": sample.title,
    }
    row = {name: value for name, value in row.items() if value not in (None, "", [])}
    read = replace(
        layout.read_layout(
            {"holder": HOUSE_DISC, "instrument": {"photon_energy_ev": 1486.6}, "mounts": [row]}
        ),
        rules=rules,
    )
    around = Surroundings(of={"p1": bench.declared_of(sample)})
    found = risks.assess(read, around, on_problem=lambda problem: unread.append(str(problem)))
    kept = [
        replace(one, says=one.says.replace(f"{sample.title} (p1)", sample.title))
        for one in found
        if not one.rule.startswith(ALONE)
    ]
    return Verdict(
        _vapours(sample, rules),
        _water(sample, rules),
        tuple(gravest_first(kept)),
        tuple(said.replace(" of mount p1", "") for said in unread),
    )


def _vapours(sample, rules):
    try:
        composition = parse(sample.composition) if sample.composition else None
    except Refused:
        return ()
    if composition is None:
        return ()
    return tuple(
        _vapour(one, rules)
        for one in volatility.evaporations(composition, sample.max_temperature_c)
    )


def _vapour(one, rules):
    staff, stop = rules["vapour_staff_torr"], rules["vapour_stop_torr"]
    severity = volatility.severity_of(one, staff_torr=staff, stop_torr=stop) or ""
    word = {"": "passes", "staff": "ask staff", "stop": "stop"}[severity]
    if one.torr is None:
        return Vapour(f"{one.substance} at {one.temperature_c:g} °C: {one.why}", severity)
    at_most = "at most " if one.at_most else ""
    return Vapour(
        f"{one.substance} at {one.temperature_c:g} °C: {at_most}{units.in_words(one.torr)} torr, {word} "
        f"(passes up to {units.in_words(staff)}, stop above {units.in_words(stop)} torr)",
        severity,
    )


def _water(sample, rules):
    """Water that a porous sample brings, in words, where mass and surface are known."""
    if not sample.mass_mg or not sample.surface_m2_g:
        return ""
    area = volatility.sample_area_m2(sample.mass_mg, sample.surface_m2_g)
    load = volatility.water_load(area, rules["pump_speed_l_s"] or 1e-9)
    return (
        f"{sample.mass_mg:g} mg at {sample.surface_m2_g:g} m²/g can hold {load.gas_pa_l:.2g} Pa·L of "
        f"water, as much as {volatility.bare_holders(load.gas_pa_l):.2g} bare holders; pumping it "
        f"off takes about {load.hours:.1f} h"
    )
