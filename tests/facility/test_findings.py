import dataclasses
import math

import pytest

from facility.findings import SEVERITIES, Finding, gravest_first, rank, worst


def finding(severity, rule="PWD-01", about=("p1",)):
    return Finding(rule, about, severity, says="Loose powder is still there.")


def test_severities_go_from_note_to_stop():
    assert SEVERITIES == ("note", "warn", "staff", "stop")
    assert [rank(severity) for severity in SEVERITIES] == [0, 1, 2, 3]


def test_given_several_findings_when_asked_for_the_worst_then_the_gravest_severity_is_told():
    assert worst([finding("note"), finding("staff"), finding("warn")]) == "staff"
    assert worst([]) is None


def test_given_several_findings_when_sorted_then_the_gravest_come_first_and_ties_go_by_rule():
    mixed = [finding("note"), finding("stop", "VOL-01"), finding("stop", "MEM-01")]

    assert [each.rule for each in gravest_first(mixed)] == ["MEM-01", "VOL-01", "PWD-01"]


def test_given_a_finding_when_changed_then_it_refuses():
    with pytest.raises(dataclasses.FrozenInstanceError):
        finding("note").severity = "stop"


@pytest.mark.parametrize(
    ("wrong", "why"),
    [
        ({"severity": "danger"}, "not one of"),
        ({"about": "p1"}, "tuple of ids"),
        ({"says": ""}, "says nothing"),
        ({"value": math.nan}, "finite"),
        ({"limit": math.inf}, "finite"),
    ],
)
def test_given_a_wrong_field_when_a_finding_is_made_then_it_is_refused(wrong, why):
    fields = {"rule": "X", "about": ("p1",), "severity": "note", "says": "Something."}

    with pytest.raises(ValueError, match=why):
        Finding(**fields | wrong)


def test_given_a_finding_when_written_as_plain_values_then_the_ids_are_a_list():
    assert finding("warn").as_dict()["about"] == ["p1"]
