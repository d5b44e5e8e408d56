"""Take a photograph in: checked before it is decoded, re-encoded, stored by digest, then the row."""

import hashlib
import io
import os
import tempfile
import warnings
from pathlib import Path

from django.conf import settings
from django.db import transaction
from django.utils import timezone
from PIL import Image, ImageOps, UnidentifiedImageError

from facility.errors import Refused
from facility.models import Photo

MOST_BYTES = 25 * 1024 * 1024
MOST_PIXELS = 25_000_000
LONGEST_SIDE = 2400  # pixels kept: more than a page or a screen shows
QUALITY = 85


def read_picture(file):
    """(upright picture, "jpeg" or "png") from an upload, or Refused with a sentence.

    Only JPEG and PNG are opened, whatever the name says; the size is read from the header first.
    """
    if file.size > MOST_BYTES:
        raise Refused(
            f"The picture has {file.size / 1e6:.0f} MB; at most {MOST_BYTES / 1e6:.0f} MB are taken. "
            "Take it anew with a lower resolution."
        )
    if not file.size:
        raise Refused("The picture arrived empty. Take it anew.")
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("error", Image.DecompressionBombWarning)
            picture = Image.open(file, formats=("JPEG", "PNG"))
            if picture.width * picture.height > MOST_PIXELS:
                raise Refused(
                    f"The picture has {picture.width * picture.height / 1e6:.0f} megapixels; "
                    "at most 25 are taken. Take it anew with a lower resolution."
                )
            kind = picture.format.lower()
            picture.load()
            picture = ImageOps.exif_transpose(picture)
    except (UnidentifiedImageError, Image.DecompressionBombWarning, Image.DecompressionBombError):
        raise Refused(
            "This is no JPEG or PNG picture. Set the camera to its most compatible format."
        ) from None
    except (OSError, ValueError, SyntaxError, EOFError, MemoryError):
        raise Refused("The picture is damaged. Take it anew.") from None
    return picture, kind


def encoded(picture, kind):
    """The picture's bytes, without anything that the camera wrote beside it."""
    picture.thumbnail((LONGEST_SIDE, LONGEST_SIDE))
    out = io.BytesIO()
    alone = picture.convert("RGBA" if kind == "png" and "A" in picture.getbands() else "RGB")
    alone.info = {}  # comments and profiles would be written again
    if kind == "png":
        alone.save(out, "PNG")
    else:
        alone.save(out, "JPEG", quality=QUALITY)
    return out.getvalue()


def path_of(digest, kind):
    """Where a picture lies; two characters a folder keep folders small."""
    return Path(settings.MEDIA_ROOT) / "photos" / digest[:2] / f"{digest}.{kind}"


def take(*, file, by, taken_at=None):
    """Store an uploaded picture; the same picture twice is stored once."""
    picture, kind = read_picture(file)
    content = encoded(picture, kind)
    digest = hashlib.sha256(content).hexdigest()
    try:
        _write(path_of(digest, kind), content)
    except OSError as problem:
        raise Refused(
            f"The picture could not be stored: {problem.strerror or problem}. What you typed is "
            "kept; tell staff that the disk needs room."
        ) from None
    with transaction.atomic():
        photo, _ = Photo.objects.get_or_create(
            digest=digest,
            defaults={
                "kind": kind,
                "width": picture.width,
                "height": picture.height,
                "size": len(content),
                "by": by,
                "taken_at": taken_at or timezone.now(),
            },
        )
    return photo


def _write(path, content):
    """Temporary name, fsync, rename: a picture is there whole or not at all."""
    if path.exists():
        return
    path.parent.mkdir(parents=True, exist_ok=True)
    handle, name = tempfile.mkstemp(dir=path.parent, prefix=".new-")
    try:
        with os.fdopen(handle, "wb") as out:
            out.write(content)
            out.flush()
            os.fsync(out.fileno())
        os.replace(name, path)
    except OSError:
        Path(name).unlink(missing_ok=True)
        raise
    folder = os.open(path.parent, os.O_RDONLY)
    try:
        os.fsync(folder)
    finally:
        os.close(folder)
