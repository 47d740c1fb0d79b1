"""Log handler that mails errors to the address in ERROR_REPORT_TO.

A report names the place in the code and the page, and contains nothing of what was typed, sent or shown.
The same place is reported once an hour, and all places together ten times an hour, by each process.
"""

from __future__ import annotations

import logging
from threading import Thread
from time import monotonic

from django.conf import settings
from django.core.mail import EmailMessage
from django.http import HttpRequest

from servicedesk.core.logs.formatting import describe, route_of, trace
from servicedesk.core.values.mail_addresses import sender_line

log = logging.getLogger(__name__)
HOUR = 3600.0
MOST_AN_HOUR = 10


class Limit:
    """Rate limit of reports: one an hour for each place, and a fixed number for all."""

    def __init__(self) -> None:
        self._sent: dict[str, float] = {}

    def lets(self, place: str, *, now: float) -> bool:
        """Return whether a report may go out, and count it."""
        self._sent = {key: at for key, at in self._sent.items() if now - at < HOUR}
        if place in self._sent or len(self._sent) >= MOST_AN_HOUR:
            return False
        self._sent[place] = now
        return True


class ErrorReports(logging.Handler):
    """Handler that mails logged errors. A mail that can't be sent is logged and blocks nothing."""

    def __init__(self, to: str) -> None:
        super().__init__(level=logging.ERROR)
        self.to = to
        self.limit = Limit()

    def emit(self, record: logging.LogRecord) -> None:
        """Send a report in a thread of its own, so that no page waits for the mail server."""
        # Requests with unknown host names are no error of ours.
        if record.name.startswith("django.security") or not self.limit.lets(
            place_of(record), now=monotonic()
        ):
            return
        Thread(target=send, args=(subject_of(record), report_of(record), self.to)).start()


def place_of(record: logging.LogRecord) -> str:
    """Place in the code where an error arose."""
    error = record.exc_info[1] if record.exc_info else None
    if error is None:
        return f"{record.pathname}:{record.lineno}"
    step = error.__traceback__
    while step is not None and step.tb_next is not None:
        step = step.tb_next
    where = f"{step.tb_frame.f_code.co_filename}:{step.tb_lineno}" if step else record.pathname
    return f"{type(error).__name__} {where}"


def subject_of(record: logging.LogRecord) -> str:
    """Subject line: what happened and where, in a few words."""
    error = record.exc_info[1] if record.exc_info else None
    what = type(error).__name__ if error else record.levelname.lower()
    request = getattr(record, "request", None)
    where = route_of(request) if isinstance(request, HttpRequest) else record.name
    return f"{settings.SITE_URL}: {what} in {where}"


def report_of(record: logging.LogRecord) -> str:
    """Text of the report: what is in the log, and nothing else."""
    number = getattr(record, "request_id", "-")
    lines = [record.getMessage(), f"logger {record.name}, request {number}"]
    if record.exc_info and record.exc_info[1]:
        lines += ["", trace(record.exc_info[1])]
    lines += ["", "The same place is reported once an hour at most; the log has every time."]
    return "\n".join(lines)


def send(subject: str, body: str, to: str) -> None:
    """Send one mail; a failing mail server is logged as a warning, which sends no mail."""
    try:
        EmailMessage(subject, body, sender_line(), [to]).send()
    except Exception as error:  # whatever a mail server can do must not harm the page
        log.warning("a report of an error could not be sent: %s", describe(error))
