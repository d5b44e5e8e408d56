"""Codes in pictures: found, not found, several, in poor light, and what is no picture at all."""

import io

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from PIL import Image, ImageFilter

from facility import photos
from facility.errors import Refused
from samples import labels, scanning
from samples.codes import new_code
from tests.samples.test_labels import drawn


def desk(*codes, size=(1600, 1200), grey=235):
    """A picture of a desk with these codes on it."""
    picture = Image.new("L", size, grey)
    for n, code in enumerate(codes):
        picture.paste(drawn(labels.modules(code), dots=7), (120 + 520 * n, 300))
    return picture


def upload(content, name="picture.jpg"):
    return SimpleUploadedFile(name, content)


def test_given_one_code_when_photographed_then_it_is_read():
    code = new_code("H")

    assert scanning.codes_in(desk(code).convert("RGB")) == [code]


def test_given_several_codes_when_photographed_then_each_is_offered_once():
    codes = [new_code("H"), new_code("S")]

    assert sorted(scanning.codes_in(desk(*codes))) == sorted(codes)


@pytest.mark.parametrize(("megapixels", "size"), [(12, (4000, 3000))])
def test_given_a_large_blurred_dim_picture_when_read_then_the_code_is_found(megapixels, size):
    code = new_code("H")
    picture = desk(code, size=size, grey=120).point(lambda level: level * 0.5 + 40)

    assert scanning.codes_in(picture.filter(ImageFilter.GaussianBlur(3))) == [code]


def test_given_no_code_or_a_strange_one_when_read_then_a_sentence_says_what_to_do():
    with pytest.raises(Refused, match=r"No code was found in the picture\. Hold the camera closer"):
        scanning.codes_in(desk())
    with pytest.raises(Refused, match="none of ours"):
        scanning.codes_in(desk("HELLO WORLD"))


@pytest.mark.parametrize(
    ("content", "says"),
    [
        (b"", "arrived empty"),
        (b"no picture", "no JPEG or PNG"),
        (b"\x00\x00\x00\x18ftypheic\x00\x00\x00\x00heicmif1", "no JPEG or PNG"),
        (b"GIF89a" + b"\x00" * 40, "no JPEG or PNG"),
        (b"\xff\xd8\xff\xe0<script>alert(1)</script>", "JPEG or PNG|damaged"),
    ],
)
def test_given_what_is_no_picture_when_sent_then_a_sentence_says_so(content, says):
    with pytest.raises(Refused, match=says):
        photos.read_picture(upload(content))


def test_given_forty_megapixels_or_a_hundred_megabytes_when_sent_then_they_are_refused_by_number():
    large = io.BytesIO()
    Image.new("1", (8000, 5000)).save(large, "PNG")

    with pytest.raises(Refused, match="40 megapixels; at most 25"):
        photos.read_picture(upload(large.getvalue(), "large.png"))
    heavy = upload(b"\xff\xd8")
    heavy.size = 100_000_000
    with pytest.raises(Refused, match="100 MB; at most 26 MB"):
        photos.read_picture(heavy)


def test_given_a_picture_that_is_something_else_as_well_when_kept_then_only_the_picture_stays(
    db, settings, tmp_path
):
    from tests import build

    settings.MEDIA_ROOT = tmp_path
    picture = io.BytesIO()
    Image.new("RGB", (60, 40), "grey").save(picture, "JPEG", comment=b"<script>alert(1)</script>")
    both = picture.getvalue() + b"PK\x03\x04<script>alert(2)</script>"

    kept = photos.take(file=upload(both), by=build.person())

    content = photos.path_of(kept.digest, kept.kind).read_bytes()
    assert b"script" not in content
    assert b"PK" not in content[-40:]
