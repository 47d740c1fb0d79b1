"""Thumbnails of photos, made in the background and stored beside them."""

from __future__ import annotations

from pathlib import Path
from uuid import uuid4

from servicedesk.calls.models import Photo
from servicedesk.calls.photo_files import HALF, photo_path

SIDE = 320
AT_ONCE = 200


def small_path(name: str) -> Path:
    """Path of a photo's thumbnail."""
    return photo_path(name).with_suffix(".small.jpg")


def make_thumbnails() -> int:
    """Make the missing thumbnails; return how many. A photo without its file is skipped."""
    made = 0
    waiting = Photo.objects.filter(small_made=False).order_by("pk")[:AT_ONCE]
    if waiting:
        from PIL import Image  # the clock runs often and finds work seldom
    for photo in waiting:
        path = photo_path(photo.name)
        if path.is_file():
            # A name of its own: another worker may be making the same thumbnail.
            half = small_path(photo.name).with_suffix(f".{uuid4().hex}{HALF}")
            with Image.open(path) as image:
                image.thumbnail((SIDE, SIDE))
                image.save(half, "JPEG", quality=80)
            half.rename(small_path(photo.name))
            made += 1
        Photo.objects.filter(pk=photo.pk).update(small_made=True)
    return made
