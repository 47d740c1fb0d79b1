"""Keeping photos."""

from __future__ import annotations

from datetime import datetime
from typing import BinaryIO

from servicedesk.calls.models import Call, Photo
from servicedesk.calls.photo_files import store_photo, take_photo
from servicedesk.people.history import write_change
from servicedesk.people.models import User
from servicedesk.refusals import Refused, one_step

MOST_PHOTOS = 60


def add_photo(call: Call, file: BinaryIO, *, size: int, by: User | None, at: datetime) -> Photo:
    """Keep a photo of what a call is about."""
    if call.photos.count() >= MOST_PHOTOS:
        raise Refused({"photo": [f"A call has at most {MOST_PHOTOS} photos."]})
    taken = take_photo(file, size=size)
    with one_step():
        photo = Photo.objects.create(
            call=call,
            name=store_photo(taken),
            width=taken.width,
            height=taken.height,
            added_at=at,
            added_by=by,
        )
        write_change(call, did="photo added", by=by, at=at)
    return photo
