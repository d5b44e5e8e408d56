"""What gas does to the air of a room: a screening sum for bottles and dewars."""

import math
from dataclasses import dataclass

from facility.vacuum.gas import above_zero, not_below_zero

SCREENING = "This is a screening sum; oxygen monitors and a competent assessment decide."


@dataclass(frozen=True)
class Oxygen:
    """Oxygen left in a room if its bottles emptied at once."""

    displaced: float  # %, the gas pushes air out
    mixed: float  # %, the gas mixes with the air that leaves
    severity: str | None  # "staff" below 19.5 %
    says: str


def oxygen_left(gas_volume, room_volume):
    """Oxygen in a room after an inert gas has pushed air out.

    Takes:   gas_volume [m³] at room conditions, of all bottles and dewars; room_volume [m³], free.
    Returns: oxygen [%], not below zero.
    Raises:  ValueError for a negative gas volume or a room not above zero.
    Source:  20.9 (1 - Vg/Vr), well-mixed displacement, own calculation.   Valid: no ventilation.
    >>> round(oxygen_left(10, 60), 1)
    17.4
    """
    not_below_zero(gas_volume=gas_volume)
    above_zero(room_volume=room_volume)
    return 20.9 * max(1 - gas_volume / room_volume, 0.0)


def oxygen_mixed(gas_volume, room_volume):
    """Oxygen in a room while the gas mixes with the air that leaves.

    Takes, Raises: as `oxygen_left`.   Returns: oxygen [%].
    Source:  20.9 exp(-Vg/Vr), own calculation.   Valid: perfect mixing all the time.
    >>> round(oxygen_mixed(10, 60), 1)
    17.7
    """
    not_below_zero(gas_volume=gas_volume)
    above_zero(room_volume=room_volume)
    return 20.9 * math.exp(-gas_volume / room_volume)


def oxygen_with_ventilation(leak, ventilation):
    """Oxygen in a ventilated room that a steady leak settles at.

    Takes:   leak, ventilation [m³/h] or any one unit.   Returns: oxygen [%], not below zero.
    Raises:  ValueError for a negative leak or ventilation not above zero.
    Source:  20.9 (1 - q/Q), own calculation.   Valid: steady state, perfect mixing.
    >>> round(oxygen_with_ventilation(6, 60), 1)
    18.8
    """
    not_below_zero(leak=leak)
    above_zero(ventilation=ventilation)
    return 20.9 * max(1 - leak / ventilation, 0.0)


def worst_oxygen(gas_volume, room_volume):
    """The worst case of rule GAS-01 in words: every bottle empties into the room.

    Takes, Raises: as `oxygen_left`.   Returns: Oxygen.
    Source:  19.5 % from a university's laboratory safety page; 18 % common practice, no source.
    Valid:   screening only.
    >>> worst_oxygen(10, 60).severity, worst_oxygen(1, 60).severity
    ('staff', None)
    """
    displaced, mixed = oxygen_left(gas_volume, room_volume), oxygen_mixed(gas_volume, room_volume)
    says = (
        f"If all {gas_volume:.3g} m³ of gas emptied into this room of {room_volume:.3g} m³, oxygen "
        f"would be {displaced:.1f} %"
    )
    if displaced >= 19.5:
        return Oxygen(displaced, mixed, None, f"{says}. Near the leak it is less. {SCREENING}")
    says += ", below 19.5 %: a competent person must assess this room"
    if displaced < 18:
        says += ". At the alarm leave at once, and do not go back for anyone or anything"
    return Oxygen(displaced, mixed, "staff", f"{says}. Near the leak it is worse. {SCREENING}")


def liquid_nitrogen_gas(volume):
    """Gas that liquid nitrogen becomes in a room.

    Takes:   volume [m³] of liquid.   Returns: volume [m³] of gas at 20 °C and 1 atm.
    Raises:  ValueError below zero.
    Source:  806.11 kg/m³ at 77.35 K against 1.16483 kg/m³, CoolProp 8.0.0.   Valid: boiled and warm.
    >>> round(liquid_nitrogen_gas(0.025), 1)
    17.3
    """
    not_below_zero(volume=volume)
    return volume * 806.11 / 1.16483
