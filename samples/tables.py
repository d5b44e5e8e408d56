"""Many samples from one paste or CSV: lines to fields by the header's words. Pure."""

import csv
import io
import re

from facility.errors import Refused

LONGEST, MOST_LINES = 200_000, 300
COLUMNS = {
    # field: words of the header, in small letters without what stands in brackets
    "title": ("name", "sample", "title"),
    "form": ("form",),
    "composition": ("composition", "formula", "material"),
    "wants": ("wanted", "wants", "lines", "lines wanted"),
    "size": ("size", "dimensions"),
    "diameter_mm": ("diameter",),
    "width_mm": ("width",),
    "height_mm": ("height", "length"),
    "thickness_mm": ("thickness",),
    "mass_mg": ("mass", "weight"),
    "surface_m2_g": ("surface", "bet", "area"),
    "max_temperature_c": ("temperature", "hottest", "max temperature"),
    "hazards": ("hazards", "hazard"),
    "history": ("history", "storage"),
    "keep_until": ("keep until", "until"),
}
NEEDED = ("title", "form", "composition", "thickness_mm", "hazards")
_SIZE = re.compile(
    r"(?:(?:ø|⌀|d|dia\.?|disc)\s*)?(\d+(?:[.,]\d+)?)\s*(?:mm)?\s*(?:[x×*]\s*(\d+(?:[.,]\d+)?))?\s*(?:mm)?\s*(?:disc)?",
    re.IGNORECASE,
)


def read_table(text):
    """{line number: {field: text}} of a table with a header line.

    Takes:   text, its columns parted by tabs, semicolons or commas, in any order.
    Raises:  Refused, when the table as a whole cannot be read.
    >>> read_table("Name;Form;Composition;Size;Thickness;Hazards\\nFilm 1;film;TiN;4 x 5;0,5;none")[2]["thickness_mm"]
    '0,5'
    """
    if len(text) > LONGEST:
        raise Refused(f"The table has {len(text)} characters; at most {LONGEST} are taken at once.")
    if "\x00" in text:
        raise Refused("The table holds signs that are no text. Save it as CSV in UTF-8.")
    lines = text.replace("\r\n", "\n").replace("\r", "\n").strip("\n").split("\n")
    if not lines or not lines[0].strip():
        raise Refused("Paste the table with its header line: name, form, composition, size ...")
    parted_by = max("\t;,", key=lines[0].count)
    rows = list(csv.reader(io.StringIO("\n".join(lines)), delimiter=parted_by))
    header = _header(rows[0])
    if len(rows) - 1 > MOST_LINES:
        raise Refused(
            f"The table has {len(rows) - 1} lines; at most {MOST_LINES} are taken at once."
        )
    found = {}
    for number, row in enumerate(rows[1:], 2):
        if any(cell.strip() for cell in row):
            cells = {field: row[n].strip() if n < len(row) else "" for field, n in header.items()}
            cells["line_is_short"] = len(row) < len(rows[0])
            cells["line_is_long"] = len([c for c in row[len(rows[0]) :] if c.strip()]) > 0
            found[number] = cells
    if not found:
        raise Refused("Below the header line there is nothing yet.")
    return found


def _header(cells):
    found = {}
    for n, cell in enumerate(cells):
        word = re.sub(r"[\[(].*?[\])]|_mm|\bmm\b|\bmg\b|\?", " ", cell.lower()).replace("_", " ")
        word = " ".join(word.split()).strip(" .:")
        field = next((name for name, words in COLUMNS.items() if word in words), None)
        if field and field not in found:
            found[field] = n
    missing = [COLUMNS[name][0] for name in NEEDED if name not in found]
    if not found.keys() & {"size", "diameter_mm", "width_mm"}:
        missing.append("size")
    if missing:
        raise Refused(
            f"The header line has no column for {', '.join(missing)}. It reads: "
            f"{', '.join(cell.strip() for cell in cells)[:160]}."
        )
    return found


def outline_of(cells):
    """shape, diameter_mm, width_mm, height_mm as texts, from a size such as 4 x 5 or Ø 5.

    >>> outline_of({"size": "4 x 5 mm"})
    {'shape': 'rectangle', 'diameter_mm': '', 'width_mm': '4', 'height_mm': '5'}
    >>> outline_of({"size": "Ø 5"})["diameter_mm"]
    '5'
    """
    size = cells.get("size", "")
    if not size:
        shape = "disc" if cells.get("diameter_mm") else "rectangle"
        return {"shape": shape} | {
            name: cells.get(name, "") for name in ("diameter_mm", "width_mm", "height_mm")
        }
    found = _SIZE.fullmatch(size.strip())
    if not found:
        raise Refused(f"Size {size!r} is not understood; write 4 x 5, or Ø 5 for a disc.")
    first, second = found.groups()
    if second:
        return {"shape": "rectangle", "diameter_mm": "", "width_mm": first, "height_mm": second}
    return {"shape": "disc", "diameter_mm": first, "width_mm": "", "height_mm": ""}
