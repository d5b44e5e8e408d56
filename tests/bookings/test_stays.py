"""Where holders went, from marked steps alone; nothing is ever refused."""

import pytest

from bookings.stays import Happening, pumping_ended, walk


def went(inside, *steps):
    made = [Happening(at, (mark,), holder) for at, mark, holder in steps]
    return [(move.at, move.holder, move.to) for move in walk(inside, made)]


@pytest.mark.parametrize(
    ("inside", "steps", "moves"),
    [
        ({}, [(1, "load", "B7"), (2, "out", None)], [(1, "B7", "introduction"), (2, "B7", "out")]),
        ({}, [(2, "transfer", None), (1, "load", "B7")],
         [(1, "B7", "introduction"), (2, "B7", "stage")]),
        ({"B7": "stage"}, [(1, "back", None), (2, "out", None)],
         [(1, "B7", "introduction"), (2, "B7", "out")]),
        # nobody told that B7 came out before A4 went in
        ({"B7": "introduction"}, [(1, "load", "A4")], [(1, "B7", "out"), (1, "A4", "introduction")]),
        # two holders: the one on the stage makes room
        ({"B7": "stage"}, [(1, "load", "A4"), (2, "transfer", None)],
         [(1, "A4", "introduction"), (2, "B7", "parking"), (2, "A4", "stage")]),
        # told twice
        ({}, [(1, "load", "B7"), (2, "load", "B7")], [(1, "B7", "introduction")]),
        # nothing there to move
        ({}, [(1, "transfer", None), (2, "back", None), (3, "out", None)], []),
        ({}, [(1, "load", None)], []),
        # somebody saw it on the bench
        ({}, [(1, "load", "B7"), (5, "seen", "B7")], [(1, "B7", "introduction"), (5, "B7", "out")]),
        ({}, [(1, "seen", "B7")], []),
    ],
)  # fmt: skip
def test_given_steps_in_any_order_when_walked_then_each_holder_went_where_they_say(
    inside, steps, moves
):
    assert went(inside, *steps) == moves


@pytest.mark.parametrize(
    ("steps", "ended"),
    [
        ([], (None, "")),
        ([(3, "pump"), (2, "transfer")], (2, "threshold")),
        ([(3, "vent"), (4, "pump")], (3, "vented")),
        ([(3, "load"), (4, "out")], (None, "")),
    ],
)
def test_given_what_came_after_when_a_pump_down_is_told_late_then_the_first_of_it_ended_it(
    steps, ended
):
    assert pumping_ended([Happening(at, (mark,)) for at, mark in steps]) == ended
