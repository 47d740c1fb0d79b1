"""Photo files: recognized by content, re-encoded, and stripped of location and camera data.

A picture is never stored as it came: it is decoded, turned upright, scaled down and encoded anew as JPEG. So
nothing hidden in it survives, and neither does where it was taken.
"""

from __future__ import annotations

import os
import warnings
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from functools import partial
from io import BytesIO
from pathlib import Path
from threading import Lock
from typing import TYPE_CHECKING, BinaryIO
from uuid import uuid4

from django.conf import settings
from django.db import InterfaceError, OperationalError, connection, transaction

from servicedesk.core.rules.refusals import RuleViolation

if TYPE_CHECKING:
    from PIL import Image

MOST_BYTES = 25 * 1024 * 1024
MOST_PIXELS = 60_000_000
MOST_PIXELS_WHOLE = 16_000_000
"""A plain JPEG is scaled down while it is decoded. Others are decoded whole, which takes up to twenty bytes
of memory a pixel: PNG, WebP, and a JPEG that comes in passes (progressive)."""
LONGEST_SIDE = 2048
QUALITY = 85
KINDS = ("JPEG", "PNG", "WEBP")
ORIENTATION = 0x0112
UPRIGHT = {
    2: "FLIP_LEFT_RIGHT",
    3: "ROTATE_180",
    4: "FLIP_TOP_BOTTOM",
    5: "TRANSPOSE",
    6: "ROTATE_270",
    7: "TRANSVERSE",
    8: "ROTATE_90",
}
"""Transformation that turns a picture upright, by its EXIF orientation (CIPA DC-008, tag 274)."""

HALF = ".part"
"""Suffix of a file that is being written."""
UNSURE = ".unsure"
"""Suffix of the empty file beside a photo whose record is not known to be committed."""

NO_PHOTO = "That is no photo we can read: send it as JPEG, PNG or WebP (a phone’s setting “most compatible”)."

_one_at_a_time = Lock()


def most_bytes() -> int:
    """Most bytes of a photo."""
    return MOST_BYTES


@dataclass(frozen=True)
class Taken:
    """Photo ready to be stored."""

    content: bytes
    width: int
    height: int


def take_photo(file: BinaryIO, *, size: int) -> Taken:
    """Decode a photo and encode it anew.

    A process decodes one at a time, to bound the memory.

    Raises
    ------
    RuleViolation
        When it is too large in bytes or pixels, or can't be read; the size of the picture is
        checked before any of it is decoded.
    """
    if size > MOST_BYTES:
        raise _too_large(f"{MOST_BYTES // 1024**2} MB")
    with _one_at_a_time, _open(file) as image:
        in_parts = image.format in {"JPEG", "MPO"} and "progressive" not in image.info
        most = MOST_PIXELS if in_parts else MOST_PIXELS_WHOLE
        if image.width * image.height > most:
            raise _too_large(f"{most // 10**6} million pixels")
        small = _scaled_down(image)
        out = BytesIO()
        small.save(out, "JPEG", quality=QUALITY, optimize=True)
        return Taken(out.getvalue(), small.width, small.height)


def _open(file: BinaryIO) -> Image.Image:
    """Open a picture and read its header; its pixels are not decoded yet."""
    from PIL import Image

    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", Image.DecompressionBombWarning)
            return Image.open(file, formats=KINDS)
    except Image.DecompressionBombError as error:
        raise _too_large(f"{MOST_PIXELS // 10**6} million pixels") from error
    except Exception as error:  # any error of a decoder on crafted bytes
        raise RuleViolation({"photo": [NO_PHOTO]}) from error


def _scaled_down(image: Image.Image) -> Image.Image:
    """Decode a picture, scale it down and turn it upright."""
    from PIL import Image

    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # warnings about a picture that can be read all the same
            image.draft("RGB", (LONGEST_SIDE, LONGEST_SIDE))
            image.load()  # decoded here, where what is broken is refused, and not on writing
            small = image if image.mode == "RGB" else image.convert("RGB")
            small.thumbnail((LONGEST_SIDE, LONGEST_SIDE))
            way = UPRIGHT.get(_orientation(image))
            return small.transpose(Image.Transpose[way]) if way is not None else small
    except Exception as error:  # any error of a decoder on crafted bytes
        raise RuleViolation({"photo": [NO_PHOTO]}) from error


def _orientation(image: Image.Image) -> int:
    """Orientation from EXIF; 1, upright, where the EXIF can't be read."""
    try:
        orientation = image.getexif().get(ORIENTATION, 1)
    except Exception:  # a photo with broken EXIF is still a photo
        return 1
    return orientation if isinstance(orientation, int) else 1


def _too_large(limit: str) -> RuleViolation:
    return RuleViolation({"photo": [f"This photo has more than {limit}: send a smaller one."]})


@contextmanager
def stored(taken: Taken) -> Iterator[str]:
    """Context manager that writes a photo to the disk under a random name, and returns the name.

    It is kept if the transaction commits. A marker file lies beside it until its record is committed for
    good: what a process that died, or an outer transaction that was rolled back, left marked is deleted
    later.
    """
    name = f"{uuid4().hex}.jpg"
    path = photo_path(name)
    mark = path.with_suffix(UNSURE)
    path.parent.mkdir(parents=True, exist_ok=True)
    try:
        mark.touch()
        _write(path, taken.content)
        yield name
    except BaseException as error:
        if not _may_be_stored(error):
            path.unlink(missing_ok=True)
            mark.unlink(missing_ok=True)
        raise
    transaction.on_commit(partial(mark.unlink, missing_ok=True), robust=True)


def photo_path(name: str) -> Path:
    """Path of a photo: outside of what the web server serves, in a folder for each two first letters."""
    return Path(settings.PHOTO_DIR) / name[:2] / name


def _may_be_stored(error: BaseException) -> bool:
    """Whether a failed transaction may be committed all the same, as when the connection was cut."""
    return connection.vendor != "sqlite" and isinstance(error, OperationalError | InterfaceError)


def _write(path: Path, content: bytes) -> None:
    """Write a file atomically."""
    half = path.with_suffix(HALF)
    try:
        with half.open("wb") as out:
            out.write(content)
            out.flush()
            os.fsync(out.fileno())
        half.rename(path)
    except OSError:
        half.unlink(missing_ok=True)  # on a full disk, half a photo takes space that is missed elsewhere
        raise
