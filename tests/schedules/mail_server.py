"""A real mail server on the loopback address, that keeps what it is sent and can be told to refuse."""

from __future__ import annotations

import asyncio
from collections.abc import Iterator
from contextlib import contextmanager
from email import message_from_bytes, policy
from email.message import EmailMessage
from typing import Any

from aiosmtpd.controller import Controller

from tests.schedules.installation import free_port


class MailServer:
    """What came in, in order; ``answers`` holds what the next mails are answered with (none: taken)."""

    def __init__(self) -> None:
        self.mails: list[EmailMessage] = []
        self.raw: list[bytes] = []
        self.answers: list[str] = []
        self.slow_after: int | None = None
        self.refused_addresses: set[str] = set()
        self.port = free_port()

    async def handle_RCPT(  # noqa: N802 - the name aiosmtpd calls
        self, server: Any, session: Any, envelope: Any, address: str, options: list[str]
    ) -> str:
        """Take or refuse an addressee."""
        if address in self.refused_addresses:
            return "550 5.1.1 no such mailbox"
        envelope.rcpt_tos.append(address)
        return "250 OK"

    async def handle_DATA(self, server: Any, session: Any, envelope: Any) -> str:  # noqa: N802
        """Keep a mail, or answer as told."""
        answer = self.answers.pop(0) if self.answers else "250 OK"
        if answer.startswith("250"):
            message = message_from_bytes(envelope.content, policy=policy.default)
            assert isinstance(message, EmailMessage)
            self.mails.append(message)
            self.raw.append(envelope.content)
            if self.slow_after is not None and len(self.mails) > self.slow_after:
                await asyncio.sleep(10)  # the mail is taken, its answer is kept back
        return answer

    @property
    def message_ids(self) -> list[str]:
        """The Message-ID of every mail that came in."""
        return [str(mail["Message-ID"]) for mail in self.mails]


@contextmanager
def mail_server() -> Iterator[MailServer]:
    """Keep a mail server running for the length of a with block."""
    handler = MailServer()
    controller = Controller(handler, hostname="127.0.0.1", port=handler.port)
    controller.start()
    try:
        yield handler
    finally:
        controller.stop()
