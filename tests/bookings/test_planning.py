"""Laws of time: wall clock, rules, free stretches, load-by times; each with an independent check."""

from datetime import UTC, datetime, time, timedelta
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given, settings
from hypothesis import strategies as some

from bookings import planning
from bookings.planning import Hours, Rules, Taken

LONDON, SYDNEY = ZoneInfo("Europe/London"), ZoneInfo("Australia/Sydney")
H = timedelta(hours=1)
RULES = Rules(shortest=H / 2, longest=8 * H, notice=2 * H, horizon=timedelta(days=30))
NOW = datetime(2026, 11, 12, 9, 0, tzinfo=LONDON)


@pytest.mark.parametrize(
    ("wall", "zone", "says"),
    [
        (datetime(2026, 3, 29, 1, 30), LONDON, "does not exist.*Choose 02:00 or later"),
        (datetime(2026, 10, 25, 1, 30), LONDON, "comes twice.*Choose 02:00 or later, or earlier"),
        (datetime(2026, 10, 4, 2, 15), SYDNEY, "does not exist.*Choose 03:00 or later"),
        (datetime(2026, 4, 5, 2, 15), SYDNEY, "comes twice.*Choose 03:00 or later, or earlier"),
    ],
)
def test_an_hour_that_is_missing_or_comes_twice_is_named_with_the_next_that_is_there(
    wall, zone, says
):
    with pytest.raises(ValueError, match=says):
        planning.moment_of(wall, zone)


@given(some.datetimes(datetime(2020, 1, 1), datetime(2035, 1, 1)))
@settings(max_examples=300, deadline=None)
def test_a_wall_time_that_is_accepted_comes_back_from_utc_unchanged(wall):
    try:
        at = planning.moment_of(wall, LONDON)
    except ValueError:
        folds = {wall.replace(tzinfo=LONDON, fold=fold).utcoffset() for fold in (0, 1)}
        assert len(folds) == 2
    else:
        assert at.astimezone(UTC).astimezone(LONDON).replace(tzinfo=None) == wall


@pytest.mark.parametrize(
    ("first", "offsets"),
    [(datetime(2026, 3, 16, 9), [0, 0, 1, 1]), (datetime(2026, 10, 12, 9), [1, 1, 0, 0])],
)
def test_nine_every_week_stays_nine_when_the_clocks_change(first, offsets):
    times = planning.weekly(first, first + 3 * H, LONDON, count=4)

    assert [start.hour for _, start, _, _ in times] == [9, 9, 9, 9]
    assert [start.utcoffset() / H for _, start, _, _ in times] == offsets
    assert {planning.length_of(start, end) for _, start, end, _ in times} == {3 * H}


def test_a_week_whose_hour_does_not_exist_is_named_by_its_number():
    times = planning.weekly(datetime(2026, 3, 22, 1, 30), datetime(2026, 3, 22, 5), LONDON, count=3)

    assert [number for number, *_, why in times if why] == [2]


@pytest.mark.parametrize(
    ("hours", "start", "length", "says"),
    [
        (Hours("alone"), NOW + 3 * H, H / 4, "15 min is shorter than the 30 min"),
        (Hours("alone"), NOW + 3 * H, 9 * H, "9 h is longer than the 8 h"),
        (Hours("alone"), NOW + H, H, "at least 2 h before. Choose Thu 12 Nov, 11:00"),
        (Hours("alone"), NOW + timedelta(days=31), H, "at most 30 days ahead"),
        (Hours("observe", may_book=False), NOW + 3 * H, H, "do not book Quayside yourself"),
        (Hours("alone by day", True, time(8), time(18)), NOW + 8 * H, 2 * H, "between 08:00 and 18:00"),
        (Hours("alone by day", True, time(8), time(18), True), NOW + timedelta(days=2, hours=1), H,
         "working days only"),
        (Hours("alone by day", True, time(8), time(18), True), NOW + 3 * H, 6 * H, ""),
        (Hours("alone"), NOW + 3 * H, 8 * H, ""),
        (None, NOW + 8 * H, 8 * H, ""),
    ],
)  # fmt: skip
def test_each_rule_says_what_is_so_and_what_to_do(hours, start, length, says):
    said = planning.refusal(
        start, start + length, now=NOW, rules=RULES, hours=hours, instrument="Quayside"
    )

    assert (says in said) if says else said == ""


@pytest.mark.parametrize(
    ("held", "quota", "full"), [(38, 40, False), (38.5, 40, True), (0, None, False), (0, 0, True)]
)
def test_a_quota_is_full_only_above_its_hours(held, quota, full):
    said = planning.over_quota(held, NOW, NOW + 2 * H, quota, "coatings", "Quayside")

    assert bool(said) is full


minutes = some.integers(0, 600)


@given(some.lists(some.tuples(minutes, some.integers(1, 90)), max_size=8))
@settings(max_examples=200, deadline=None)
def test_free_stretches_are_what_no_minute_of_a_plain_count_holds(rows):
    taken = [Taken(NOW + timedelta(minutes=a), NOW + timedelta(minutes=a + n)) for a, n in rows]

    free = planning.free_stretches(taken, NOW, NOW + 10 * H)

    held = {minute for a, n in rows for minute in range(a, a + n)}
    said = {
        minute
        for start, end in free
        for minute in range(int((start - NOW) / (H / 60)), int((end - NOW) / (H / 60)))
    }
    assert said == set(range(600)) - held


def test_the_next_slot_is_the_first_that_the_rules_allow():
    taken = [Taken(NOW, NOW + 2 * H), Taken(NOW + 3 * H, NOW + 5 * H)]

    slot = planning.next_slot(
        taken, 2 * H, after=NOW, until=NOW + timedelta(days=2), allows=lambda s, e: s.hour >= 15
    )

    assert slot == (NOW + 6 * H, NOW + 8 * H)
    assert planning.next_slot(taken, 50 * H, after=NOW, until=NOW + 48 * H) is None


@pytest.mark.parametrize(("certainty", "s"), [(0.1, 3000), (0.5, 3600), (0.9, 5400)])
def test_certainties_at_the_ends_of_the_interval_are_its_ends(certainty, s):
    assert planning.quantile_s(3600.0, 3000.0, 5400.0, certainty) == pytest.approx(s)


def test_more_certainty_never_waits_less():
    waits = [planning.quantile_s(3600.0, 3000.0, 5400.0, n / 100) for n in range(2, 99)]

    assert waits == sorted(waits)


@pytest.mark.parametrize(
    ("interval", "certainty"), [((3600, 3700, 4000), 0.5), ((0, 0, 1), 0.5), ((2, 1, 3), 1.0)]
)
def test_an_interval_out_of_order_or_certainty_itself_is_refused(interval, certainty):
    with pytest.raises(ValueError, match=r"out of order|between 0\.02"):
        planning.quantile_s(*map(float, interval), certainty)


def test_load_by_counts_what_elapses_over_a_change_of_clocks():
    nine = planning.moment_of(datetime(2026, 3, 29, 9), LONDON)

    door = planning.load_by(nine, 10 * 3600, 15 * H / 60)

    assert f"{door:%d %H:%M}" == "28 21:45"  # 22:45 by the wall if an hour were not left out


def test_who_ends_last_has_the_shut_down_duty_and_a_cancellation_passes_it_on():
    rows = [(NOW, NOW + 2 * H, "ben"), (NOW + 3 * H, NOW + 5 * H, "gil")]

    assert planning.shut_down_duty(rows, NOW.date(), LONDON) == "gil"
    assert planning.shut_down_duty(rows[:1], NOW.date(), LONDON) == "ben"
    assert planning.shut_down_duty([], NOW.date(), LONDON) is None


def test_a_source_that_was_never_seen_off_was_on_until_the_end():
    changes = [(NOW, "xrays"), (NOW + H, "idle"), (NOW + 2 * H, "xrays")]

    on = planning.on_stretches(changes, {"idle"}, NOW + 5 * H)

    assert planning.hours_of(on) == 4.0


def test_shares_of_a_session_sum_to_its_hours():
    assert sum(planning.shared(2.5, ["film", "powder", "fibre"]).values()) == pytest.approx(2.5)


def test_what_x_rays_spoil_has_its_key_region_first_and_again_last():
    order = planning.order_of_scans(["F 1s", "C 1s"], sensitive=True)

    assert order[0] == "F 1s"
    assert order[-1].startswith("F 1s again")
