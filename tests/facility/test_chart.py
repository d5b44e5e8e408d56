"""The charts: scales, thinning, gaps, over-range, the words, and what a template makes of them."""

import math
import re
from datetime import UTC, datetime, timedelta
from itertools import pairwise
from zoneinfo import ZoneInfo

import pytest
from django.template import Context, Engine

from facility import chart
from facility.chart.axes import decades, power_text
from facility.chart.paper import path_of, thinned

START = datetime(2026, 11, 12, 17, 2, tzinfo=UTC)
LONDON = ZoneInfo("Europe/London")


def falling(at_s):
    """An invented pump-down [Pa]."""
    return 1e5 * math.exp(-at_s / 12) + 3e-3 * (at_s / 540 + 0.05) ** -1


def run_of(readings, **more):
    values = {"clock": chart.clock_of(START), "threshold_pa": 2e-4, "until_s": 3600} | more
    return chart.PumpDown(readings=readings, **values)


def lines(drawing, kind):
    every = (*drawing.ground, *drawing.inside, *drawing.above)
    return [line.d for line in every if kind in line.kind.split()]


def places(path):
    return [(float(x), float(y)) for x, y in re.findall(r"(-?[\d.]+) (-?[\d.]+)", path)]


def texts(drawing):
    return [word.text for word in drawing.words]


# ---- scales and axes


def test_a_log_scale_puts_equal_factors_at_equal_distances():
    scale = chart.Scale(1e-6, 1e3, 200, 20, log=True)

    steps = [scale(10.0**n) - scale(10.0 ** (n + 1)) for n in range(-6, 3)]

    assert steps == pytest.approx([20.0] * 9)


def test_given_a_scale_when_a_template_prints_it_then_it_is_not_called():
    scale = chart.Scale(0, 10, 0, 100)

    printed = (
        Engine()
        .from_string("{{ scale.end }}{% if scale %} there{% endif %}")
        .render(Context({"scale": scale}))
    )

    assert printed == "100 there"


@pytest.mark.parametrize(
    ("low", "high", "expected"),
    [(2e-6, 900, (-6, 3)), (1e-6, 1e3, (-6, 3)), (0.9e-9, 1e-9, (-10, -9))],
)
def test_decades_hold_both_values(low, high, expected):
    assert decades(low, high) == expected


def test_powers_of_ten_are_written_as_people_write_them():
    assert [power_text(n) for n in (-10, -1, 0, 1, 2)] == ["10⁻¹⁰", "10⁻¹", "1", "10", "10²"]


def test_given_an_hour_when_ticks_are_chosen_then_they_are_round_quarters():
    ticks = chart.clock_ticks(START, 3600, most=4)

    assert [word for _, word in ticks] == ["17:15", "17:30", "17:45", "18:00"]
    assert ticks[0][0] == 13 * 60


def test_given_a_clock_change_when_ticks_are_chosen_then_time_never_runs_backwards():
    start = datetime(2026, 10, 25, 0, 10, tzinfo=LONDON)  # at 02:00 the clock goes back to 01:00

    ticks = chart.clock_ticks(start, 5 * 3600, most=7)

    seconds = [at for at, _ in ticks]
    assert seconds == sorted(set(seconds))
    assert [word for _, word in ticks] == ["01:00", "01:00", "02:00", "03:00", "04:00"]
    assert {b - a for a, b in pairwise(seconds)} == {3600}


def test_given_a_night_when_clock_words_are_asked_then_the_next_day_is_named():
    clock = chart.clock_of(START)

    assert (clock(540), clock(timedelta(hours=16).total_seconds())) == ("17:11", "Fri 09:02")


# ---- thinning and gaps


def test_given_14401_readings_when_drawn_then_a_single_spike_survives():
    readings = [chart.Reading(t * 5.0, 1e-2) for t in range(14401)]
    readings[7000] = chart.Reading(35000.0, 5e-1)
    run = run_of(readings, until_s=72005)

    drawing = chart.pressure_chart(run, sizes=[chart.UPRIGHT])[0]

    curve = places(lines(drawing, "curve")[0])
    width = chart.UPRIGHT.end - chart.UPRIGHT.left
    assert len(curve) <= 2 * (width + 1)
    flat = curve[0][1]
    spikes = [(x, y) for x, y in curve if y < flat - 10]
    assert len(spikes) == 1
    assert spikes[0][0] == pytest.approx(58 + 35000 / 72005 * width, abs=1)


def test_thinning_keeps_the_order_of_time_and_both_extremes_of_each_column():
    curve = [(x / 10, math.sin(x * 7.3) * 50) for x in range(200)]

    kept = thinned(curve)

    assert [x for x, _ in kept] == sorted(x for x, _ in kept)
    for column in range(20):
        inside = [y for x, y in curve if int(x) == column]
        left = [y for x, y in kept if int(x) == column]
        assert (min(left), max(left)) == (min(inside), max(inside))


@pytest.mark.parametrize(
    ("readings", "expected"),
    [
        ([(0, 1.0), (10, 1.0), (20, 1.0), (900, 1.0), (910, 1.0)], [3, 2]),
        ([(0, 1.0), (10, None), (20, 1.0), (30, 1.0)], [1, 2]),
        ([(0, 1.0), (10, 0.0), (20, 1.0)], [1, 1]),
        ([(0, 1.0), (10, math.nan), (20, 1.0)], [1, 1]),
        ([], []),
    ],
)
def test_a_silence_or_a_gauge_without_a_number_breaks_the_line(readings, expected):
    run = [chart.Reading(t, p, state="number" if p is not None else "off") for t, p in readings]

    assert [len(stretch) for stretch in chart.runs_without_gaps(run)] == expected


def test_given_two_gauges_when_drawn_then_each_has_a_line_of_its_own():
    readings = [
        chart.Reading(float(t), 1.0 if t % 20 else 2.0, gauge="pirani" if t % 20 else "cold")
        for t in range(0, 200, 10)
    ]

    drawing = chart.pressure_chart(run_of(readings), sizes=[chart.UPRIGHT])[0]

    heights = [{y for _, y in places(path)} for path in lines(drawing, "curve")]
    assert [len(one) for one in heights] == [1, 1]
    assert heights[0] != heights[1]


def test_given_a_typed_evening_when_readings_are_an_hour_apart_then_the_line_joins_them():
    readings = [chart.Reading(t, falling(t), source="manual") for t in (300, 900, 4000, 7000)]

    assert [len(run) for run in chart.runs_without_gaps(readings)] == [4]


# ---- the pressure chart


def test_given_readings_at_the_clamp_when_drawn_then_they_are_ticks_at_the_top_and_no_pressure():
    readings = [chart.Reading(t, 1e-3) for t in range(0, 600, 10)]
    readings += [chart.Reading(t, None, state="over") for t in range(600, 900, 100)]

    drawing = chart.pressure_chart(run_of(readings), sizes=[chart.UPRIGHT])[0]

    ticks = lines(drawing, "over")
    assert len(ticks) == 1
    assert len(re.findall(r"M\d+ 14v7", ticks[0])) == 3
    assert "over range" in texts(drawing)
    assert max(x for x, _ in places(lines(drawing, "curve")[0])) <= 58 + 600 / 3600 * 706 + 1
    assert "3 over range" in drawing.says


def test_given_a_forecast_when_drawn_then_the_interval_lies_on_the_threshold_with_three_times():
    readings = [chart.Reading(t, falling(t)) for t in range(20, 540, 20)]
    forecast = chart.Forecast(2880, 1980, 4380)
    run = run_of(readings, forecast=forecast, until_s=5500)

    drawing = chart.pressure_chart(run, sizes=[chart.ACROSS])[0]

    threshold = places(lines(drawing, "threshold")[0].replace("H", " 0 M"))[0][1]
    bracket = lines(drawing, "bracket")[0]
    diamond = next(dot for dot in drawing.dots if dot.kind == "ready")
    assert float(bracket.split()[1].split("H")[0]) == pytest.approx(threshold, abs=0.1)
    assert diamond.y == pytest.approx(threshold, abs=0.1)
    assert {"17:35", "18:15", "ready 17:50"} <= set(texts(drawing))
    assert "80 % between 17:35 and 18:15" in drawing.says


def test_given_a_forecast_beyond_the_axis_when_drawn_then_nothing_leaves_the_paper():
    readings = [chart.Reading(t, falling(t)) for t in range(20, 540, 20)]
    run = run_of(readings, forecast=chart.Forecast(9000, 2000, 30000), until_s=3600)

    for drawing in chart.pressure_chart(run):
        numbers = [float(n) for n in re.findall(r"(?<=[MH])[\d.]+", lines(drawing, "bracket")[0])]
        assert max(numbers) <= drawing.width
        assert not any(dot.kind == "ready" for dot in drawing.dots)


def test_given_a_finished_run_when_drawn_then_the_time_found_stands_at_the_threshold():
    readings = [chart.Reading(t, falling(t)) for t in range(20, 3000, 20)]

    drawing = chart.pressure_chart(run_of(readings, crossed_s=2940), sizes=[chart.UPRIGHT])[0]

    assert "found 17:51" in texts(drawing)


def test_typed_readings_are_open_circles_and_only_flagged_or_last_ones_stop_the_tab_key():
    readings = [
        chart.Reading(t, falling(t), source="manual", url=f"#{t}", odd=t == 600)
        for t in range(300, 1500, 300)
    ]

    drawing = chart.pressure_chart(run_of(readings), sizes=[chart.UPRIGHT])[0]

    assert [dot.kind for dot in drawing.dots] == ["typed", "warn", "typed", "typed"]
    assert [dot.stop for dot in drawing.dots] == [False, True, False, True]
    assert drawing.has_links


def test_what_a_finger_may_tap_leaves_no_place_between_two_points_and_none_to_both():
    readings = [
        chart.Reading(t, falling(t), source="manual", url=f"#{t}") for t in range(300, 3300, 300)
    ]

    drawing = chart.pressure_chart(run_of(readings), sizes=[chart.UPRIGHT])[0]

    hits = [dot.hit for dot in drawing.dots]
    for (x, _, width, _), (following, *_) in pairwise(hits):
        assert x + width == pytest.approx(following, abs=0.11)
    assert min(width for _, _, width, _ in hits) >= 24


def test_given_no_reading_when_drawn_then_axes_and_threshold_stand_alone():
    for drawing in chart.pressure_chart(run_of([])):
        assert lines(drawing, "threshold")
        assert not lines(drawing, "curve")
        assert "No reading yet." in drawing.says


@pytest.mark.parametrize("pascal", [0.0, -1.0, math.nan, math.inf, None])
def test_given_a_pressure_that_no_log_scale_holds_when_drawn_then_it_is_left_out(pascal):
    drawing = chart.pressure_chart(run_of([chart.Reading(10, pascal), chart.Reading(20, 1.0)]))[0]

    assert "nan" not in str(drawing)
    assert "inf" not in str(drawing)
    assert len(drawing.dots) == 1


def test_given_one_reading_when_drawn_then_it_is_a_dot_with_its_time_and_pressure():
    drawing = chart.pressure_chart(run_of([chart.Reading(540, 1.3e-3, source="manual")]))[0]

    assert len(drawing.dots) == 1
    assert "17:11, 1.3 × 10⁻⁵" in texts(drawing)


def test_given_readings_out_of_order_when_drawn_then_the_line_runs_forwards():
    readings = [chart.Reading(t, 1.0) for t in (60, 20, 40, 0)]

    curve = places(lines(chart.pressure_chart(run_of(readings))[0], "curve")[0])

    assert [x for x, _ in curve] == sorted(x for x, _ in curve)


def test_the_last_two_decades_span_a_factor_of_one_hundred_and_hold_the_threshold():
    readings = [chart.Reading(t, falling(t)) for t in range(20, 3000, 20)]
    run = run_of(readings)

    drawing = chart.last_decades(run, sizes=[chart.UPRIGHT])[0]

    threshold = places(lines(drawing, "threshold")[0].replace("H", " 0 M"))[0][1]
    assert 14 < threshold < 198
    assert "mbar, the last 2 decades" in texts(drawing)
    decade = (198 - 14) / 2
    lowest = min(falling(t) for t in range(20, 3000, 20))
    above = math.log10(2e-4 / (min(lowest, 2e-4) / 2)) * decade
    assert threshold == pytest.approx(198 - above, abs=0.1)


def test_given_nothing_read_inside_the_last_decades_when_asked_then_there_is_no_drawing():
    assert chart.last_decades(run_of([chart.Reading(10, 1e4)])) == ()


def test_given_a_band_when_drawn_then_it_is_one_closed_shape_between_its_edges():
    times = [10.0 * n for n in range(1, 300)]
    band = chart.Band(times, [falling(t) / 2 for t in times], [falling(t) * 2 for t in times])

    drawing = chart.pressure_chart(run_of([], band=band), sizes=[chart.UPRIGHT])[0]

    shape = lines(drawing, "band")[0]
    assert shape.startswith("M")
    assert shape.endswith("Z")
    assert shape.count("M") == 1


def test_the_table_holds_every_typed_reading_and_few_of_a_logger():
    readings = [chart.Reading(float(t), 1.0) for t in range(0, 7200, 5)]
    typed = [chart.Reading(t + 0.5, 1.0, source="manual") for t in (61, 3001, 7001)]

    rows = chart.rows(run_of(readings + typed), most=60)

    assert sum(row.source == "manual" for row in rows) == 3
    assert len(rows) <= 65


def test_no_drawing_carries_a_style_or_a_script():
    readings = [chart.Reading(t, falling(t), source="manual", url="#x") for t in (300, 600)]
    drawing = chart.pressure_chart(run_of(readings, forecast=chart.Forecast(2880, 1980, 4380)))[0]

    assert not re.search(r"style|script|on[a-z]+=", str(drawing))


# ---- single values


def test_a_phase_breaks_the_line_of_a_control_chart_and_is_marked():
    points = [chart.Point(float(n), phase=n == 3) for n in range(6)]

    drawing = chart.control_chart(points, centre=2.5, low=0, high=5)[0]

    assert lines(drawing, "curve")[0].count("M") == 2
    assert len(lines(drawing, "phase")) == 1
    assert len(lines(drawing, "limit")) == 2


def test_the_limits_of_a_control_chart_lie_where_its_values_would():
    points = [chart.Point(value) for value in (-0.1, 0.0, 0.1)]

    drawing = chart.control_chart(points, low=-0.1, high=0.1)[0]

    limits = sorted(float(path.split()[1].split("H")[0]) for path in lines(drawing, "limit"))
    assert limits == pytest.approx(sorted((drawing.dots[0].y, drawing.dots[2].y)), abs=0.1)


def test_given_neither_limit_nor_centre_when_drawn_then_the_axis_names_least_and_greatest():
    points = [chart.Point(value) for value in (-3.0, 0.0, 41.5)]

    drawing = chart.control_chart(points, unit="ppm", decimals=1)[0]

    assert {"−3.0", "41.5"} <= set(texts(drawing))


def test_the_odd_value_of_an_evidence_drawing_is_named_with_its_sign():
    points = [chart.Point(0.01), chart.Point(-0.14, odd=True)]

    drawing = chart.evidence(points, low=-0.1, high=0.1, unit="eV")

    assert (drawing.width, drawing.height) == (240, 84)
    assert "−0.14 eV" in texts(drawing)


@pytest.mark.parametrize("points", [[], ()])
def test_given_no_points_when_a_control_chart_is_asked_then_it_is_refused(points):
    with pytest.raises(ValueError, match="at least one point"):
        chart.control_chart(points)


def test_equal_values_are_drawn_and_do_not_divide_by_zero():
    drawing = chart.control_chart([chart.Point(5.0), chart.Point(5.0)])[0]

    assert len({dot.y for dot in drawing.dots}) == 1


def test_given_fewer_than_two_readings_when_an_evidence_curve_is_asked_then_it_is_refused():
    with pytest.raises(ValueError, match="two readings"):
        chart.evidence_curve([(0.0, 1.0), (60.0, 1.0)])


def test_nine_pump_downs_stand_side_by_side_and_the_odd_one_says_so():
    times = range(60, 3600, 60)
    runs = [
        chart.SmallRun([(t, falling(t)) for t in times], f"run {n}", odd=n == 3, url=f"#{n}")
        for n in range(9)
    ]

    drawing = chart.pump_downs_in_a_row(runs)

    assert (len(lines(drawing, "curve")), len(lines(drawing, "odd"))) == (8, 1)
    assert [word.text for word in drawing.words if "warn-word" in word.kind] == ["run 3"]
    starts = [places(path)[0][0] for path in lines(drawing, "curve")]
    assert starts == sorted(starts)


# ---- the day line and the decade rule


def test_a_night_run_is_one_slip_that_stays_open_at_midnight():
    day = chart.day_line([[chart.Slip(18, 32, "yours", "Yours")]])

    assert (day.slips[0].x, day.slips[0].width) == ("75.000", "25.000")
    assert not day.slips[0].has_corner


def test_given_a_slip_that_ends_before_it_starts_when_drawn_then_it_is_refused():
    with pytest.raises(ValueError, match="not after its start"):
        chart.day_line([[chart.Slip(9, 9, "yours", "Yours")]])


def test_two_instruments_are_two_lanes():
    lanes = [[chart.Slip(1, 2, "past", "a")], [chart.Slip(1, 2, "past", "b")]]

    day = chart.day_line(lanes)

    assert [slip.y for slip in day.slips] == [21, 67]
    assert day.height == 112


def test_the_decade_rule_steps_evenly_and_holds_at_its_ends():
    steps = [chart.on_decade_rule(10.0**n) for n in range(3, -11, -1)]

    assert [b - a for a, b in pairwise(steps)] == pytest.approx([22.0] * 13)
    assert (chart.on_decade_rule(1e9), chart.on_decade_rule(1e-20)) == (10.0, 296.0)


def test_an_empty_path_is_an_empty_string():
    assert path_of([]) == ""
