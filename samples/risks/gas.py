"""OUT: water in pores and wet samples."""

from facility.findings import STAFF, STOP, WARN
from samples.matter import volatility
from samples.risks.registry import Hit, rule


@rule(
    "OUT-01",
    "Water load of porous sample",
    "Q>5 Pa L warn; Q>20 Pa L: pump overnight, scaled by the instrument's own porous loads; never a stop",
    (WARN,),
    "own calculation; water cross-section 0.125 nm2 from memory; thresholds own",
    limits=("water_warn_pa_l", "water_overnight_pa_l", "pump_speed_l_s"),
)
def water_load(case):
    limit, overnight = case.limit("water_warn_pa_l"), case.limit("water_overnight_pa_l")
    for specimen in case.specimens:
        mass, surface = specimen.mount.mass_mg, specimen.mount.surface_m2_g
        if mass is None or surface is None:
            continue
        area = volatility.sample_area_m2(mass, surface)
        load = volatility.water_load(area, case.limit("pump_speed_l_s") or 1e-9)
        if load.gas_pa_l <= limit:
            continue
        yield Hit(
            (specimen.id,),
            WARN,
            f"{specimen.called}: {mass:g} mg of this can hold as much water as "
            f"{_about(volatility.bare_holders(load.gas_pa_l))} bare holders "
            f"({load.gas_pa_l:.3g} Pa·L); pumping it off takes about {_hours(load.hours)}.",
            "Put it in the evening before and pump overnight, or use less."
            if load.gas_pa_l > overnight
            else "Allow for a longer pump-down, or use less.",
            round(load.gas_pa_l, 2),
            overnight if load.gas_pa_l > overnight else limit,
            "Pa·L",
        )


@rule(
    "OUT-02",
    "Wet / electrolyte-exposed sample",
    "wet: not yet; unrinsed residue: ask staff, own holder",
    (STOP, STAFF),
    "xpslibrary.com specimen handling; Queens Univ. Surface Analysis page (>=2 h pump-down, "
    "powders longer)",
)
def wet_sample(case):
    for specimen in case.specimens:
        declared = specimen.declared
        classes = specimen.composition.classes if specimen.composition is not None else ()
        if (declared.immersed and not declared.dried) or "wet" in classes:
            yield Hit(
                (specimen.id,),
                STOP,
                f"{specimen.called} is still wet.",
                "Dry it, say how and how long, and put it in the evening before.",
            )
        elif declared.immersed and declared.rinsed is False:
            yield Hit(
                (specimen.id,),
                STAFF,
                f"{specimen.called} was dried without rinsing: a residue stays on it.",
                "Ask staff; say what residue stays on purpose, and use a holder of its own.",
            )


def _about(number):
    return f"{number:.0f}" if number >= 10 else f"{number:.1f}"


def _hours(hours):
    return f"{hours:.1f} h" if hours < 10 else f"{hours:.0f} h"
