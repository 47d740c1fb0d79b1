"""Photos as they are taken in: told by their content, made anew, without what they say of place and camera.

A picture is never stored as it came: it is decoded, turned upright, scaled down and written anew as JPEG. So
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
"""How a picture is turned upright, by what its EXIF says of the camera (CIPA DC-008, tag 274)."""

HALF = ".part"
"""Ends the name of a file that is being written."""
UNSURE = ".unsure"
"""Ends the name of the empty file beside a photo whose record is not known to be stored."""

NO_PHOTO = "That is no photo we can read: send it as JPEG, PNG or WebP (a phone’s setting “most compatible”)."

_one_at_a_time = Lock()


def most_bytes() -> int:
    """Say how many bytes a photo may have."""
    return MOST_BYTES


@dataclass(frozen=True)
class Taken:
    """A photo ready to be stored."""

    content: bytes
    width: int
    height: int


def take_photo(file: BinaryIO, *, size: int) -> Taken:
    """Read a photo and write it anew.

    A process decodes one at a time, so that many at once take no more memory.

    Raises
    ------
    RuleViolation
        When it is too large in bytes or pixels, or nothing that can be read; the size of the picture is
        looked at before any of it is decoded.
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
    """Read what a picture says of itself; its pixels are not decoded yet."""
    from PIL import Image

    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", Image.DecompressionBombWarning)
            return Image.open(file, formats=KINDS)
    except Image.DecompressionBombError as error:
        raise _too_large(f"{MOST_PIXELS // 10**6} million pixels") from error
    except Exception as error:  # whatever a decoder makes of bytes that somebody made up
        raise RuleViolation({"photo": [NO_PHOTO]}) from error


def _scaled_down(image: Image.Image) -> Image.Image:
    """Decode a picture, scale it down and turn it upright."""
    from PIL import Image

    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # of what is odd about a picture that can be read all the same
            image.draft("RGB", (LONGEST_SIDE, LONGEST_SIDE))
            image.load()  # decoded here, where what is broken is refused, and not when it is written
            small = image if image.mode == "RGB" else image.convert("RGB")
            small.thumbnail((LONGEST_SIDE, LONGEST_SIDE))
            way = UPRIGHT.get(_orientation(image))
            return small.transpose(Image.Transpose[way]) if way is not None else small
    except Exception as error:  # the same
        raise RuleViolation({"photo": [NO_PHOTO]}) from error


def _orientation(image: Image.Image) -> int:
    """Read how the camera was held; 1, upright, where the EXIF can't be read."""
    try:
        orientation = image.getexif().get(ORIENTATION, 1)
    except Exception:  # a photo with a broken note about it is a photo
        return 1
    return orientation if isinstance(orientation, int) else 1


def _too_large(limit: str) -> RuleViolation:
    return RuleViolation({"photo": [f"This photo has more than {limit}: send a smaller one."]})


@contextmanager
def stored(taken: Taken) -> Iterator[str]:
    """Write a photo to the disk for the length of a step, under a name that tells nothing; give the name.

    It is kept if the step was done. A mark lies beside it until its record is stored for good: what a process
    that died, or a larger step that was given up, left marked is cleared up later.
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
    """Say where a photo lies: outside of what the web server serves, a folder for each two first letters."""
    return Path(settings.PHOTO_DIR) / name[:2] / name


def _may_be_stored(error: BaseException) -> bool:
    """Whether a step that failed may be stored all the same: a server that was cut off says nothing of it."""
    return connection.vendor != "sqlite" and isinstance(error, OperationalError | InterfaceError)


def _write(path: Path, content: bytes) -> None:
    """Write a file whole or not at all."""
    half = path.with_suffix(HALF)
    try:
        with half.open("wb") as out:
            out.write(content)
            out.flush()
            os.fsync(out.fileno())
        half.rename(path)
    except OSError:
        half.unlink(missing_ok=True)  # on a full disk, half a photo is what is missed elsewhere
        raise
