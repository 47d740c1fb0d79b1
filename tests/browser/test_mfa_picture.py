"""The picture of the second step as a phone sees it on the screen: whole, and readable."""

from __future__ import annotations

import io
from typing import Any

import pyotp
import pytest
import zxingcpp
from PIL import Image
from playwright.sync_api import Page

from servicedesk.accounts.models import User
from tests.browser.acts import sign_in

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]


@pytest.mark.parametrize("width", [360, 1280])
def test_a_reader_that_is_not_ours_reads_the_secret_off_the_screen(
    page: Page, live_server: Any, technician: User, width: int
) -> None:
    technician.set_password("a-long-made-up-word")
    technician.save()
    page.set_viewport_size({"width": width, "height": 800})
    sign_in(page, live_server.url, technician.username)
    page.goto(f"{live_server.url}/me/second-step/")
    seen = Image.open(io.BytesIO(page.locator(".qr").screenshot()))
    (code,) = zxingcpp.read_barcodes(seen)
    read = pyotp.parse_uri(code.text)
    assert read.secret == page.locator(".secret").inner_text()
    assert read.name == technician.username
