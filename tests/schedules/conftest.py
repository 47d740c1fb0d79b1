"""What tests of letters share."""

from __future__ import annotations

from collections.abc import Iterator

import pytest
from pytest_django import Settings

from tests.schedules.mail_server import MailServer, mail_server


@pytest.fixture
def post(settings: Settings) -> Iterator[MailServer]:
    """A mail server, and a desk that sends through it."""
    with mail_server() as server:
        settings.EMAIL_BACKEND = "django.core.mail.backends.smtp.EmailBackend"
        settings.EMAIL_HOST, settings.EMAIL_PORT = "127.0.0.1", server.port
        settings.MAIL_FROM_ADDRESS = "desk@company.example"
        yield server
