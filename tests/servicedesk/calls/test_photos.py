"""Photos added to a call at the desk."""

from __future__ import annotations

from io import BytesIO
from uuid import uuid4

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.test import Client
from PIL import Image

from servicedesk.calls.models import Photo
from servicedesk.calls.operations import photos
from tests.factories import CallFactory
from tests.schedules.planned_visits import told

pytestmark = pytest.mark.django_db


def photo() -> SimpleUploadedFile:
    """Give a small photo."""
    content = BytesIO()
    Image.new("RGB", (80, 60), "tan").save(content, "WEBP")
    return SimpleUploadedFile("p.webp", content.getvalue(), "image/webp")


def test_a_photo_is_added_once_however_often_it_is_sent(as_scheduler: Client) -> None:
    call, idempotency_key = CallFactory(), uuid4()
    address = f"/calls/{call.pk}/photos/add/"
    assert "Add a photo" in told(as_scheduler.get(f"/calls/{call.pk}/").content)
    for _ in range(2):
        answer = as_scheduler.post(
            address, {"idempotency_key": idempotency_key, "photo": photo()}, follow=True
        )
        assert "The photo is saved" in told(answer.content)
    saved = Photo.objects.get()
    assert f"/calls/photos/{saved.pk}/?small" in answer.content.decode()
    assert (saved.width, saved.height) == (80, 60)


def test_what_is_no_photo_and_one_too_many_are_refused(
    as_scheduler: Client, monkeypatch: pytest.MonkeyPatch
) -> None:
    address = f"/calls/{CallFactory().pk}/photos/add/"
    bad = SimpleUploadedFile("p.pdf", b"%PDF-1.4", "application/pdf")
    refused = as_scheduler.post(address, {"idempotency_key": uuid4(), "photo": bad})
    assert refused.status_code == 422
    assert "no photo we can read" in told(refused.content)
    monkeypatch.setattr(photos, "MOST_PHOTOS", 1)
    for status in (302, 422):
        assert (
            as_scheduler.post(address, {"idempotency_key": uuid4(), "photo": photo()}).status_code == status
        )
    assert as_scheduler.post(address, {"idempotency_key": uuid4()}).status_code == 422
