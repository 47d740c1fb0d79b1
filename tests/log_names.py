"""That logs name nobody: what is looked for in all that the suite logs, and the looking."""

from __future__ import annotations

import logging
import re
from collections.abc import Iterator
from contextlib import contextmanager

PEOPLE = re.compile(r"Testa Person\d|Customer Probeson|Testing Lane|Testa (Owner|Fitter)|@customer\.example")
"""How the factories name people, customers and addresses, and the mail addresses of customers in tests."""

MAIL_SERVER = "mail.log"  # of the tests, not of the desk: it tells whom it was asked to deliver to


def names_in(text: str) -> list[str]:
    """List the lines that name somebody."""
    return [line for line in text.splitlines() if PEOPLE.search(line)]


class Lines(logging.Handler):
    """Keeps what is logged as it would be written, with tracebacks."""

    def __init__(self) -> None:
        super().__init__()
        self.lines: list[str] = []

    def emit(self, record: logging.LogRecord) -> None:
        if record.name != MAIL_SERVER:
            self.lines.append(self.format(record))


@contextmanager
def watched_logs() -> Iterator[list[str]]:
    """Collect all that reaches the root logger, which is where the desk's own handler listens."""
    handler = Lines()
    logging.getLogger().addHandler(handler)
    try:
        yield handler.lines
    finally:
        logging.getLogger().removeHandler(handler)
