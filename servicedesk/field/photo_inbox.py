"""Inbox of photos from phones: each is stored once, linked to the record it belongs to."""

from __future__ import annotations

from datetime import datetime
from typing import BinaryIO, cast
from uuid import UUID

from django.core.files.uploadedfile import UploadedFile

from servicedesk.accounts.models import User
from servicedesk.calls.models import PhoneRecord, Photo
from servicedesk.calls.operations import add_photo
from servicedesk.core.rules.refusals import RuleViolation
from servicedesk.field.inbox import Answer


def take_photo_in(key: UUID, *, record: str, file: UploadedFile | None, by: User, at: datetime) -> Answer:
    """Store one photo; the same idempotency key again gets the same answer."""
    if Photo.objects.filter(key=key).exists():
        return Answer(200, {"state": "received", "words": "photo"})
    if file is None or file.file is None:
        return Answer(400, {"state": "unreadable", "words": "There is no photo in it."})
    phone_record = (
        PhoneRecord.objects.filter(key=record, by=by).select_related("unit", "finding").first()
        if _is_key(record)
        else None
    )
    if phone_record is None:
        return Answer(409, {"state": "wait", "words": "The record it belongs to has not arrived yet."})
    try:
        add_photo(
            None,
            cast(BinaryIO, file.file),
            size=file.size or 0,
            unit=phone_record.unit,
            finding=phone_record.finding,
            key=key,
            by=by,
            at=at,
        )
    except RuleViolation as refusal:
        if Photo.objects.filter(key=key).exists():  # the same came twice at once
            return Answer(200, {"state": "received", "words": "photo"})
        return Answer(422, {"state": "needs answer", "words": str(refusal)})
    return Answer(200, {"state": "received", "words": "photo"})


def _is_key(text: str) -> bool:
    try:
        UUID(text)
    except ValueError:
        return False
    return True
