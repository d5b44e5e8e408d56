"""The demo year: each planted fault stands early in its review, and quiet weeks stay quiet."""

import pytest

from bookings import demo
from tests.bookings import review_year


@pytest.mark.soak
@pytest.mark.django_db
def test_given_the_demo_year_when_each_week_is_reviewed_then_planted_faults_stand_first(capsys):
    planted = demo.fill()
    weeks = review_year.year(planted)
    found = [review_year.found_of(row, weeks) for row in planted]
    with capsys.disabled():
        print("\n" + "\n".join(review_year.table(planted, weeks)))

    missed = [row.row.what for row in found if not row.week or row.place > review_year.FIRST]
    early = [(row.row.what, row.early) for row in found if row.early]
    busy = [(week.slug, week.name, [item.line.says for item in week.asked])
            for week in review_year.quiet(weeks) if len(week.asked) > 2]  # fmt: skip
    assert missed == []
    assert early == []
    assert busy == []
