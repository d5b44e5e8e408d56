"""Book, move, cancel, close, wait, weekly series: each refusal with its sentence, nothing held twice."""

from datetime import timedelta
from itertools import pairwise

import pytest
from django.core.exceptions import PermissionDenied
from django.utils import timezone

from bookings import attend, book, closures, planning, series, waiting
from bookings.models import Booking, BookingRules, Message, Offer, Wish
from facility import qualify
from facility.errors import Refused
from facility.models import Level, Place
from tests import build

pytestmark = pytest.mark.django_db
H = timedelta(hours=1)


@pytest.fixture
def house(lab):
    """Ben and his colleague Ulla may book Quayside; Chao of another group too."""
    lab.ulla = build.person("Ulla Rush", group=lab.ben.group)
    for person in (lab.ulla, lab.chao):
        build.qualify(person, lab.instrument, by=lab.dee)
    lab.stage = Place.objects.get(kind="stage", instrument=lab.instrument)
    lab.door = Place.objects.get(kind="introduction", instrument=lab.instrument)
    tomorrow = timezone.localdate() + timedelta(days=1)
    lab.nine = planning.day_of(tomorrow, book.here())[0] + 9 * H
    lab.rules = BookingRules.objects.create(instrument=lab.instrument)
    return lab


def hold(house, by, hour=0, hours=2, **more):
    start = house.nine + hour * H
    return book.book(place=house.stage, by=by, start=start, end=start + hours * H, **more)


def test_given_a_booking_when_another_overlaps_it_then_each_asker_learns_what_they_may(house):
    hold(house, house.ben)

    with pytest.raises(Refused, match=r"09:00 to 11:00 by Ben Samphire\. Choose another time"):
        hold(house, house.ulla, hour=1)
    with pytest.raises(Refused, match=r"09:00 to 11:00 by another group"):
        hold(house, house.chao, hour=1)
    assert Booking.objects.on_main().count() == 1


def test_given_a_booking_when_the_next_starts_at_its_end_then_both_stand(house):
    hold(house, house.ben)
    hold(house, house.chao, hour=2)

    assert Booking.objects.standing().on_main().count() == 2


def test_given_a_booking_of_main_when_made_then_the_introduction_chamber_is_held_for_loading(house):
    row = hold(house, house.ben)

    beside = Booking.objects.get(held_for=row)
    assert (beside.place, beside.starts_at) == (house.door, row.starts_at)
    assert beside.ends_at == row.starts_at + H


def test_given_a_load_overnight_of_another_when_booked_then_the_conflict_is_explained(house):
    book.book(place=house.door, by=house.chao, start=house.nine - 15 * H, end=house.nine + H)

    with pytest.raises(Refused, match="could not be loaded then: start later, or tick"):
        hold(house, house.ben)
    assert hold(house, house.ben, loaded_before=True).holds.count() == 0


def test_given_an_own_load_overnight_when_main_is_booked_then_nothing_more_is_held(house):
    book.book(place=house.door, by=house.ben, start=house.nine - 15 * H, end=house.nine + H / 2)

    assert hold(house, house.ben).holds.count() == 0


@pytest.mark.parametrize(
    ("start", "end", "says"),
    [(2, 1, "must end after it starts"), (0, 0, "must end after"), (-48, -47, "That time is over")],
)
def test_given_times_in_the_wrong_order_or_past_when_booked_then_refused(house, start, end, says):
    with pytest.raises(Refused, match=says):
        book.book(
            place=house.stage, by=house.ben, start=house.nine + start * H, end=house.nine + end * H
        )


def test_given_nobody_qualified_or_a_lapsed_level_when_booked_then_told_what_to_ask_for(house):
    stranger = build.person("Nils Newcomer")
    row = house.ben.qualifications.get()
    row.lapses_on = timezone.localdate() - timedelta(days=1)
    row.save()

    for person in (stranger, house.ben):
        with pytest.raises(Refused, match=r"no standing qualification for Quayside.*refresher"):
            hold(house, person)
    with pytest.raises(PermissionDenied):
        hold(house, house.eve)


def test_given_hours_of_a_level_as_data_when_booked_outside_then_the_hours_are_named(house):
    house.ben.qualifications.update(level=3)
    Level.objects.create(instrument=house.instrument, number=3, opens_at="10:00", shuts_at="16:00")

    with pytest.raises(Refused, match="between 10:00 and 16:00"):
        hold(house, house.ben)
    assert hold(house, house.ben, hour=1)
    assert book.book(  # a load may wait in the introduction chamber overnight
        place=house.door, by=house.ben, start=house.nine + 9 * H, end=house.nine + 20 * H
    )


def test_given_a_quota_when_a_group_has_used_it_then_it_is_refused_and_staff_are_not(house):
    house.rules.quota_hours = 3
    house.rules.save()
    hold(house, house.ben)

    with pytest.raises(Refused, match="coatings holds 2 of its 3 h on Quayside"):
        hold(house, house.ulla, hour=3)
    assert hold(house, house.chao, hour=3)
    assert hold(house, house.dee, hour=6, hours=8)


def test_given_somebody_deleted_or_gone_when_booked_then_a_sentence_and_no_row(house):
    gone = house.ulla
    type(gone).objects.filter(pk=gone.pk).update(is_active=False)
    gone.is_active = True  # the browser still holds the old row

    with pytest.raises(Refused, match="no longer here"):
        hold(house, gone)
    assert not Booking.objects.exists()


def test_given_one_form_sent_by_two_browsers_when_booked_then_it_is_one_booking(house):
    import uuid

    sent = uuid.uuid4()

    assert hold(house, house.ben, sent_id=sent) == hold(house, house.ben, sent_id=sent)
    assert Booking.objects.on_main().count() == 1


def test_given_a_booking_when_moved_then_what_it_held_moves_and_the_calendar_counts_on(house):
    row = hold(house, house.ben)

    book.move(booking=row, by=house.ben, start=row.starts_at + H, end=row.ends_at + H)

    row.refresh_from_db()
    assert (row.sequence, row.wall_start[-5:]) == (1, "10:00")
    beside = Booking.objects.standing().get(held_for=row)
    assert beside.starts_at == row.starts_at


def test_given_anothers_time_when_moved_onto_or_cancelled_by_a_stranger_then_refused(house):
    mine, theirs = hold(house, house.ben), hold(house, house.chao, hour=4)

    with pytest.raises(Refused, match="by another group"):
        book.move(booking=mine, by=house.ben, start=theirs.starts_at, end=theirs.ends_at)
    for verb in (book.cancel, lambda **w: book.move(**w, start=mine.starts_at, end=mine.ends_at)):
        with pytest.raises(Refused, match="not your booking"):
            verb(booking=mine, by=house.chao)
    book.cancel(booking=mine, by=house.ben)
    assert book.cancel(booking=mine, by=house.ben).cancelled_at
    with pytest.raises(Refused, match="cancelled meanwhile"):
        book.move(booking=mine, by=house.ben, start=theirs.ends_at, end=theirs.ends_at + H)
    assert Booking.objects.standing().filter(held_for=mine).count() == 0


# Closures


def test_given_bookings_when_closed_then_each_person_is_told_once_and_offered_time_in_order(house):
    first, second = hold(house, house.chao, hour=2), hold(house, house.ben)
    more = hold(house, house.ben, hour=5)

    closures.close(
        instrument=house.instrument, by=house.dee, why="the filament is open",
        start=house.nine - H, end=house.nine + 9 * H,
    )  # fmt: skip

    assert {row.cancelled_why for row in Booking.objects.exclude(cancelled_at=None)} == {"closed"}
    offers = list(Offer.objects.order_by("pk"))
    assert [row.instead_of for row in offers] == [first, second, more]
    assert [row.ends_at - row.starts_at for row in offers] == [2 * H] * 3
    stretches = sorted((row.starts_at, row.ends_at) for row in offers)
    assert all(a[1] <= b[0] for a, b in pairwise(stretches))
    told = Message.objects.filter(key__startswith="closed|")
    assert sorted(told.values_list("person__username", flat=True)) == ["ben", "chao"]
    assert "the filament is open" in told[0].says
    with pytest.raises(Refused, match=r"is closed .*: the filament is open"):
        hold(house, house.ben)


def test_given_a_closure_when_offered_time_is_taken_then_the_offer_is_answered(house):
    hold(house, house.ben)
    closures.close(instrument=house.instrument, by=house.dee, why="bake", start=house.nine,
                   end=house.nine + 5 * H)  # fmt: skip
    offer = Offer.objects.get()

    made = book.book(place=offer.place, by=house.ben, start=offer.starts_at, end=offer.ends_at)

    offer.refresh_from_db()
    assert (offer.answer, offer.booking) == ("taken", made)


def test_given_a_closure_when_taken_back_then_both_places_are_free_again(house):
    row = closures.close(instrument=house.instrument, by=house.dee, why="bake", start=house.nine,
                         end=house.nine + 5 * H)  # fmt: skip

    closures.open_again(closure=row, by=house.dee)

    assert not Booking.objects.standing().exists()


@pytest.mark.parametrize(
    ("hours", "why", "says"),
    [((2, 1), "bake", "must end after"), ((0, 2), " ", "Say why"), ((-60, -50), "x", "is over")],
)
def test_given_a_closure_that_makes_no_sense_when_closed_then_refused(house, hours, why, says):
    start, end = (house.nine + hour * H for hour in hours)

    with pytest.raises(Refused, match=says):
        closures.close(instrument=house.instrument, by=house.dee, start=start, end=end, why=why)
    with pytest.raises(PermissionDenied):
        closures.close(instrument=house.instrument, by=house.ben, start=start, end=end, why=why)


# Waiting


def test_given_two_who_wait_when_time_is_freed_then_the_first_is_offered_and_then_the_next(house):
    row = hold(house, house.ben)
    span = {"place": house.stage, "start": row.starts_at, "end": row.ends_at}
    waiting.want(by=house.chao, **span)
    waiting.want(by=house.ulla, **span)

    book.cancel(booking=row, by=house.ben)

    offer = Offer.objects.get()
    assert offer.person == house.chao
    assert Message.objects.get(key=f"offer|{offer.pk}").direct
    waiting.pass_on(offer.until + timedelta(minutes=1))
    assert Offer.objects.latest("pk").person == house.ulla
    waiting.decline(offer=Offer.objects.latest("pk"), by=house.ulla)
    assert not Wish.objects.waiting().exists()


def test_given_free_or_closed_or_past_time_when_waited_for_then_told_what_to_do(house):
    start, end = house.nine, house.nine + H

    with pytest.raises(Refused, match=r"is free then\. Book it"):
        waiting.want(place=house.stage, by=house.ben, start=start, end=end)
    with pytest.raises(Refused, match="later than now"):
        waiting.want(place=house.stage, by=house.ben, start=start - 90 * H, end=end - 90 * H)


# Series


def test_given_a_series_when_some_weeks_are_taken_then_the_others_are_booked_and_these_named(house):
    week = timedelta(weeks=1)
    wall = house.nine.replace(tzinfo=None)
    start = planning.moment_of(wall + week, book.here())
    book.book(place=house.stage, by=house.chao, start=start, end=start + H)

    made_series, made, refused = series.book_series(
        place=house.stage, by=house.ben, wall_start=wall, wall_end=wall + 2 * H, count=4
    )

    assert [row.wall_start[-5:] for row in made] == ["09:00"] * 3
    assert [(number, "another group" in why) for number, why in refused] == [(2, True)]
    assert series.cancel_rest(series=made_series, by=house.ben) == 3
    with pytest.raises(Refused, match="2 to 26 times"):
        series.book_series(
            place=house.stage, by=house.ben, wall_start=wall, wall_end=wall + H, count=27
        )


# The clock


def begun(house, by, minutes_ago):
    """A booking that began so long ago, as the clock would find it."""
    row = hold(house, by)
    start = timezone.now() - timedelta(minutes=minutes_ago)
    Booking.objects.filter(held_for=row).delete()
    Booking.objects.filter(pk=row.pk).update(
        starts_at=start, ends_at=start + 3 * H, made_at=start - H
    )
    return row


def test_given_nobody_came_when_the_time_is_up_then_it_is_released_once_and_told(house):
    row = begun(house, house.ben, 31)

    assert attend.release_unused(timezone.now()) == 1
    assert attend.release_unused(timezone.now()) == 0
    row.refresh_from_db()
    assert row.cancelled_why == "not used"
    assert Message.objects.get(key=f"unused|{row.pk}").person == house.ben


def test_given_29_minutes_or_a_session_of_the_group_when_ticked_then_it_stays(house):
    from bookings import run

    begun(house, house.ben, 29)
    assert attend.release_unused(timezone.now()) == 0
    Booking.objects.all().delete()
    begun(house, house.ben, 45)
    run.sign_on(instrument=house.instrument, by=house.ulla)
    assert attend.release_unused(timezone.now()) == 0


def test_given_a_load_inside_when_nobody_signed_on_then_it_counts_as_presence(house):
    from bookings import inside, run

    session = run.sign_on(instrument=house.instrument, by=house.dee)
    inside.open_load(session=session, holder=house.holder, by=house.ben, moment=timezone.now())
    begun(house, house.ben, 45)

    assert attend.release_unused(timezone.now()) == 0


def test_given_a_lapse_within_a_month_when_ticked_twice_then_person_and_staff_hear_it_once(house):
    row = house.ben.qualifications.get()
    row.lapses_on = timezone.localdate() + timedelta(days=10)
    row.save()

    for _ in range(2):
        attend.tell_lapses(timezone.now())

    told = Message.objects.filter(key__startswith=f"lapses|{row.pk}|")
    assert sorted({row.person.username for row in told}) == ["ada", "ben", "dee", "root"]
    assert told.count() == 4
    assert "Load, pump down and transfer once" in told.get(person=house.ben).says


def test_given_sessions_when_the_clock_notes_use_then_183_days_run_from_the_last(house):
    from bookings import run

    run.sign_on(instrument=house.instrument, by=house.ben)
    attend.note_use(timezone.now())

    row = house.ben.qualifications.get()
    today = timezone.localdate()
    assert (row.last_used_on, row.unused_on) == (today, today + timedelta(days=183))
    assert qualify.standing(house.ben, house.instrument, today + timedelta(days=183)) == row
    assert qualify.standing(house.ben, house.instrument, today + timedelta(days=184)) is None
