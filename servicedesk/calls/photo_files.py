"""Photos as they are taken in: told by their content, made anew, without what they say of place and camera.

A picture is never stored as it came: it is decoded, turned upright, scaled down and written anew as JPEG. So
nothing hidden in it survives, and neither does where it was taken.
"""

from __future__ import annotations

import os
import warnings
from dataclasses import dataclass
from io import BytesIO
from pathlib import Path
from typing import BinaryIO
from uuid import uuid4

from django.conf import settings
from PIL import Image, ImageOps, UnidentifiedImageError

from servicedesk.refusals import Refused

MOST_BYTES = 25 * 1024 * 1024
MOST_PIXELS = 60_000_000
LONGEST_SIDE = 2048
QUALITY = 85
KINDS = ("JPEG", "PNG", "WEBP")

NO_PHOTO = "That is no photo we can read: send it as JPEG, PNG or WebP (a phone’s setting “most compatible”)."


@dataclass(frozen=True)
class Taken:
    """A photo ready to be stored."""

    content: bytes
    width: int
    height: int


def take_photo(file: BinaryIO, *, size: int) -> Taken:
    """Read a photo and write it anew.

    Raises
    ------
    Refused
        When it is too large in bytes or pixels, or nothing that can be read; the size of the picture is
        looked at before any of it is decoded.
    """
    if size > MOST_BYTES:
        raise Refused(
            {"photo": [f"This photo has more than {MOST_BYTES // 1024**2} MB: send a smaller one."]}
        )
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", Image.DecompressionBombWarning)
            image = Image.open(file, formats=KINDS)
        if image.width * image.height > MOST_PIXELS:
            raise Refused(
                {
                    "photo": [
                        f"This photo has more than {MOST_PIXELS // 10**6} million pixels: send a smaller one."
                    ]
                }
            )
        image.draft("RGB", (LONGEST_SIDE, LONGEST_SIDE))
        upright = ImageOps.exif_transpose(image).convert("RGB")
        upright.thumbnail((LONGEST_SIDE, LONGEST_SIDE))
    except Image.DecompressionBombError as error:
        raise _too_large(f"{MOST_PIXELS // 10**6} million pixels") from error
    except (UnidentifiedImageError, OSError, ValueError, SyntaxError) as error:
        raise Refused({"photo": [NO_PHOTO]}) from error
    out = BytesIO()
    upright.save(out, "JPEG", quality=QUALITY, optimize=True)
    return Taken(out.getvalue(), upright.width, upright.height)


def _too_large(limit: str) -> Refused:
    return Refused({"photo": [f"This photo has more than {limit}: send a smaller one."]})


def store_photo(taken: Taken) -> str:
    """Write a photo to the disk under a name that tells nothing, and give the name."""
    name = f"{uuid4().hex}.jpg"
    path = photo_path(name)
    path.parent.mkdir(parents=True, exist_ok=True)
    half = path.with_suffix(".part")
    with half.open("wb") as out:
        out.write(taken.content)
        out.flush()
        os.fsync(out.fileno())
    half.rename(path)
    return name


def photo_path(name: str) -> Path:
    """Say where a photo lies: outside of what the web server serves, a folder for each two first letters."""
    return Path(settings.PHOTO_DIR) / name[:2] / name
