"""Label sheets in millimetres: a PDF that a printer sets true to size, codes drawn as shapes. Pure."""

import io
import unicodedata
from dataclasses import dataclass
from pathlib import Path

import reportlab
from reportlab.lib.pagesizes import A4
from reportlab.lib.units import mm
from reportlab.pdfbase import pdfmetrics
from reportlab.pdfbase.ttfonts import TTFont
from reportlab.pdfgen import canvas

from facility.errors import Refused

MOST_LABELS = 420  # twenty sheets of 21; more is a slip of the keyboard. Own proposal
QUIET_MODULES = 4  # ISO/IEC 18004
LEAST_CODE_MM, MOST_CODE_MM = 8.0, 18.0
PAGE_MM = (210.0, 297.0)


@dataclass(frozen=True)
class Label:
    """What stands on one label: the code's text and modules, the plate, lines, the foot."""

    modules: tuple
    plate: str
    name: str
    lines: tuple = ()
    foot: str = ""


@dataclass(frozen=True)
class Sheet:
    """A sheet of labels: their size, how many, where the first begins, the pitch [mm]."""

    name: str
    width: float
    height: float
    columns: int
    rows: int
    left: float
    top: float
    pitch_x: float
    pitch_y: float
    cut: bool = False

    @property
    def count(self):
        return self.columns * self.rows


SHEETS = {
    "63x38": Sheet("63.5 × 38.1 mm, 21 on A4", 63.5, 38.1, 3, 7, 7.25, 15.15, 66.0, 38.1),
    "62x37": Sheet("62 × 37 mm, 21 on A4, to cut", 62, 37, 3, 7, 12, 19, 62, 37, True),
}
"""The first is a common size of bought sheets, from memory: print one sheet on plain paper first."""


def own_sheet(*, width, height, columns, rows, left, top, gap_x=0.0, gap_y=0.0):
    """A sheet of your own, or Refused where it does not fit an A4 page or a code.

    >>> own_sheet(width=70, height=37, columns=3, rows=8, left=0, top=0).count
    24
    """
    if not (20 <= width <= 200 and 10 <= height <= 280):
        raise Refused("A label is 20 to 200 mm wide and 10 to 280 mm high.")
    if not (1 <= columns <= 20 and 1 <= rows <= 40):
        raise Refused("A sheet has 1 to 20 labels across and 1 to 40 down.")
    across = left + columns * width + (columns - 1) * gap_x
    down = top + rows * height + (rows - 1) * gap_y
    if min(left, top, gap_x, gap_y) < 0 or across > PAGE_MM[0] + 0.01 or down > PAGE_MM[1] + 0.01:
        raise Refused(
            f"These labels take {across:g} by {down:g} mm; an A4 page has 210 by 297 mm. "
            "Take fewer, or smaller margins."
        )
    return Sheet(
        f"{width:g} × {height:g} mm, {columns * rows} on A4",
        width, height, columns, rows, left, top, width + gap_x, height + gap_y,
    )  # fmt: skip


def pdf(labels, sheet, *, first=1, packed=True):
    """Bytes of a PDF with these labels, the first of them at place `first` of the first sheet.

    Raises: Refused for no label, or for more than MOST_LABELS.
    """
    if not labels:
        raise Refused("No label was chosen. Tick at least one holder or sample.")
    if len(labels) > MOST_LABELS:
        raise Refused(
            f"{len(labels)} labels were asked for; at most {MOST_LABELS} are printed at once "
            f"({MOST_LABELS // sheet.count} sheets)."
        )
    if not 1 <= first <= sheet.count:
        raise Refused(f"A sheet has the places 1 to {sheet.count}; {first} is none of them.")
    out = io.BytesIO()
    paper = canvas.Canvas(out, pagesize=A4, pageCompression=int(packed), invariant=1)
    paper.setTitle("Labels")
    place = first - 1
    for label in labels:
        if place == sheet.count:
            paper.showPage()
            place = 0
        row, column = divmod(place, sheet.columns)
        x = sheet.left + column * sheet.pitch_x
        y = PAGE_MM[1] - sheet.top - row * sheet.pitch_y - sheet.height
        _draw(paper, label, sheet, x, y)
        place += 1
    paper.showPage()
    paper.save()
    return out.getvalue()


def _draw(paper, label, sheet, x, y):
    """One label with its lower left corner at x, y [mm]."""
    pad = 2.0 if sheet.height < 30 else 2.5
    if sheet.cut:
        paper.setLineWidth(0.2 * mm)
        paper.setDash(1 * mm, 1 * mm)
        paper.rect(x * mm, y * mm, sheet.width * mm, sheet.height * mm)
        paper.setDash()
    foot = 5.0 if label.foot and sheet.height >= 25 else 0.0
    code = max(LEAST_CODE_MM, min(MOST_CODE_MM, sheet.height - 2 * pad - foot, sheet.width / 2))
    _code(paper, label.modules, x + pad, y + sheet.height - pad - code, code)
    left, room = x + pad + code + 1.0, sheet.width - 2 * pad - code - 1.0
    line = y + sheet.height - pad - 4.0
    _write(paper, label.plate, left, line, 4.4, room, bold=True)
    for size, text in [(3.6, label.name), *[(2.7, each) for each in label.lines]]:
        line -= size + 0.9
        if line < y + pad + foot:
            break
        if text:
            _write(paper, text, left, line, size, room, bold=size > 3)
    if foot:
        paper.setLineWidth(0.25 * mm)
        paper.line(
            (x + pad) * mm, (y + pad + 3.8) * mm, (x + sheet.width - pad) * mm, (y + pad + 3.8) * mm
        )
        _write(paper, label.foot, x + pad, y + pad + 0.6, 2.7, sheet.width - 2 * pad)


def _code(paper, rows, x, y, size):
    """The modules as filled runs, the quiet zone inside `size`."""
    module = size / (len(rows) + 2 * QUIET_MODULES)
    shape = paper.beginPath()
    for down, row in enumerate(rows):
        across = 0
        while across < len(row):
            run = next((n for n in range(across, len(row)) if not row[n]), len(row)) - across
            if run:
                shape.rect(
                    (x + (across + QUIET_MODULES) * module) * mm,
                    (y + size - (down + 1 + QUIET_MODULES) * module) * mm,
                    run * module * mm,
                    module * mm,
                )
            across += max(run, 1)
    paper.drawPath(shape, stroke=0, fill=1)


def _fonts():
    """The two fonts that reportlab brings along, so that a label looks alike on every machine."""
    folder = Path(reportlab.__file__).parent / "fonts"
    for name, file in (("label", "Vera.ttf"), ("label-bold", "VeraBd.ttf")):
        if name not in pdfmetrics.getRegisteredFontNames():
            pdfmetrics.registerFont(TTFont(name, folder / file))


def _write(paper, text, x, y, size, room, *, bold=False):
    """A line of `size` mm, cut with an ellipsis to `room` mm."""
    _fonts()
    font, points = ("label-bold" if bold else "label"), size * mm
    text = plain(text)
    while text and pdfmetrics.stringWidth(text, font, points) > room * mm:
        text = text[:-2].rstrip("… ") + "…"
        if len(text) < 2:
            break
    paper.setFont(font, points)
    paper.drawString(x * mm, y * mm, text)


def plain(text):
    """Text in signs that the label's font has: raised and lowered figures as plain ones.

    >>> plain("TiO₂ – ⌀ 5")
    'TiO2 – ? 5'
    """
    kept = []
    for sign in text:
        if ord(sign) < 0x180 or sign in "–—‘’“”…•€":
            kept.append(sign)
        else:
            simple = unicodedata.normalize("NFKD", sign).encode("ascii", "ignore").decode()
            kept.append(simple or "?")
    return "".join(kept)
