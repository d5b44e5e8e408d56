"""What a source still gives: its counts since it was put in, on its own page."""

from datetime import timedelta

from django.urls import reverse
from django.utils import timezone

from facility import check, keep_up
from tests import build


def counted(lab, kind, *areas):
    """Intensity checks, a day apart, the last of them now."""
    for n, area in enumerate(reversed(areas)):
        check.enter(
            kind=kind, by=lab.dee, typed={"Cu 2p3/2": str(area), "Cu 3p": str(area / 4)},
            at=timezone.now() - timedelta(days=n),
        )  # fmt: skip


def page_of(client, lab, part):
    client.force_login(lab.dee)
    return client.get(reverse("bookings:part", args=[part.pk])).content.decode()


def test_given_falling_counts_when_a_source_is_read_then_its_page_says_by_how_much(lab, client):
    part = build.source(lab.instrument, by=lab.dee)
    part.lives.update(began_at=timezone.now() - timedelta(days=30))
    kind = build.check_kind(lab.instrument, by=lab.dee, sort="intensity", name="Copper")
    counted(lab, kind, 100_000, 90_000, 75_000)

    shown = page_of(client, lab, part)

    assert "Cu 2p3/2 counts 25 % less than on" in shown
    assert reverse("bookings:check_kind", args=[kind.pk]) in shown


def test_given_a_new_source_when_it_is_read_then_counts_of_the_old_one_say_nothing(lab, client):
    part = build.source(lab.instrument, by=lab.dee)
    kind = build.check_kind(lab.instrument, by=lab.dee, sort="intensity", name="Copper")
    counted(lab, kind, 100_000, 75_000)
    keep_up.change_part(part=part, by=lab.dee, cause="counts down by a quarter")

    shown = page_of(client, lab, part)

    assert "No counts are known of it yet" in shown
    assert "counts down by a quarter" in shown


def test_given_a_part_that_is_no_source_when_it_is_read_then_no_counts_are_asked_for(lab, client):
    pump = keep_up.add_part(
        instrument=lab.instrument, by=lab.dee, kind="pump", name="Turbo pump", counts="calendar"
    )

    assert "What it still gives" not in page_of(client, lab, pump)
