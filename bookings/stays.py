"""Pure: where holders were in an instrument, from the marks of its steps in order of happening.

Steps arrive late: from a tablet without a network, or from paper. What they brought about is then
found by walking again through everything from their moment on.
"""

from dataclasses import dataclass

INTRODUCTION, STAGE, PARKING, OUT = "introduction", "stage", "parking", "out"


@dataclass(frozen=True)
class Happening:
    """A step with marks, or a holder seen somewhere outside: `holder` is what it names, or None."""

    at: object
    marks: tuple
    holder: object = None


@dataclass(frozen=True)
class Move:
    """A holder came to a kind of place, or out; `seen` where somebody recorded it elsewhere."""

    at: object
    holder: object
    to: str
    seen: bool = False


def walk(inside, happenings):
    """Where each holder went.

    Takes:   inside, {holder: kind of place} just before the first happening; happenings in any
             order, with marks load, transfer, back, out or seen.
    Returns: moves in order of time.

    Never refuses: a load into a chamber that still holds another means that the other had left.

    >>> steps = [Happening(1, ("load",), "B7"), Happening(2, ("transfer",)), Happening(3, ("back",))]
    >>> [(move.holder, move.to) for move in walk({}, steps)]
    [('B7', 'introduction'), ('B7', 'stage'), ('B7', 'introduction')]
    """
    where, moves = dict(inside), []

    def occupant(*kinds):
        return next((one for kind in kinds for one in where if where[one] == kind), None)

    def go(at, holder, to, seen=False):
        moves.append(Move(at, holder, to, seen))
        where.pop(holder, None)
        if to != OUT:
            where[holder] = to

    def make_room(at, kind, then):
        if (other := occupant(kind)) is not None:
            go(at, other, then)

    for one in sorted(happenings, key=lambda happening: happening.at):
        if "seen" in one.marks and one.holder in where:
            go(one.at, one.holder, OUT, seen=True)
        if "load" in one.marks and one.holder is not None and one.holder not in where:
            make_room(one.at, INTRODUCTION, OUT)
            go(one.at, one.holder, INTRODUCTION)
        if "transfer" in one.marks and (moved := occupant(INTRODUCTION)) is not None:
            make_room(one.at, STAGE, PARKING)
            go(one.at, moved, STAGE)
        if "back" in one.marks and (moved := occupant(STAGE, PARKING)) is not None:
            make_room(one.at, INTRODUCTION, OUT)
            go(one.at, moved, INTRODUCTION)
        if "out" in one.marks and (moved := occupant(INTRODUCTION)) is not None:
            go(one.at, moved, OUT)
    return moves


ENDS_PUMPING = {"vent": "vented", "pump": "vented", "transfer": "threshold", "back": "threshold"}


def pumping_ended(happenings):
    """(moment, why) of the first happening that ends a pump-down, or (None, "")."""
    for one in sorted(happenings, key=lambda happening: happening.at):
        for mark, why in ENDS_PUMPING.items():
            if mark in one.marks:
                return one.at, why
    return None, ""
