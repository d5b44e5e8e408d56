"""Steps of the demo's sessions in their order, each with the seconds that pass before it."""

LOADING = (
    # step, least and most seconds
    ("look_before_venting", 20, 60),
    ("shut_pump_valve", 8, 20),
    ("unlatch_door", 5, 15),
    ("open_nitrogen", 5, 20),
    ("open_vent", 10, 20),
    ("open_door", 180, 420),
    ("put_holder_in", 20, 90),
    ("close_door", 20, 60),
    ("shut_vent", 5, 10),
    ("shut_nitrogen", 5, 10),
    ("latch_door", 5, 15),
    ("open_pump_valve", 10, 40),
)
BENCH = (
    ("read_declarations", 20, 60),
    ("fresh_gloves", 20, 60),
    ("fix_samples", 30, 120),
    ("remove_loose_powder", 10, 60),
    ("measure_height", 20, 60),
    ("photograph_and_name", 20, 90),
)
TRANSFER = (
    ("below_threshold", 4, 20),
    ("gauge_off", 5, 15),
    ("analysis_side_safe", 15, 50),
    ("open_gate", 10, 30),
    ("arm_in", 30, 90),
    ("arm_home", 30, 60),
    ("close_gate", 5, 15),
)
UNLOADING = (
    ("below_threshold_out", 4, 20),
    ("gauge_off_out", 5, 15),
    ("analysis_side_safe_out", 15, 50),
    ("open_gate_out", 10, 30),
    ("arm_in_out", 30, 90),
    ("arm_home_out", 30, 60),
    ("close_gate_out", 5, 15),
    ("look_before_venting_out", 15, 40),
    ("shut_pump_valve_out", 8, 20),
    ("unlatch_door_out", 5, 15),
    ("open_nitrogen_out", 5, 20),
    ("open_vent_out", 10, 20),
    ("open_door_out", 180, 420),
    ("take_holder_out", 20, 60),
    ("close_door_out", 10, 40),
    ("shut_vent_out", 5, 10),
    ("shut_nitrogen_out", 5, 10),
    ("latch_door_out", 5, 15),
    ("pump_empty_chamber", 10, 40),
)
