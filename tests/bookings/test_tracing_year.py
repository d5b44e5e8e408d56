"""Tracing on the invented laboratory, its page, and the review's lines of what broke."""

import re
from datetime import UTC, datetime, time, timedelta

import pytest
from django.db import connection, transaction
from django.test.utils import CaptureQueriesContext
from django.urls import reverse
from django.utils import timezone

from bookings import broke, demo, review, tracing
from facility.models import Instrument, Person

THEN = datetime(2026, 11, 25, 12, tzinfo=UTC)  # one day for all, so that nothing changes by chance
SESSIONS = 220  # half a year and a little: from before the power cut on
QUERIES = 24  # of the page as staff see it


pytestmark = pytest.mark.once  # small traces run on both, in test_tracing.py


@pytest.fixture(scope="module")
def year(django_db_setup, django_db_blocker):
    """The demo, filled once for this module; what is planted on the holder, and the power cuts."""
    with django_db_blocker.unblock(), transaction.atomic():
        yield demo.fill(seed=1, sessions=SESSIONS, now=THEN)
        transaction.set_rollback(True)


@pytest.fixture
def dirty(year, db):
    with transaction.atomic():
        yield next(row for row in year if row.what == "contaminated holder")
        transaction.set_rollback(True)


def midnight(moment):
    return timezone.make_aware(datetime.combine(timezone.localdate(moment), time(0)))


def test_given_the_dirty_holder_when_traced_from_element_and_date_then_its_loads_come_first(dirty):
    source, *later = [load.pk for load in dirty.loads]

    found, around = tracing.follow(dirty.element, midnight(dirty.start))

    ranks = [touched.stay.key for touched in found.ranked]
    before = [key for key in ranks if around.loads[key].loaded_at < dirty.loads[0].loaded_at]
    assert len(later) >= 4
    assert [touched.stay.key for touched in found.sources] == [source]
    assert set(ranks[: len(later)]) == set(later)
    assert all(ranks.index(key) > len(later) - 1 for key in before)


def test_given_its_last_victim_when_traced_backwards_then_the_source_is_named_first(dirty):
    victim = dirty.loads[-1]

    found, _ = tracing.follow(dirty.element, victim.loaded_at, load=victim)

    assert found.sources[0].stay.key == dirty.loads[0].pk


def test_given_the_page_when_asked_then_it_names_them_in_a_fixed_number_of_queries(
    dirty, client, django_assert_max_num_queries
):
    client.force_login(Person.objects.get(username="dee"))
    address = reverse("bookings:trace")
    asks = {"element": dirty.element, "on": timezone.localdate(dirty.start).isoformat()}

    with django_assert_max_num_queries(QUERIES):
        response = client.get(address, asks)
    wider = asks | {"before": 300, "after": 90}
    with django_assert_max_num_queries(QUERIES):
        assert client.get(address, wider).status_code == 200

    text = response.content.decode()
    assert response.status_code == 200
    assert f"Where {dirty.element} may have gone" in text
    assert "nobody wrote of it" in text
    rows = re.findall(
        r"<tr><td>(\d+)</td><td data-of=\"load\"><a href=\"/records/loads/(\d+)/\"", text
    )
    first = {int(pk) for _, pk in rows[: len(dirty.loads) - 1]}
    assert first == {load.pk for load in dirty.loads[1:]}


def test_given_the_dirty_holder_when_weeks_are_reviewed_then_it_stands_from_its_own_week_on(dirty):
    def weeks_with(instrument):
        monday = timezone.localdate(dirty.start) - timedelta(days=35)
        monday -= timedelta(days=monday.weekday())
        while monday < timezone.localdate(dirty.end):
            week = review.week_of(monday)
            lines = broke.review_lines(instrument, week)
            if any(line.key.startswith("memory|") and " B9 " in line.says for line in lines):
                yield week
            monday += timedelta(days=7)

    first = dirty.loads[0].loaded_at
    found = [week for row in Instrument.objects.all() for week in weeks_with(row)]

    assert found
    assert all(week.end > first for week in found)
    assert any(week.holds(dirty.loads[1].loaded_at) for week in found)


def test_given_a_power_cut_when_its_week_is_reviewed_then_it_is_a_line_and_not_before(year, dirty):
    fault_at = next(row.start for row in year if row.what == "power cut")
    monday = timezone.localdate(fault_at) - timedelta(days=timezone.localdate(fault_at).weekday())
    for instrument in Instrument.objects.all():
        said = {
            back: " ".join(
                line.says
                for line in broke.review_lines(
                    instrument, review.week_of(monday - timedelta(days=7 * back))
                )
            )
            for back in (-1, 0, 1)
        }
        assert "Power cut" in said[0] + said[-1]
        assert "Power cut" not in said[1]


def test_given_weeks_that_nobody_gathered_when_read_then_at_most_forty_queries_do(dirty, client):
    client.force_login(Person.objects.get(username="dee"))
    monday = review.newest_monday(THEN)
    counts = {}
    for instrument in Instrument.objects.all():
        for back in (-1, 0, 4, 9, 14):
            name = review.name_of(monday - back * review.A_WEEK)
            with CaptureQueriesContext(connection) as asked:
                answer = client.get(reverse("bookings:review", args=[instrument.slug, name]))
            assert answer.status_code == 200
            counts[instrument.slug, name] = len(asked)

    assert max(counts.values()) <= 40, counts
