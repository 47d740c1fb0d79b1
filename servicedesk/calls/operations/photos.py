"""Operation that stores photos."""

from __future__ import annotations

from datetime import datetime
from typing import BinaryIO
from uuid import UUID

from servicedesk.accounts.models import User
from servicedesk.calls.models import Call, Finding, Photo
from servicedesk.calls.photo_files import stored, take_photo
from servicedesk.core.database.on_commit import enqueue_on_commit
from servicedesk.core.history import write_change
from servicedesk.core.rules.refusals import RuleViolation, atomic_operation
from units.models import Unit

MOST_PHOTOS = 60


def add_photo(
    call: Call | None,
    file: BinaryIO,
    *,
    size: int,
    unit: Unit | None = None,
    finding: Finding | None = None,
    key: UUID | None = None,
    by: User | None,
    at: datetime,
) -> Photo:
    """Store a photo of a call, a finding or a unit; with an idempotency key only once."""
    holder = call or finding or unit
    if holder is None:
        raise RuleViolation({"photo": ["Say what the photo is of."]})
    if holder.photos.count() >= MOST_PHOTOS:
        raise RuleViolation({"photo": [f"{MOST_PHOTOS} photos are enough here: take some away first."]})
    taken = take_photo(file, size=size)
    with stored(taken) as name, atomic_operation():
        photo = Photo.objects.create(
            call=call,
            unit=unit,
            finding=finding,
            key=key,
            name=name,
            width=taken.width,
            height=taken.height,
            added_at=at,
            added_by=by,
        )
        write_change(holder, action="photo added", by=by, at=at)
        enqueue_on_commit("calls.make_thumbnails")
    return photo
