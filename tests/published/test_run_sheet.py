"""The run sheet of the trade: every step, every condition and every hazard has its counterpart.

Steps, conditions and hazards: common practice, no source (from memory of the trade's habits); only
their order and what must be known before them are compared, the wording is our own.
"""

import json
from pathlib import Path

import pytest

from facility import interlocks

SHEETS = Path(interlocks.__file__).parent / "sheets"
SHEET = interlocks.read_text((SHEETS / "photoelectron.json").read_text())

# number: (steps of ours in their order, [(step, what it needs: gate or device=state)])
STEPS = {
    1: (["read_declarations"], ["findings_answered", "qualified"]),
    2: (["fresh_gloves"], []),
    3: (["fix_samples"], ["mount_shares_no_line"]),
    4: (["remove_loose_powder"], ["powder_answered"]),
    5: (["measure_height"], ["heights_agree"]),
    6: (["photograph_and_name"], ["positions_named"]),
    7: (
        ["look_before_venting", "shut_pump_valve"],
        ["gate_valve=closed", "arm=home", "gauge=off", "slot_free"],
    ),
    8: (
        ["unlatch_door", "open_nitrogen", "open_vent"],
        ["pump_valve=shut", "door=shut", "gate_valve=closed", "gauge=off", "gun_valve=shut"],
    ),
    9: (
        ["open_door", "put_holder_in", "close_door", "shut_vent", "shut_nitrogen", "latch_door"],
        ["introduction=air", "vent_valve=shut"],
    ),
    10: (
        ["open_pump_valve"],
        ["vent_valve=shut", "door=latched|shut", "gun_valve=shut", "gate_valve=closed"],
    ),
    11: (
        ["read_rough_gauge", "gauge_on", "below_threshold"],
        ["gauge_can_read", "introduction=unread|above|below", "below_threshold_and_fresh"],
    ),
    12: (["gauge_off"], []),
    13: (["analysis_side_safe"], ["sources=idle", "stage=load", "ion_gun=off"]),
    14: (
        ["open_gate", "arm_in"],
        [
            "introduction=below",
            "pump_valve=open",
            "gauge=off",
            "gauge_off",
            "below_threshold_and_fresh",
            "burst_within_limit",
            "slot_free",
            "gate_valve=open",
            "stage=load",
        ],
    ),
    15: (["arm_home", "close_gate"], ["arm=home"]),
    16: (["wait_for_recovery"], ["main_recovered"]),
    17: (["raise_stage"], ["height_set"]),
    18: (["xrays_on"], ["coolant_flows", "main_recovered"]),
    19: (["neutraliser_on"], ["main_recovered"]),
    20: (["measure"], ["reference_check_current"]),
    21: (
        ["lend_pump", "open_gun_valve"],
        ["pump_valve=shut", "gate_valve=closed", "introduction=unread|above|below"],
    ),
    22: (
        ["admit_argon", "gun_voltage_on"],
        ["gun_valve=open", "argon_steady", "powder_answered", "qualified"],
    ),
    23: (["gun_voltage_off", "argon_off", "neutraliser_off", "xrays_off"], []),
    24: (
        ["shut_gun_valve", "pump_line_back"],
        ["ion_gun=off", "argon_pumped_away", "gun_valve=shut"],
    ),
    25: (
        [
            "lower_stage",
            "read_rough_gauge_out",
            "gauge_on_out",
            "below_threshold_out",
            "gauge_off_out",
            "analysis_side_safe_out",
            "open_gate_out",
            "arm_in_out",
            "arm_home_out",
            "close_gate_out",
        ],
        ["stage=load", "introduction=below", "below_threshold_and_fresh"],
    ),
    26: (
        [
            "look_before_venting_out",
            "shut_pump_valve_out",
            "unlatch_door_out",
            "open_nitrogen_out",
            "open_vent_out",
            "open_door_out",
            "take_holder_out",
            "close_door_out",
            "shut_vent_out",
            "shut_nitrogen_out",
            "latch_door_out",
            "pump_empty_chamber",
        ],
        ["gate_valve=closed", "gauge=off"],
    ),
    27: (["hand_over"], ["fate_of_holder_said"]),
}

HAZARDS = {
    "gate open while the introduction chamber is at air": "gate_open_at_air",
    "gate open while the introduction chamber's pressure is not known fresh": "gate_open_unread",
    "gate open above the threshold": "gate_open_above_threshold",
    "gate closing on the arm": "gate_closed_on_arm",
    "gauge on at high pressure": "gauge_on_at_high_pressure",
    "pumping with the door open": "pumping_with_door_open",
    "vent open and pump line open": "vent_and_pump_open",
    "vent open and door latched at atmosphere": "vent_open_door_latched",
    "both valves of the shared pump open": "both_pump_valves_open",
    "gun valve open while the introduction chamber is at air": "gun_valve_open_at_air",
    "argon on without a pump": "argon_without_pump",
    "arm in with the stage not at load height": "arm_in_stage_not_at_load_height",
    "stage tilted or hot during transfer": "arm_in_stage_tilted_or_hot",
    "nitrogen left open at rest": "nitrogen_open_at_rest",
    "source on at rest": "source_on_at_rest",
}
KEPT_BY_REST = {
    "nitrogen_open_at_rest": ("nitrogen", "open"),
    "source_on_at_rest": ("sources", "xrays"),
}


def _needs(step):
    devices = {f"{device}={'|'.join(states)}" for device, states in step.requires.items()}
    return devices | set(step.gates)


@pytest.mark.parametrize("number", STEPS)
def test_given_a_step_of_the_trade_when_looked_for_then_the_sheet_has_it_with_its_conditions(
    number,
):
    names, conditions = STEPS[number]

    needed = set().union(*(_needs(SHEET.step_of[name]) for name in names))

    assert set(conditions) <= needed, set(conditions) - needed


def test_given_the_order_of_the_trade_when_compared_then_the_sheet_lists_the_same_order():
    order = [step.id for step in SHEET.steps if step.kind == "step"]
    wanted = [name for names, _ in STEPS.values() for name in names]

    assert [name for name in order if name in wanted] == wanted
    # tilting and heating stand in no step of the trade's list; two of its hazards are about them
    assert [name for name in order if name not in wanted] == [
        "tilt_stage",
        "level_stage",
        "heat_or_cool_stage",
        "stage_at_room_temperature",
    ]


def test_given_the_hazards_of_the_trade_when_looked_for_then_all_fifteen_are_excluded():
    never = {hazard.id for hazard in SHEET.never}

    for hazard in HAZARDS.values():
        if hazard in KEPT_BY_REST:
            device, state = KEPT_BY_REST[hazard]
            assert state in SHEET.devices[device]
            assert state not in SHEET.rest[device]
        else:
            assert hazard in never
    assert len(never) == 13
    shipped = json.loads((SHEETS / "hazards.json").read_text())["hazards"]
    assert {row["id"] for row in shipped} == set(HAZARDS.values())


def test_given_every_device_when_read_then_it_may_be_unknown():
    assert all("unknown" in states for states in SHEET.devices.values())
