"""The planted faults of the demo year in the lines of their weeks, and of no week before."""

from datetime import timedelta

import pytest
from django.utils import timezone

from bookings import demo, health
from bookings.lines import Week
from facility.models import Instrument

FOUND_BY = {  # what is planted: words of its line
    "slow leak": ("DRIFT", "slower"),
    "failing pump": ("DRIFT", "slower"),
    "dirty gauge": ("DRIFT", "faster"),
    "calibration drift": ("CAL-01", "Cu 2p3/2 reads"),
}


def weeks(now):
    monday = timezone.localtime(now).replace(hour=0, minute=0, second=0, microsecond=0)
    monday -= timedelta(days=monday.weekday() + 7 * 51)
    while monday + timedelta(days=7) <= now:
        yield Week(monday, monday + timedelta(days=7))
        monday += timedelta(days=7)


@pytest.mark.soak
def test_given_the_demo_year_when_every_week_is_reviewed_then_faults_stand_in_theirs_and_none_before(
    db,
):
    now = timezone.now()
    planted = [row for row in demo.fill(now=now) if row.what in FOUND_BY]
    said = {
        slug: [(week, health.review_lines(row, week)) for week in weeks(now)]
        for slug, row in ((row.slug, row) for row in Instrument.objects.all())
    }

    for row in planted:
        rule, words = FOUND_BY[row.what]
        its = [
            week for week, lines in said[row.instrument]
            if any(line.rule == rule and words in line.says for line in lines)
        ]  # fmt: skip
        print(row.what, row.instrument, f"{row.start:%d %b}", *(f"{w.start:%d %b}" for w in its))
        assert any(week.start < row.end and week.end > row.start for week in its), row.what
        early = [w for w in its if row.start - timedelta(days=70) < w.end <= row.start]
        assert early == [], row.what
    counts = [len(lines) for of in said.values() for _, lines in of]
    print("lines a week:", {n: counts.count(n) for n in sorted(set(counts))})
    assert sum(count > 2 for count in counts) <= len(counts) // 25
    assert counts.count(0) > len(counts) // 2
