import io
import resource
import time

import numpy as np
import pytest

from facility.vacuum.run_table import Unreadable, read_runs
from facility.vacuum.runs import crossing

HEADER = (
    "run_id,instrument,started_at,form,samples,vent_minutes,t_s,pressure,unit,gauge,source,event"
)
ROW = "r1,A,2026-03-02T09:00:00Z,film,3,10,60,1e-3,mbar,IG,manual,"


def table(*rows, header=HEADER, encoding="utf-8"):
    return list(
        read_runs(io.BufferedReader(io.BytesIO("\n".join([header, *rows]).encode(encoding))))
    )


def test_given_a_table_when_read_then_pressures_are_pascal_and_metadata_are_kept():
    (run,) = table(ROW, ROW.replace(",60,1e-3,", ",120,5e-4,"))

    assert run.pressure_pa.tolist() == pytest.approx([0.1, 0.05])
    assert run.t_s.tolist() == [60, 120]
    assert (run.form, run.samples, run.vent_minutes) == ("film", 3, 10)
    assert run.started_at.isoformat() == "2026-03-02T09:00:00+00:00"
    assert run.ended_at.isoformat() == "2026-03-02T09:02:00+00:00"


def test_given_runs_in_any_order_when_read_then_each_is_one_run():
    later, earlier = ROW.replace("r1", "late"), ROW.replace("r1", "early")

    assert [run.run_id for run in table(later, later, earlier)] == ["late", "early"]


def test_given_a_run_known_by_its_metadata_when_read_then_it_has_no_readings():
    (run,) = table("r1,A,2026-03-02T09:00:00Z,powder,,,,,,,,")

    assert run.t_s.size == 0
    assert (run.form, run.samples, run.vent_minutes) == ("powder", None, None)


@pytest.mark.parametrize("typed", ["OFF", "0", "-1", "inf", "nan", "abc", "", "---"])
def test_given_what_is_no_pressure_when_read_then_the_row_stays_without_a_number(typed):
    (run,) = table(ROW.replace("1e-3", typed))

    assert run.t_s.tolist() == [60]
    assert np.isnan(run.pressure_pa).all()


@pytest.mark.parametrize("typed", ["1.2e-6", '"1,2E-06"', "1.2 x 10^-6", "1.2 × 10⁻⁶"])
def test_given_other_spellings_when_read_then_they_are_the_same_pressure(typed):
    (run,) = table(ROW.replace("1e-3", typed))

    assert run.pressure_pa[0] == pytest.approx(1.2e-4)


@pytest.mark.parametrize("encoding", ["utf-8-sig", "utf-16"])
def test_given_an_encoding_mark_when_read_then_it_does_not_matter(encoding):
    assert len(table(ROW, encoding=encoding)) == 1


def test_given_semicolons_when_read_then_they_part_the_cells():
    (run,) = table(ROW.replace(",", ";"), header=HEADER.replace(",", ";"))

    assert run.form == "film"


def test_given_an_old_encoding_when_read_then_one_sentence_names_the_row_of_the_first_such_byte():
    many = [ROW] * 5000  # more than one block of the file

    with pytest.raises(Unreadable, match=r"^Row 5002: the text is not UTF-8; save .* UTF-8\.$"):
        table(*many, ROW.replace("IG", "Kälte"), ROW, encoding="latin-1")


def test_given_an_old_encoding_in_the_header_when_read_then_row_1_is_named():
    with pytest.raises(Unreadable, match=r"^Row 1: the text is not UTF-8"):
        table(ROW, header=HEADER + ",Prüfer", encoding="latin-1")


def test_given_letters_beyond_ascii_in_utf8_when_read_then_they_are_kept():
    (run,) = table(ROW.replace("IG", "Kälte 冷"))

    assert run.gauge.tolist() == ["Kälte 冷"]


@pytest.mark.parametrize(
    ("rows", "sentence"),
    [
        ((ROW.replace("mbar", "bananas"),), "Row 2: .*bananas"),
        ((ROW.replace(",60,", ",soon,"),), "Row 2: t_s is 'soon'"),
        ((ROW.replace("2026-03-02T09:00:00Z", "Monday"),), "Row 2: started_at is 'Monday'"),
        ((ROW, ROW.replace("r1", "r2"), ROW), "Row 4: run r1 was already read"),
        ((ROW, "r1,A"), "Row 3 has 2 cells"),
        ((ROW.replace("r1", ""),), "Row 2: run_id is empty"),
        ((ROW.replace("film", "fi\0lm"),), "Row 2: the file holds NUL"),
        ((ROW.replace("mbar", ""),), "Row 2: the unit is empty"),
        ((), "no rows"),
    ],
)
def test_given_a_table_that_cannot_be_read_when_read_then_one_sentence_names_the_row(
    rows, sentence
):
    with pytest.raises(Unreadable, match=sentence):
        table(*rows)


def test_given_a_missing_column_when_read_then_it_is_named():
    with pytest.raises(Unreadable, match="column unit is missing"):
        table(ROW, header=HEADER.replace(",unit", ",einheit"))


def test_given_an_empty_file_when_read_then_a_sentence_says_so():
    with pytest.raises(Unreadable, match="empty"):
        list(read_runs(io.BufferedReader(io.BytesIO(b""))))


def test_given_bytes_that_are_no_text_when_read_then_a_sentence_says_so():
    with pytest.raises(Unreadable):
        list(read_runs(io.BufferedReader(io.BytesIO(bytes(range(256)) * 40))))


@pytest.mark.soak
def test_given_a_million_rows_when_read_then_memory_stays_small():
    rows = (f"r{i // 250000},A,2026-03-02T09:00:00Z,film,3,10,{i % 250000},1e-3,mbar,IG,logger,\n"
            for i in range(1_000_000))  # fmt: skip
    stream = io.BufferedReader(Slow(rows))
    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    began = time.perf_counter()

    sizes = [run.t_s.size for run in read_runs(stream)]

    grown = (resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before) / 1024
    assert len(sizes) == 4
    assert max(sizes) < 90_000
    assert grown < 30, f"{grown:.0f} MB more"
    assert time.perf_counter() - began < 60


def test_given_a_logger_that_never_stops_when_read_then_it_is_thinned_and_its_curve_stays():
    rows = [ROW.replace(",60,1e-3", f",{i},{40 / (i + 1):.5g}") for i in range(1, 60_000)]

    (run,) = table(*rows)
    (sooner,) = table(*rows[:50_000])

    assert 20_000 < run.t_s.size < 50_000
    assert (run.t_s[0], run.t_s[-1]) == (1, 59_999)
    # what a hundredth of the time keeps does not depend on what comes later, but for the newest row
    assert run.until(49_999.0).t_s.tolist() == sooner.t_s[:-1].tolist()
    assert crossing(run, 100 * 40 / 40_000).best_s == pytest.approx(40_000, rel=0.003)


class Slow(io.RawIOBase):
    """A file that is written while it is read, so that it never lies in memory."""

    def __init__(self, rows):
        self.rows, self.left = rows, (HEADER + "\n").encode()

    def readable(self):
        return True

    def readinto(self, buffer):
        while len(self.left) < len(buffer):
            row = next(self.rows, None)
            if row is None:
                break
            self.left += row.encode()
        taken, self.left = self.left[: len(buffer)], self.left[len(buffer) :]
        buffer[: len(taken)] = taken
        return len(taken)


def test_given_more_columns_and_short_rows_when_read_then_what_is_left_out_is_empty():
    wide = "extra,run_id,instrument,started_at,t_s,pressure,unit,note,gauge,one,two,three,four"
    (run,) = table("x,r1,A,2026-03-02T09:00:00Z,60,1e-3,mbar", header=wide)

    assert (run.form, run.gauge.tolist(), run.event.tolist()) == ("", [""], [""])
    assert run.pressure_pa.tolist() == pytest.approx([0.1])


def test_given_a_cell_too_many_when_read_then_it_is_not_taken_for_another_column():
    header = HEADER.replace(",event", "")
    (run,) = table(ROW + "surplus", header=header)

    assert run.event.tolist() == [""]
