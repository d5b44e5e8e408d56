"""The rules of the bench against the table they were agreed in: ids, conditions, severities.

rules.csv beside this file holds every rule with its title, threshold, severity and source.
"""

import csv
from pathlib import Path

import pytest

from samples.risks import RULES

with (Path(__file__).parent / "rules.csv").open(encoding="utf-8", newline="") as lines:
    AGREED = {row["id"]: row for row in csv.DictReader(lines)}

FAMILIES = ("VOL", "PWD", "OUT", "MNT", "XCN", "MEM", "FLU", "BEM", "ION", "OVL", "HGT", "HAZ")
OUR_TABLES_ONLY = {"OVL-02", "OVL-03"}
"""These check our own tables when they are made (test_lines.py); they are never shown."""

HERE = sorted(id_ for id_ in AGREED if id_.startswith(FAMILIES) and id_ not in OUR_TABLES_ONLY)


def test_every_rule_that_a_layout_decides_is_registered_and_no_other():
    assert {id_ for id_ in RULES if not id_.startswith("GEO")} == set(HERE)
    assert {id_ for id_ in RULES if id_.startswith("GEO")} == {
        "GEO-01",
        "GEO-02",
        "GEO-03",
        "GEO-04",
    }


@pytest.mark.parametrize("id_", HERE)
def test_titles_conditions_and_severities_are_those_agreed(id_):
    rule, agreed = RULES[id_], AGREED[id_]

    assert rule.title == agreed["title"]
    assert rule.condition == agreed["threshold"]
    assert "/".join(rule.severities) == agreed["severity"]


def test_the_stage_limit_has_no_override_and_hazards_are_the_safety_officers():
    assert RULES["HGT-01"].override == "nobody"
    assert RULES["HAZ-01"].override == "safety officer"
    others = {rule.override for id_, rule in RULES.items() if id_ not in ("HGT-01", "HAZ-01")}
    assert others == {"staff"}
