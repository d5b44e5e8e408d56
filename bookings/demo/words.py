"""Sentences that people of the demo write: notes, hand-overs, faults, answers. Invented."""

NOTES = (
    "Position {position} charges: neutraliser at 100 µA, 1 eV, peaks back where they belong.",
    "Focus re-done on counts at every position, the bar is not quite level.",
    "Survey first, then the lines asked for. Position {position} repeated at the end, no change seen.",
    "The window is dusty, hard to see the slot. Used the torch.",
    "Ran the reference foil before and after, within 0.03 eV.",
    "C 1s broader than last week on position {position}. Cleaned the tweezers in between.",
    "Had to wait for the pump to come up to speed, it hesitated at 70 %.",
    "Holder sat a little askew, took it out again and turned it by a quarter.",
    "Took position {position} twice: the first spot was beside the sample.",
    "Stage moves slowly in y today. No fault yet.",
    "Phone rang in between, so the times of two steps are a guess.",
    "Signal of position {position} low. Thinner than I thought, the substrate shows.",
    "Somebody has used the last of the copper tape, a new roll is in the drawer.",
    "Room is at 26 °C, the chiller hums.",
    "Nothing unusual.",
)
HANDOVERS = (
    "All at rest, holder out and in its box.",
    "All at rest. Chamber left under vacuum.",
    "Holder cleaned already. Next one finds everything closed.",
    "Gloves M are nearly finished.",
    "Nothing left inside. Nitrogen shut at the regulator.",
    "Handed over in order.",
    "",
    "",
)
LEFT_PUMPING = (
    "Left pumping overnight, gauge off. I transfer in the morning.",
    "Too slow for today. Stays in the introduction chamber until tomorrow, please do not vent.",
    "Loaded only; the next session is mine.",
)
FAULTS = (
    ("The arm is stiff half way in.", "Rail wiped and greased with vacuum grease, runs again."),
    ("Rough gauge jumps between two values.", "Plug was loose. Pushed in, watched for a day."),
    ("X-ray source trips at 12 mA.", "Filter of the coolant was full, changed."),
    ("Stage does not find its home in z.", "Limit switch cleaned."),
    ("Neutraliser shows no current.", "Cable was off after the service. On again, checked on PET."),
    ("Door seal looks worn, a hair was on it.", "Seal wiped and turned, new one ordered."),
    ("Oxygen monitor beeps, battery.", "Battery changed."),
    ("Camera at the window is dark.", "Lamp changed."),
    ("Nitrogen comes very slowly.", "Regulator was half shut."),
    ("Control program stopped while measuring.", "Restarted; sources were looked at by eye."),
)
CLEANINGS = (
    "isopropanol, wiped, dried in air",
    "ultrasonic bath: acetone, then isopropanol, 10 min each",
    "tape residue off with acetone, isopropanol, 30 min at 80 °C",
    "polished with 1200 paper, ultrasonic isopropanol",
)
BREAK, BAKE, PUMP_CHANGE = "Christmas break", "bake of the main chamber", "pump change"
STANDING_FAULT = "The wide-range gauge jumps for a minute when the turbo pump starts."
