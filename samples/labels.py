"""Labels: the address a code carries, its QR drawing, label pictures, engraving files, sheets."""

import io

import qrcode
import qrcode.constants
from django.conf import settings
from django.utils.html import escape
from PIL import Image, ImageDraw, ImageFont

from samples.sheets import Label

QUIET_MODULES = 4  # ISO/IEC 18004: the quiet zone is four modules wide
DOTS_A_MM = 11.811  # 300 dots an inch


def address_of(kind, code):
    """What a paper label carries: PUBLIC_URL/H/CODE in upper case, or the bare code without one.

    Upper case keeps the code in alphanumeric mode, version 3 at level Q.
    """
    if not settings.PUBLIC_URL:
        return code
    return f"{settings.PUBLIC_URL.rstrip('/')}/{kind}/{code}".upper()


def modules(text):
    """The QR modules of `text` at error level Q: rows of True and False, without quiet zone."""
    code = qrcode.QRCode(error_correction=qrcode.constants.ERROR_CORRECT_Q, border=0)
    code.add_data(text)
    code.make(fit=True)
    return code.get_matrix()


def path(text):
    """(size in modules with quiet zone, SVG path of the dark ones as horizontal runs)."""
    rows = modules(text)
    parts = []
    for y, row in enumerate(rows):
        x = 0
        while x < len(row):
            run = next((n for n in range(x, len(row)) if not row[n]), len(row)) - x
            if run:
                parts.append(f"M{x + QUIET_MODULES} {y + QUIET_MODULES}h{run}v1h-{run}z")
            x += max(run, 1)
    return len(rows) + 2 * QUIET_MODULES, "".join(parts)


def box_label_png(*, kind, code, short_name, lines):
    """A box label of 62 x 37 mm at 300 dots an inch, as PNG bytes: code, plate text, what is inside."""
    width, height = round(62 * DOTS_A_MM), round(37 * DOTS_A_MM)
    picture = Image.new("1", (width, height), 1)
    draw = ImageDraw.Draw(picture)
    rows = modules(address_of(kind, code))
    size = len(rows) + 2 * QUIET_MODULES
    dots = max(1, int(22 * DOTS_A_MM) // size)
    left, top = round(2 * DOTS_A_MM), round(3 * DOTS_A_MM)
    for y, row in enumerate(rows):
        for x, dark in enumerate(row):
            if dark:
                corner = (
                    left + (x + QUIET_MODULES) * dots,
                    top + (y + QUIET_MODULES) * dots,
                )
                draw.rectangle([corner, (corner[0] + dots - 1, corner[1] + dots - 1)], fill=0)
    right = left + size * dots + round(1 * DOTS_A_MM)
    room = width - right - round(2 * DOTS_A_MM)
    draw.text((right, round(4 * DOTS_A_MM)), short_name, font=_font(7.0), fill=0)
    draw.text((right, round(12.5 * DOTS_A_MM)), f"{code[:4]} {code[4:]}", font=_font(4.2), fill=0)
    y = round(19 * DOTS_A_MM)
    for line in lines[:4]:
        draw.text((right, y), _cut(draw, line, _font(3.0), room), font=_font(3.0), fill=0)
        y += round(4.2 * DOTS_A_MM)
    out = io.BytesIO()
    picture.save(out, "PNG", dpi=(300, 300))
    return out.getvalue()


ENGRAVED_MM = 8.0  # side of the code on a holder's face, quiet zone apart; own proposal


def engraving_svg(*, code, short_name, side_mm=ENGRAVED_MM):
    """An SVG in millimetres for the engraver: the bare code (21 modules, level Q) and the short name.

    Dark modules are filled shapes; mirror or invert it in the engraver's own program where needed.
    """
    rows = modules(code)
    module = side_mm / len(rows)
    quiet = QUIET_MODULES * module
    high = side_mm + 2 * quiet + 3.2
    wide = side_mm + 2 * quiet
    _, dark = path(code)
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{wide:.3f}mm" height="{high:.3f}mm" '
        f'viewBox="0 0 {wide:.3f} {high:.3f}"><title>{escape(code)}</title>'
        f'<path transform="scale({module:.5f})" d="{dark}"/>'
        f'<text x="{wide / 2:.3f}" y="{high - 0.6:.3f}" font-family="sans-serif" font-size="3" '
        f'text-anchor="middle">{escape(short_name)}</text></svg>'
    )


def label_of(kind, code, *, name="", lines=(), foot=""):
    """A label of a sheet for a holder (H), sample (S) or consumable lot (C)."""
    return Label(
        modules=tuple(map(tuple, modules(address_of(kind, code)))),
        plate=f"{code[:4]} {code[4:]}",
        name=name,
        lines=tuple(lines),
        foot=foot,
    )


def _font(millimetres):
    """The font that Pillow brings along, so that a label looks alike on every machine."""
    return ImageFont.load_default(size=round(millimetres * DOTS_A_MM))


def _cut(draw, text, font, room):
    """`text` cut with an ellipsis to `room` dots."""
    if draw.textlength(text, font=font) <= room:
        return text
    while text and draw.textlength(text + "…", font=font) > room:
        text = text[:-1]
    return text.rstrip() + "…"
