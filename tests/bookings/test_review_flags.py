"""A line of the review and the flag that it speaks for: one matter, answered once."""

from datetime import timedelta

import pytest
from django.utils import timezone

from bookings import checking, review, stores
from bookings.lines import Line
from bookings.models import Flag
from bookings.review import each_once
from facility import stock
from facility.models import Check
from tests import build

FAR_OFF = {"Au 4f7/2": "84.20", "Ag 3d5/2": "368.45", "Cu 2p3/2": "932.85"}


def this_week():
    today = timezone.localdate()
    return review.week_of(today - timedelta(days=today.weekday()))


@pytest.fixture
def crossed(lab):
    """Two kinds whose checks were entered the other way round, so that numbers cross."""
    first, second = (
        build.check_kind(lab.instrument, by=lab.dee, name=name) for name in ("20 eV", "50 eV")
    )
    checking.enter(kind=second, by=lab.dee, typed=FAR_OFF)
    checking.enter(kind=first, by=lab.dee, typed=FAR_OFF)
    return first, second


def test_given_checks_and_kinds_whose_numbers_cross_when_reviewed_then_each_line_has_its_own_flag(
    lab, crossed
):
    monday = this_week().start.date()
    page = review.page_of(lab.instrument, monday)

    shown = {
        item.line.key: item.flag
        for item in page.items
        if item.line.rule == "CAL-01"
    }  # fmt: skip
    assert len(shown) == 2
    for kind in crossed:
        own = shown[f"checked|{kind.pk}"]
        assert own.evidence == {"check": Check.objects.of_kind(kind)[0].pk}


def test_given_stock_at_its_reorder_point_when_reviewed_then_it_stands_once_with_its_flag(lab):
    low = stock.add(
        by=lab.dee, name="Filament", unit="pieces", minimum=1.0, lead_days=28.0,
        instrument=lab.instrument,
    )  # fmt: skip
    stores.watch_stores(timezone.now() + timedelta(minutes=1))
    flag = Flag.objects.get(rule="INV-01")

    page = review.page_of(lab.instrument, this_week().start.date())

    asks = [item for item in page.items if item.line.rule == "INV-01"]
    assert [item.line.key for item in asks] == [f"INV-01|{low.pk}"]
    assert asks[0].flag == flag


def test_given_a_line_that_speaks_for_a_flag_when_gathered_then_the_flag_says_nothing_beside_it():
    spoken = Line(key="matter", heading="order", says="Order it.", flag="INV-01|1|1")
    doubled = Line(key="INV-01|1|1", heading="order", says="Order it today.")

    assert each_once([spoken, doubled]) == [spoken]
