"""Every severity that a rule of the bench was agreed to have is reached by a holder, and no other."""

import pytest

from samples.matter.declared import Blank, Past
from samples.risks import RULES
from tests.samples.test_risks import INSTRUMENT, mount, severities

FACTS = {"ION-02"}  # shown on the page of a sample, never a finding
NEAR = [mount("p1", 0, form="film"), mount("p2", 6, form="film")]

# (rule, severity): mounts, and what is declared or stands around them
CASES = {
    ("VOL-01", "stop"): ([mount(composition="Hg")], {}),
    ("VOL-01", "staff"): ([mount(composition="Zn", max_temperature_c=150)], {}),
    ("VOL-02", "staff"): ([mount(composition="stearic acid")], {}),
    ("VOL-03", "stop"): ([mount(composition="mineral oil")], {}),
    ("VOL-03", "staff"): ([mount(composition="PDMS")], {}),
    ("VOL-04", "staff"): ([mount(composition="CdSe")], {}),
    ("PWD-01", "stop"): ([mount(form="powder", loose_powder_removed=False)], {}),
    ("PWD-02", "stop"): ([mount(form="powder")], {"declared": {"ion_gun": True}}),
    ("PWD-02", "staff"): ([mount(form="pellet")], {"declared": {"ion_gun": True}}),
    ("PWD-03", "staff"): (
        [mount(form="powder", composition="Fe3O4")],
        {"declared": {"magnetic": True, "extracted": True}},
    ),
    ("PWD-04", "warn"): (
        [mount(form="powder")],
        {"declared": {"particle_nm": 30.0, "extracted": False}},
    ),
    ("OUT-01", "warn"): ([mount(form="porous powder", mass_mg=5, surface_m2_g=50)], {}),
    ("OUT-02", "stop"): (
        [mount(form="electrode")],
        {"declared": {"immersed": True, "dried": False}},
    ),
    ("OUT-02", "staff"): (
        [mount(form="electrode")],
        {"declared": {"immersed": True, "dried": True, "rinsed": False}},
    ),
    ("MNT-01", "warn"): (
        [mount(composition="Cu2O", wants=["Cu 2p"], mounting="copper tape")],
        {"instrument": INSTRUMENT},
    ),
    ("MNT-01", "note"): (
        [mount(composition="TiO2", wants=["O 1s"], mounting="carbon tape")],
        {"instrument": INSTRUMENT},
    ),
    ("MNT-02", "warn"): ([mount(size_mm=1.0)], {"instrument": INSTRUMENT}),
    ("MNT-03", "stop"): ([mount(mounting="indium foil", max_temperature_c=200)], {}),
    ("XCN-01", "warn"): (NEAR, {}),
    ("MEM-01", "stop"): ([mount()], {"past": (Past("PDMS", "silicone", "3 Mar"),)}),
    ("MEM-02", "warn"): ([mount()], {"blanks": (Blank("Si", 2.0, 0.1, 0.1, seen_twice=True),)}),
    ("BEM-01", "warn"): ([mount(composition="PTFE")], {}),
    ("FLU-01", "note"): ([mount(composition="PTFE")], {}),
    ("ION-01", "warn"): (
        [mount(composition="NiO")],
        {"declared": {"ion_gun": True, "question": "oxidation state"}},
    ),
    ("OVL-01", "warn"): (
        [mount(composition="RuO2", wants=["Ru 3d"])],
        {"instrument": INSTRUMENT},
    ),
    ("OVL-01", "note"): (
        [mount(composition="MoS2", wants=["Mo 3d"])],
        {"instrument": INSTRUMENT},
    ),
    ("HGT-01", "stop"): (
        [
            mount("p1", 0, thickness_mm=0.42, mounting="copper tape"),
            mount("p2", 20, thickness_mm=7.42, mounting="copper tape"),
        ],
        {"instrument": INSTRUMENT},
    ),
    ("HGT-02", "stop"): ([mount()], {"passes_gauge": False, "gauge_mm": 3.0}),
    ("HGT-03", "note"): ([mount(thickness_mm=1)], {"instrument": INSTRUMENT | {"spot_um": 100}}),
    ("HGT-04", "warn"): (
        [
            mount("p1", 0, thickness_mm=2.5, mounting="none"),
            mount("p2", 5.9, thickness_mm=0.5, mounting="none"),
        ],
        {"instrument": INSTRUMENT},
    ),
    ("HAZ-01", "stop"): ([mount()], {"declared": {"hazards": ("explosive",)}}),
    ("HAZ-01", "staff"): ([mount()], {"declared": {"hazards": ("pyrophoric",)}}),
    ("HAZ-01", "note"): ([mount()], {"declared": {"hazards": ("toxic",)}}),
    ("GEO-01", "stop"): ([mount(x_mm=39.0)], {}),
    ("GEO-02", "stop"): ([mount("p1", 0), mount("p2", 2)], {}),
    ("GEO-03", "warn"): (
        [mount("p1", 0), mount("p2", 4.5)],
        {"rules": {"min_gap_mm": 1.0}},
    ),
    ("GEO-04", "stop"): ([mount(thickness_mm=6.5)], {}),
}


def test_every_agreed_severity_has_a_holder_that_reaches_it():
    agreed = {(id_, each) for id_, rule in RULES.items() for each in rule.severities}

    assert CASES.keys() == {pair for pair in agreed if pair[0] not in FACTS}


@pytest.mark.parametrize(("rule", "severity"), CASES)
def test_a_holder_reaches_exactly_this_severity(rule, severity):
    mounts, around = CASES[rule, severity]

    assert set(severities(rule, *mounts, **around)) == {severity}
