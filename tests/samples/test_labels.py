"""Labels and engraving files, read back by a decoder that knows nothing of how they were drawn."""

import io
import random
import re

import pytest
import zxingcpp
from PIL import Image, ImageDraw, ImageFilter

from facility.errors import Refused
from samples import labels, sheets
from samples.codes import new_code

DOTS = 12  # a millimetre, about 300 an inch


def read(picture):
    return [code.text for code in zxingcpp.read_barcodes(picture.convert("L"))]


def drawn(rows, dots=8, quiet=4):
    """The modules as a picture."""
    side = (len(rows) + 2 * quiet) * dots
    picture = Image.new("L", (side, side), 255)
    pen = ImageDraw.Draw(picture)
    for y, row in enumerate(rows):
        for x, dark in enumerate(row):
            if dark:
                left, top = (x + quiet) * dots, (y + quiet) * dots
                pen.rectangle([left, top, left + dots - 1, top + dots - 1], fill=0)
    return picture


def printed(pdf, width_mm=210, height_mm=297):
    """A page of an unpacked PDF as a picture: every filled rectangle that its text names, in mm."""
    page = Image.new("L", (width_mm * DOTS, height_mm * DOTS), 255)
    pen = ImageDraw.Draw(page)
    point = DOTS * 25.4 / 72
    for numbers in re.findall(rb"(-?[\d.]+) (-?[\d.]+) (-?[\d.]+) (-?[\d.]+) re", pdf):
        x, y, wide, high = (float(number) for number in numbers)
        if wide > 100 and high > 60:
            continue  # the edge of a label, not a module
        pen.rectangle(
            [
                x * point,
                page.height - (y + high) * point,
                (x + wide) * point,
                page.height - y * point,
            ],
            fill=0,
        )
    return page


@pytest.fixture(autouse=True)
def public_url(settings):
    settings.PUBLIC_URL = "https://lab.example.org"


def test_given_a_box_label_when_read_then_it_carries_the_address_in_capitals():
    code = new_code("H")

    picture = labels.box_label_png(kind="H", code=code, short_name="B7", lines=["1 TiN coating 04"])

    assert read(Image.open(io.BytesIO(picture))) == [f"HTTPS://LAB.EXAMPLE.ORG/H/{code}"]


def test_given_no_public_url_when_a_label_is_made_then_it_carries_the_bare_code(settings):
    settings.PUBLIC_URL = ""

    assert labels.address_of("S", "S1234567") == "S1234567"


@pytest.mark.parametrize("kind", ["H", "S", "C"])
@pytest.mark.parametrize("turn", [0, 17, 45, 90, 203])
def test_given_a_code_when_turned_and_blurred_then_it_is_still_read(kind, turn):
    code = new_code(kind)
    picture = drawn(labels.modules(labels.address_of(kind, code)))

    spoiled = picture.rotate(turn, expand=True, fillcolor=255).filter(ImageFilter.GaussianBlur(2.4))

    assert read(spoiled) == [f"HTTPS://LAB.EXAMPLE.ORG/{kind}/{code}"]


@pytest.mark.parametrize("seed", range(12))
def test_given_five_per_cent_of_a_code_scratched_away_when_read_then_it_is_still_whole(seed):
    code = new_code("H")
    rows = labels.modules(labels.address_of("H", code))
    picture, side = drawn(rows), len(rows) * 8
    scratch = int((0.05 * side * side) ** 0.5)
    luck = random.Random(seed)
    # finder patterns are no part of what level Q restores, so the scratch spares the three corners
    left, top = (32 + luck.randint(64, side - 64 - scratch) for _ in range(2))
    ImageDraw.Draw(picture).rectangle([left, top, left + scratch, top + scratch], fill=255)

    assert read(picture) == [f"HTTPS://LAB.EXAMPLE.ORG/H/{code}"]


def test_given_an_engraving_file_when_looked_at_then_it_holds_the_bare_code_of_21_modules():
    code = new_code("H")

    svg = labels.engraving_svg(code=code, short_name="B<7")

    assert len(labels.modules(code)) == 21
    assert "B&lt;7" in svg
    width = float(re.search(r'width="([\d.]+)mm"', svg).group(1))
    assert width == pytest.approx(8.0 * (21 + 8) / 21, abs=0.001)
    picture = Image.new("L", (29 * 8, 29 * 8), 255)
    pen = ImageDraw.Draw(picture)
    for x, y, run in re.findall(r"M(\d+) (\d+)h(\d+)v1h", svg):
        pen.rectangle([int(x) * 8, int(y) * 8, (int(x) + int(run)) * 8 - 1, int(y) * 8 + 7], fill=0)
    assert read(picture) == [code]


@pytest.mark.parametrize("name", sheets.SHEETS)
def test_given_a_full_sheet_when_printed_then_every_code_is_read_at_its_place(name):
    sheet = sheets.SHEETS[name]
    codes = [new_code(kind) for kind in "HSC" * (sheet.count // 3)]
    made = [labels.label_of(code[0], code, name="B7", lines=["1 TiO₂ – film"]) for code in codes]

    page = printed(sheets.pdf(made, sheet, packed=False))

    for n, code in enumerate(codes):
        row, column = divmod(n, sheet.columns)
        left, top = sheet.left + column * sheet.pitch_x, sheet.top + row * sheet.pitch_y
        box = [left, top, left + sheet.width, top + sheet.height]
        assert read(page.crop([round(edge * DOTS) for edge in box])) == [
            f"HTTPS://LAB.EXAMPLE.ORG/{code[0]}/{code}"
        ]


def test_given_a_begun_sheet_when_printed_then_the_first_label_stands_at_its_place():
    sheet = sheets.SHEETS["62x37"]
    made = [labels.label_of("H", new_code("H"))]

    page = printed(sheets.pdf(made, sheet, first=5, packed=False))

    top = round((sheet.top + sheet.pitch_y) * DOTS)
    assert read(
        page.crop(
            [
                round((sheet.left + 62) * DOTS),
                top,
                round((sheet.left + 124) * DOTS),
                top + 37 * DOTS,
            ]
        )
    )
    assert read(page.crop([0, 0, page.width, top])) == []


def test_given_no_label_or_ten_thousand_when_printed_then_a_sentence_says_so():
    label = labels.label_of("H", new_code("H"))

    with pytest.raises(Refused, match="No label was chosen"):
        sheets.pdf([], sheets.SHEETS["62x37"])
    with pytest.raises(Refused, match="10000 labels were asked for; at most 420"):
        sheets.pdf([label] * 10_000, sheets.SHEETS["62x37"])
    with pytest.raises(Refused, match="an A4 page has 210 by 297"):
        sheets.own_sheet(width=80, height=40, columns=3, rows=7, left=0, top=0)
