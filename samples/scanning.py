"""Codes read from a camera's picture, on the server: two passes, so that a blurred one is read too. Pure."""

import zxingcpp
from PIL import ImageFilter, ImageOps

from facility.errors import Refused
from samples.codes import read_code

FIRST_SIDE, SECOND_SIDE = 2000, 1100  # pixels of the longer side; smaller is faster and less noisy
BLUR = 1.5  # pixels; takes the noise of a dim picture, see the tests


def texts_in(picture):
    """What every QR code in a picture says; each text once, in reading order.

    Takes: an upright Pillow picture.
    """
    grey = ImageOps.grayscale(picture)
    first = _read(_shrunk(grey, FIRST_SIDE))
    if first:
        return first
    second = _shrunk(grey, SECOND_SIDE)
    return (
        _read(ImageOps.autocontrast(second, cutoff=1))
        or _read(second.filter(ImageFilter.GaussianBlur(BLUR)))
        or (_read(grey) if max(grey.size) > FIRST_SIDE else [])
    )


def _shrunk(picture, side):
    if max(picture.size) <= side:
        return picture
    small = picture.copy()
    small.thumbnail((side, side))
    return small


def _read(picture):
    found = zxingcpp.read_barcodes(picture, formats=zxingcpp.BarcodeFormat.QRCode)
    return list(dict.fromkeys(code.text for code in found if code.text))


def codes_in(picture):
    """Codes of holders, samples and lots in a picture; Refused with a sentence where there is none."""
    texts = texts_in(picture)
    if not texts:
        raise Refused(
            "No code was found in the picture. Hold the camera closer and straight, with the whole "
            "code in it, or type the eight letters below it."
        )
    codes, strange = [], []
    for text in texts:
        try:
            codes.append(read_code(text))
        except ValueError as problem:
            strange.append(str(problem))
    if not codes:
        raise Refused(f"The code in the picture is none of ours: {strange[0]}")
    return list(dict.fromkeys(codes))
