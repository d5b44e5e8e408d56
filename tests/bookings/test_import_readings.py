"""Readings from tables: ours, somebody's with commas, and forty rows of each open record."""

from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from django.core.management import call_command
from django.utils import timezone

from bookings.management.commands.import_readings import BATCH
from bookings.models import Reading
from facility.models import Gauge
from facility.vacuum.units import TORR

pytestmark = pytest.mark.django_db

OPEN_RECORDS = Path(__file__).parents[1] / "published" / "open_records.csv"
INTRO = "quayside-intro"  # a combined gauge whose controller shows torr
OURS = """at,pressure
2026-03-02T09:00:00Z,2.0e-2
2026-03-02T09:10:00Z,3.4e-5
2026-03-02T09:20:00Z,9.1e-7
"""


@pytest.fixture
def write(tmp_path):
    """Write a table; bytes as they are, text in UTF-8 with the line ends it has."""

    def written(content):
        path = tmp_path / "table.csv"
        path.write_bytes(content if isinstance(content, bytes) else content.encode())
        return path

    return written


def take(path, *options, gauge=INTRO):
    call_command("import_readings", str(path), "--gauge", gauge, *options)


def refused(path, capsys, *options, gauge=INTRO):
    """The sentence of an import that stores nothing."""
    with pytest.raises(SystemExit) as left:
        take(path, *options, gauge=gauge)
    assert left.value.code == 2
    assert not Reading.objects.exists()
    return capsys.readouterr().err


def test_given_a_table_when_it_is_imported_twice_then_each_reading_is_stored_once(
    lab, write, capsys
):
    path = write(OURS)

    take(path)
    first = capsys.readouterr().out
    take(path)

    assert first == "3 stored; 0 repeated; 0 refused.\n"
    assert capsys.readouterr().out == "0 stored; 3 repeated; 0 refused.\n"
    rows = Reading.objects.order_by("at")
    assert [row.typed for row in rows] == ["2.0e-2", "3.4e-5", "9.1e-7"]
    assert rows[0].pressure_pa == pytest.approx(2.0e-2 * TORR)
    assert rows[0].at == datetime(2026, 3, 2, 9, tzinfo=UTC)
    assert {row.source for row in rows} == {"logger"}


def test_given_a_table_that_grew_when_it_is_imported_again_then_only_the_new_rows_are_stored(
    lab, write, capsys
):
    take(write(OURS))
    take(write(OURS + "2026-03-02T09:30:00Z,5.0e-7\n"))

    assert "1 stored; 3 repeated" in capsys.readouterr().out


def test_given_the_same_table_when_it_goes_to_another_gauge_then_it_is_stored_there_too(
    lab, write, capsys
):
    path = write(OURS)

    take(path)
    take(path, gauge="headland-intro")

    assert Reading.objects.count() == 6


def test_given_a_dry_run_when_it_ends_then_nothing_is_stored(lab, write, capsys):
    take(write(OURS), "--dry-run")

    assert capsys.readouterr().out == "Would be: 3 stored; 0 repeated; 0 refused.\n"
    assert not Reading.objects.exists()


def test_given_decimal_commas_and_semicolons_when_said_so_then_they_are_read(lab, write):
    path = write("Zeit;Druck\n02.03.2026 09:00;1,2e-6\n02.03.2026 09:01;1,1E-06\n")

    take(
        path, "--decimal-comma", "--time-column", "Zeit", "--date-format", "%d.%m.%Y %H:%M",
        "--unit", "mbar", "--zone", "Europe/Berlin",
    )  # fmt: skip

    rows = list(Reading.objects.order_by("at"))
    assert [row.pressure_pa for row in rows] == pytest.approx([1.2e-4, 1.1e-4])
    assert [row.typed for row in rows] == ["1,2e-6", "1,1E-06"]  # as it stands in the table
    assert rows[0].at == datetime(2026, 3, 2, 8, tzinfo=UTC)
    assert rows[0].unit == "mbar"


def test_given_mixed_decimals_when_imported_then_the_odd_ones_are_named_by_line(lab, write, capsys):
    path = write("at;pressure\n2026-03-02T09:00Z;1.2e-6\n2026-03-02T09:01Z;1,1e-6\n")

    take(path)

    answer = capsys.readouterr()
    assert "1 stored; 0 repeated; 1 refused" in answer.out
    assert answer.err.startswith("Line 3: “1,1e-6” has a decimal “,”")


@pytest.mark.parametrize(
    ("row", "says"),
    [
        ("yesterday,1e-6", "is not an ISO 8601 time"),
        ("2026-03-02T09:00Z,abc", "is not a pressure that can be read"),
        ("2026-03-02T09:00Z,", "Enter the pressure"),
        ("2026-03-02T09:00Z", "it has 1 columns, the header has 2"),
        ("2026-03-02T09:00Z,1e-6,7", "it has 3 columns, the header has 2"),
        ("2026-03-02T09:00Z,1e300", "outside anything a gauge shows"),
        ("2026-03-02T09:00Z,nan", "is not a pressure that can be read"),
        ("2026-03-02T09:00Z,inf", "is not a pressure that can be read"),
        ("2026-03-02T09:00Z,1e-6\x00", "cannot be read"),
        ("2026-03-02T09:00Z," + "1" * 50, "longer than any pressure"),
        ("2026-03-29T01:30:00,1e-6", "does not exist in Europe/London"),
        ("9999-12-31T23:00Z,1e-6", "is still to come"),
        ("0001-01-01T00:00:00+09:00,1e-6", "outside any calendar"),
    ],
)
def test_given_a_bad_row_when_imported_then_it_is_named_and_the_others_are_kept(
    lab, write, capsys, row, says
):
    take(write(OURS + row + "\n"))

    answer = capsys.readouterr()
    assert "3 stored; 0 repeated; 1 refused" in answer.out
    assert answer.err.startswith("Line 5: ")
    assert says in answer.err


def test_given_half_a_last_line_when_imported_then_it_waits_until_it_is_whole(lab, write, capsys):
    take(write(OURS + "2026-03-02T09:30:00Z,5.0"))  # cut off before e-7
    first = capsys.readouterr()
    take(write(OURS + "2026-03-02T09:30:00Z,5.0e-7\r\n"))

    assert "Line 5: the file ends in the middle of this line" in first.err
    assert "1 stored; 3 repeated; 0 refused" in capsys.readouterr().out
    assert Reading.objects.order_by("at").last().pressure_pa == pytest.approx(5e-7 * TORR)


def test_given_many_bad_rows_when_imported_then_the_first_are_named_and_all_are_counted(
    lab, write, capsys
):
    take(write(OURS + "x,y\n" * 90))

    answer = capsys.readouterr()
    assert "90 refused" in answer.out
    assert answer.err.count("Line ") == 20
    assert "and 70 more lines were refused." in answer.err


def test_given_zero_below_zero_and_words_when_imported_then_they_are_states(lab, write):
    take(write("at,p\n" + "".join(
        f"2026-03-02T09:0{n}:00Z,{text}\n"
        for n, text in enumerate(["1e-6", "0", "-2e-9", "OFF", "over range", "<1e-9"])
    )))  # fmt: skip

    states = list(Reading.objects.order_by("at").values_list("state", "pressure_pa"))
    assert states == [
        ("number", pytest.approx(1e-6 * TORR)), ("under", None), ("under", None), ("off", None),
        ("over", None), ("under", None),
    ]  # fmt: skip


def test_given_a_cold_cathode_when_it_shows_zero_then_it_is_not_lit(lab, write):
    gauge = Gauge.objects.get(code=INTRO)
    Gauge.objects.create(
        chamber=gauge.chamber, code="cold", name="cold", principle="cold_cathode", unit="torr",
        low_pa=1e-7, high_pa=1.0,
    )  # fmt: skip

    take(write("at,p\n2026-03-02T09:00Z,0\n2026-03-02T09:01Z,4e-6\n"), gauge="cold")

    assert list(Reading.objects.order_by("at").values_list("state", flat=True)) == ["off", "number"]


def test_given_a_clamp_across_two_batches_when_imported_then_every_row_of_it_is_over_range(
    lab, write, capsys
):
    start = datetime(2026, 3, 2, tzinfo=UTC)
    texts = ["1e-3"] * (BATCH - 1) + ["1000"] * 4 + ["2e-3"] * 30 + ["999"]
    rows = [f"{start + timedelta(seconds=n):%Y-%m-%dT%H:%M:%SZ},{t}" for n, t in enumerate(texts)]

    take(write("at,pressure\n" + "\n".join(rows) + "\n"), "--unit", "mbar")

    assert "without a pressure: 4 over" in capsys.readouterr().out
    over = Reading.objects.filter(state="over")
    assert set(over.values_list("typed", "pressure_pa")) == {("1000", None)}
    assert Reading.objects.get(typed="999").pressure_pa == pytest.approx(99_900.0)


def test_given_the_hour_that_comes_twice_when_rows_run_on_then_each_is_stored_at_its_own_time(
    lab, write
):
    clock = ["00:40", "01:20", "01:50", "01:10", "01:40", "02:10"]  # in London, 25 October 2026
    path = write("at,p\n" + "".join(f"2026-10-25T{t}:00,1e-6\n" for t in clock))

    take(path)

    moments = list(Reading.objects.order_by("at").values_list("at", flat=True))
    assert [f"{at:%d %H:%M}" for at in moments] == [
        "24 23:40", "25 00:20", "25 00:50", "25 01:10", "25 01:40", "25 02:10",
    ]  # fmt: skip


def test_given_a_time_that_is_to_come_when_imported_then_it_is_refused(lab, write, capsys):
    soon, later = (timezone.now() + timedelta(minutes=m) for m in (5, 20))

    take(write(f"at,p\n{soon.isoformat()},1e-6\n{later.isoformat()},1e-6\n"))

    assert Reading.objects.count() == 1
    assert "Line 3:" in capsys.readouterr().err


def test_given_a_wrong_column_when_imported_then_the_columns_that_are_there_are_named(
    lab, write, capsys
):
    says = refused(write(OURS), capsys, "--column", "CH2")

    assert says == "The table has no column 'CH2'; it has: at, pressure.\n"


@pytest.mark.parametrize(
    ("content", "options", "says"),
    [
        (b"", (), "table.csv is empty"),
        ("a,b,c\n1,2,3\n", (), "Say which column holds the times with --time-column"),
        ("at,b,c\n1,2,3\n", (), "Say which column holds the pressures with --column"),
        ("at,pressure\n", (), "No row of table.csv can be read"),
        ("at,pressure\nx,y\n", (), "No row of table.csv can be read"),
        (b"\x00\x01\x02\x03" * 999, (), "Say which column holds the times"),
        (OURS, ("--unit", "furlong"), "--unit: The unit “furlong” is not known here"),
        (OURS, ("--zone", "Atlantis/Centre"), "no zone is called 'Atlantis/Centre'"),
        (OURS, ("--zone", "../../etc/passwd"), "no zone is called"),
        (OURS, ("--delimiter", "::"), "--delimiter is '::'; write one character"),
        (OURS, ("--date-format", "%d-%b-%Y"), "is not like %d-%b-%Y"),
    ],
)
def test_given_nothing_that_can_be_read_when_imported_then_one_sentence_and_exit_2(
    lab, write, capsys, content, options, says
):
    assert says in refused(write(content), capsys, *options)


def test_given_no_such_file_or_gauge_when_imported_then_the_sentence_says_what_is_there(
    lab, write, tmp_path, capsys
):
    gone = refused(tmp_path / "nowhere.csv", capsys)
    folder = refused(tmp_path, capsys)
    unknown = refused(write(OURS), capsys, gauge="quayside-gone")

    assert "cannot be opened: No such file or directory." in gone
    assert "cannot be opened: Is a directory." in folder
    assert "There is no gauge 'quayside-gone'; there are: headland-intro, headland-main" in unknown


def test_given_utf_16_and_a_monstrous_line_when_imported_then_the_rest_is_kept(lab, write, capsys):
    take(write((OURS + "x" * 50_000 + "\n2026-03-02T09:30:00Z,5.0e-7\n").encode("utf-16")))

    answer = capsys.readouterr()
    assert "4 stored; 0 repeated; 1 refused" in answer.out
    assert "Line 5:" in answer.err


def test_given_forty_rows_of_each_open_record_when_imported_then_the_vent_is_over_range(
    lab, capsys
):
    # breenci/am4space_outgassing, commit c8b6fc5, MIT licence; see open_records.md beside it
    options = ("--unit", "mbar", "--time-column", "Datetime", "--column", "CH2")
    options += ("--date-format", "%d-%b-%Y %H:%M:%S", "--zone", "UTC")

    take(OPEN_RECORDS, *options)
    first = capsys.readouterr()
    take(OPEN_RECORDS, *options)

    assert first.out == "120 stored; 0 repeated; 0 refused; without a pressure: 3 over.\n"
    assert capsys.readouterr().out == "0 stored; 120 repeated; 0 refused.\n"
    row = Reading.objects.get(at=datetime(2023, 5, 15, 15, 48, 34, tzinfo=UTC))
    assert (row.typed, row.pressure_pa) == ("0.000239", pytest.approx(2.39e-2))
    assert set(Reading.objects.filter(state="over").values_list("typed", flat=True)) == {"1000"}
