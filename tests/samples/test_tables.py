"""Many samples from one paste: separators, headers, sizes, and what is refused by name."""

import pytest

from facility.errors import Refused
from samples import tables

HEADER = "Name;Form;Composition;Size [mm];Thickness (mm);Hazards;History"


@pytest.mark.parametrize("sign", [";", ",", "\t"])
def test_given_any_separator_when_read_then_fields_are_found_by_the_header(sign):
    text = f"{HEADER}\nFilm 1;film;TiN;4 x 5;0.5;none;sputtered".replace(";", sign)

    assert tables.read_table(text)[2]["composition"] == "TiN"
    assert tables.read_table(text)[2]["history"] == "sputtered"


def test_given_decimal_commas_and_a_byte_order_when_parted_by_semicolons_then_they_are_kept():
    rows = tables.read_table(f"{HEADER}\r\nFilm 1;film;TiN;4,5 x 5,25;0,5;none;x\r\n")

    assert rows[2]["thickness_mm"] == "0,5"
    assert tables.outline_of(rows[2])["width_mm"] == "4,5"


def test_given_half_a_last_line_when_read_then_it_is_marked_short():
    rows = tables.read_table(f"{HEADER}\nA;film;TiN;4 x 5;0.5;none;x\nB;film;Ti")

    assert not rows[2]["line_is_short"]
    assert rows[3]["line_is_short"]


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("", "Paste the table with its header line"),
        ("Probe;Dicke\nA;0.5", "no column for name, form, composition, thickness, hazards, size"),
        (HEADER, "nothing yet"),
        (HEADER + "\n" + "A;film;TiN;4 x 5;0.5;none;x\n" * 400, "400 lines; at most 300"),
        ("x" * 300_000, "300000 characters"),
        ("Name\x00;Form", "no text"),
    ],
)
def test_given_a_table_that_cannot_be_read_when_tried_then_a_sentence_says_why(text, says):
    with pytest.raises(Refused, match=says):
        tables.read_table(text)


@pytest.mark.parametrize("size", ["round", "4 by 5", "x", "4 x"])
def test_given_a_size_that_means_nothing_when_read_then_it_is_named(size):
    with pytest.raises(Refused, match="is not understood; write 4 x 5"):
        tables.outline_of({"size": size})
