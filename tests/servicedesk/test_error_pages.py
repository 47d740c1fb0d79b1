"""Pages for what could not be done: what they say to staff, what to customers, and what they keep."""

from __future__ import annotations

import errno
import os
from collections.abc import Iterator
from io import BytesIO
from pathlib import Path
from typing import Any
from uuid import uuid4

import pytest
from django.conf import settings
from django.core.files.uploadedfile import SimpleUploadedFile
from django.test import Client
from django.utils import timezone
from PIL import Image

from servicedesk.accounts.models import User
from servicedesk.calls.models import Call
from servicedesk.calls.photo_files import MOST_BYTES
from tests.factories import CallFactory, UnitFactory
from tests.schedules.planned_visits import told
from units.labels import labels_for

pytestmark = pytest.mark.django_db

SAME, OTHER = {"Sec-Fetch-Site": "same-origin"}, {"Sec-Fetch-Site": "cross-site"}


@pytest.fixture(autouse=True)
def _telephone() -> Iterator[None]:
    before = settings.COMPANY_PHONE
    settings.COMPANY_PHONE = "555-0100"
    yield
    settings.COMPANY_PHONE = before


@pytest.fixture
def sticker() -> str:
    """The address behind a sticker."""
    return f"/w/{labels_for([UnitFactory()], by=None, at=timezone.now())[0].code}/"


def strict(user: User | None = None) -> Client:
    """A browser whose forms need their token, and that is shown the page of an error."""
    client = Client(enforce_csrf_checks=True, raise_request_exception=False)
    if user is not None:
        client.force_login(user)
    return client


def test_a_form_of_ours_is_kept_and_can_be_sent_again(owner: User) -> None:
    client = strict(owner)
    sent = {"name": "Ida <b>", "csrfmiddlewaretoken": "x" * 32}
    client.cookies["csrftoken"] = "y" * 32
    page = told(client.post("/customers/add/", sent, headers=SAME).content)
    assert "has signed in again" in page
    assert '<input type="hidden" name="name" value="Ida &lt;b&gt;">' in page
    assert "Send it again" in page


@pytest.mark.parametrize("headers", [OTHER, {"Sec-Fetch-Site": "same-site"}, {"Origin": "null"}, {}])
def test_a_form_of_a_stranger_gets_no_token_of_ours(owner: User, headers: dict[str, str]) -> None:
    answer = strict(owner).post("/customers/add/", {"name": "Ida"}, headers=headers)
    page = told(answer.content)
    assert answer.status_code == 403
    assert "Send it again" not in page
    assert "<form method" not in page.replace("role=", "")
    assert "<dd>Ida</dd>" in page


def test_a_browser_without_fetch_metadata_is_believed_by_its_origin(owner: User) -> None:
    client = strict(owner)
    page = told(
        client.post("/customers/add/", {"name": "Ida"}, headers={"Origin": "http://testserver"}).content
    )
    assert "Send it again" in page


def test_why_is_told_as_it_is(owner: User) -> None:
    no_cookie = told(strict(owner).post("/customers/add/", {"name": "Ida"}, headers=SAME).content)
    assert "Your browser does not accept cookies from testserver" in no_cookie
    hidden = told(
        strict(owner).post("/customers/add/", {"name": "I"}, headers={**SAME, "Origin": "null"}).content
    )
    assert "hides which page you were on" in hidden


@pytest.mark.parametrize("name", ["password", "old_password", "code"])
def test_a_secret_is_never_repeated(name: str) -> None:
    page = strict().post("/sign-in/", {"username": "ida", name: "s3cr3t"}, headers=SAME).content.decode()
    assert "s3cr3t" not in page
    assert "Send it again" not in page
    assert "Load the page again" in page


def small_photo() -> SimpleUploadedFile:
    """A photo that is taken."""
    content = BytesIO()
    Image.new("RGB", (80, 60), "tan").save(content, "PNG")
    return SimpleUploadedFile("p.png", content.getvalue(), "image/png")


@pytest.fixture
def no_folder(settings: Any, tmp_path: Path) -> None:
    """A file where the folder of photos should be, so that keeping one breaks."""
    settings.PHOTO_DIR = tmp_path / "photos"
    settings.PHOTO_DIR.write_text("no folder")


def test_an_error_speaks_to_a_customer(sticker: str, no_folder: None) -> None:
    client = Client(raise_request_exception=False)
    answer = client.post(sticker, {"words": "It sticks", "photo": small_photo()})
    page = told(answer.content)
    assert answer.status_code == 500
    assert "555-0100" in page
    assert settings.COMPANY_NAME in page
    assert 'href="/"' not in page
    assert "Whoever runs" not in page


def test_an_error_speaks_to_staff(technician: User, no_folder: None) -> None:
    client = Client(raise_request_exception=False)
    client.force_login(technician)
    path = f"/calls/{CallFactory().pk}/photos/add/"
    answer = client.post(path, {"idempotency_key": str(uuid4()), "photo": small_photo()})
    assert answer.status_code == 500
    assert 'href="/"' in told(answer.content)


def test_a_full_disk_speaks_to_a_customer_and_keeps_the_words(
    sticker: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    def full(descriptor: int) -> None:
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    monkeypatch.setattr(os, "fsync", full)
    client = Client(raise_request_exception=False)
    answer = client.post(sticker, {"words": "It sticks", "photo": small_photo()})
    page = told(answer.content)
    assert answer.status_code == 507
    assert 'name="words" value="It sticks"' in page
    assert "choose them again" in page
    assert "555-0100" in page
    assert 'href="/"' not in page
    assert "Whoever runs the server" not in page


def test_a_form_without_photo_too_long_for_its_address_is_a_page(sticker: str) -> None:
    answer = Client().post("/sign-in/", {"username": "x" * (6 * 1024 * 1024)})
    page = told(answer.content)
    assert answer.status_code == 413
    assert "MB are the most that is taken here" in page
    assert "555-0100" in page
    assert 'href="/"' not in page
    anybody = Client().post("/w/nobody-has-this/", {"photo": large_file()})
    assert anybody.status_code == 413  # nothing is taken for a sticker that is not in force


def large_file() -> SimpleUploadedFile:
    """A file of more than a photo may have."""
    return SimpleUploadedFile("p.jpg", b"\xff\xd8" * (MOST_BYTES // 2 + 1024 * 1024), "image/jpeg")


def test_a_photo_too_large_leaves_the_words_in_the_form(sticker: str, as_technician: Client) -> None:
    answer = Client().post(sticker, {"words": "It sticks", "photo": large_file()})
    page = told(answer.content)
    assert answer.status_code == 422
    assert "This photo has more than 25 MB: send a smaller one." in page
    assert "It sticks</textarea>" in page
    assert not Call.objects.exists()
    call = CallFactory()
    answer = as_technician.post(
        f"/calls/{call.pk}/photos/add/", {"idempotency_key": "x", "photo": large_file()}
    )
    assert answer.status_code == 422


def test_only_the_phone_hears_plain_words(as_technician: Client) -> None:
    answer = as_technician.post("/field/photos/", {"photo": large_file(), "key": "x"})
    assert answer.status_code == 413
    assert answer["Content-Type"].startswith("text/plain")
