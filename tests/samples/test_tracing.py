"""The ranking of tracing: what carries on, what stops it, both ways in time."""

from datetime import UTC, datetime, timedelta

import pytest

from samples.tracing import Cleaning, Stay, Thing, trace

HOLDER, OTHER = Thing("holder", 9, "B9"), Thing("holder", 4, "B4")
LOCK = Thing("introduction", 1, "lock")
FILM = Thing("sample", 7, "film")


def day(number):
    return datetime(2026, 3, 1, 9, tzinfo=UTC) + timedelta(days=number)


def stay(key, number, *things, **more):
    return Stay(key, day(number), day(number) + timedelta(hours=6), things, **more)


def scores(found):
    return {touched.stay.key: round(touched.score, 4) for touched in found.ranked}


def test_given_a_spill_when_traced_then_the_same_holder_comes_first_and_nothing_before_it():
    stays = [
        stay(1, 0, HOLDER, LOCK),
        stay(2, 1, HOLDER, FILM, LOCK, carried=True),
        stay(3, 2, OTHER, LOCK),
        stay(4, 3, HOLDER, LOCK),
        stay(5, 4, OTHER, FILM, LOCK),
    ]

    found = trace(stays, [], seeds={2})

    assert [touched.stay.key for touched in found.ranked] == [4, 5, 3]
    assert scores(found) == {4: 0.9, 5: 0.4, 3: 0.12}
    assert found.ranked[0].reasons == ("same holder, B9",)


def test_given_one_ion_gun_and_one_lot_of_tape_when_traced_then_they_come_after_holder_and_chamber():
    gun, tape = Thing("gun", 1, "ion gun of Quayside"), Thing("lot", 3, "the same tape, batch 31")
    stays = [
        stay(1, 0, HOLDER, LOCK, gun, tape, carried=True),
        stay(2, 1, OTHER, tape),
        stay(3, 2, OTHER, gun),
        stay(4, 3, OTHER, LOCK),
        stay(5, 4, HOLDER),
    ]

    found = trace(stays, [], seeds={1})

    assert [touched.stay.key for touched in found.ranked] == [5, 4, 3, 2]
    assert found.ranked[2].reasons == ("sputtered by the ion gun of Quayside after it",)
    assert found.ranked[3].reasons == ("mounted with the same tape, batch 31 after it",)


@pytest.mark.parametrize(
    ("blank", "score", "against"),
    [
        (None, 0.09, "B9 cleaned, 03 Mar"),
        (True, 0.018, "B9 a blank without it, 03 Mar"),
        (False, 0.9, ""),
    ],
)
def test_given_a_cleaning_between_when_traced_then_it_dampens_and_a_blank_more(
    blank, score, against
):
    stays = [stay(1, 1, HOLDER, carried=True), stay(2, 3, HOLDER)]

    found = trace(stays, [Cleaning(HOLDER, day(2), blank)], seeds={1})

    assert scores(found) == {2: score}
    assert ", ".join(found.ranked[0].against) == against


def test_given_a_cleaning_before_the_spill_when_traced_then_it_helps_nothing():
    stays = [stay(1, 1, HOLDER, carried=True), stay(2, 3, HOLDER)]

    assert scores(trace(stays, [Cleaning(HOLDER, day(0))], seeds={1})) == {2: 0.9}


@pytest.mark.parametrize(
    ("more", "score"),
    [({"seen": True}, 0.97), ({"seen": False}, 0.135), ({"surveyed": True}, 0.81), ({}, 0.9)],
)
def test_given_what_the_data_show_when_traced_then_it_counts_for_and_against(more, score):
    stays = [stay(1, 1, HOLDER, carried=True), stay(2, 3, HOLDER, **more)]

    assert scores(trace(stays, [], seeds={1})) == {2: score}


def test_given_victims_when_traced_backwards_then_the_load_that_declares_it_is_named_first():
    stays = [
        stay(1, 0, HOLDER),
        stay(2, 1, HOLDER, carried=True),
        stay(3, 2, HOLDER),
        stay(4, 3, HOLDER, seen=True),
    ]

    unseeded = trace(stays, [], victims={4})
    seeded = trace(stays, [], seeds={2}, victims={4})

    assert [touched.stay.key for touched in unseeded.sources] == [2]
    assert [touched.stay.key for touched in seeded.sources] == [2]
    assert [touched.stay.key for touched in seeded.ranked][-1] == 1


def test_given_nothing_shared_when_traced_then_nothing_is_ranked():
    stays = [stay(1, 0, HOLDER, carried=True), stay(2, 1, OTHER)]

    assert trace(stays, [], seeds={1}).ranked == ()
