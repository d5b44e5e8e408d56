"""Does the tool help: what was raised, real, not real and missed."""

from datetime import timedelta

from django.urls import reverse
from django.utils import timezone

from bookings import helps, say
from bookings.models import Flag
from samples.risks import RULES
from tests import build


def raised(lab, rule, *, days=1, **more):
    return Flag.objects.create(
        key=f"{rule} {Flag.objects.count()}", rule=rule, severity="warn", says="odd",
        instrument=lab.instrument, raised_at=timezone.now() - timedelta(days=days), **more,
    )  # fmt: skip


def by_family():
    return {row.family: row for row in helps.figures()[0]}


def test_given_answers_when_counted_then_real_not_real_and_gone_are_apart(lab):
    for answer in ("seen", "fixed", "watched", "not real", ""):
        raised(lab, "PMP-01", days=0, answer=answer)
    raised(lab, "PMP-01", days=0, cleared_at=timezone.now())

    row = by_family()["pump-downs and gauges"]

    assert (row.raised, row.real, row.not_real, row.by_itself, row.waiting) == (6, 3, 1, 1, 1)


def test_given_a_fault_when_no_rule_warned_then_it_was_missed_else_not(lab):
    say.report_fault(instrument=lab.instrument, by=lab.ben, text="arm stiff")
    missed = by_family()[helps.FAULTS].missed
    raised(lab, "GAU-01", days=3)

    assert missed == 1
    assert helps.FAULTS not in by_family()


def test_given_a_warning_that_was_not_real_or_too_old_when_counted_then_nobody_was_warned(lab):
    raised(lab, "PMP-01", days=20)
    raised(lab, "PMP-01", days=2, answer="not real")
    build.incident(by=lab.ben, kind="leak", instrument=lab.instrument)

    assert by_family()["pump-downs and gauges"].missed == 1


def test_given_the_page_when_asked_then_few_queries_and_a_csv_say_the_same(
    lab, client, django_assert_max_num_queries
):
    raised(lab, "VOL-01", days=0)
    client.force_login(lab.fay)

    with django_assert_max_num_queries(8):
        page = client.get(reverse("bookings:does_it_help")).content.decode()
    lines = client.get(reverse("bookings:does_it_help_csv")).content.decode().splitlines()

    assert "volatile and wet" in page
    assert lines[0] == "quarter,family,raised,real,not_real,by_itself,waiting,missed"
    assert [line.split(",", 1)[1] for line in lines[1:]] == [
        "volatile and wet,1,0,0,0,1,0",
        "VOL-01,1,0,0,0,1,0",
    ]


def test_given_rules_when_shown_then_each_says_what_it_is_about(lab, client):
    raised(lab, "PMP-01", days=0)
    raised(lab, "PWD-01", days=0)
    client.force_login(lab.dee)

    shown = client.get(reverse("bookings:does_it_help")).content.decode()

    assert "Pump-down unlike the others" in shown
    assert RULES["PWD-01"].title in shown
