"""Log formatters: one line a record, plain or as JSON, without personal data.

The message of an exception may quote what somebody typed, and a URL may contain the secret of a link. So an
exception is written with its kind and its place in the code, and with its message only where that comes from
the machine (a full disk, a database that does not answer); a page is named by its route.
"""

from __future__ import annotations

import json
import logging
import sys
import traceback
from contextvars import ContextVar
from datetime import UTC, datetime
from typing import Any

from django.core.exceptions import ImproperlyConfigured
from django.db import InterfaceError, OperationalError
from django.http import HttpRequest
from kombu.exceptions import KombuError

NO_REQUEST = "-"
NO_PAGE = "(no such page)"
MOST_FRAMES = 30
OF_THE_MACHINE = (
    AttributeError,
    ImportError,
    ImproperlyConfigured,
    InterfaceError,
    KombuError,
    NameError,
    OperationalError,
)

request_id: ContextVar[str] = ContextVar("request_id", default=NO_REQUEST)


def describe(error: BaseException) -> str:
    """Description of an exception, with its message only where that can't quote what somebody typed."""
    words = ""
    if isinstance(error, OSError):
        words = error.strerror or ""  # never the name of the file
    elif isinstance(error, OF_THE_MACHINE) or _is_of_redis(error):
        words = str(error).partition("\n")[0]
    return f"{type(error).__name__}: {words}" if words else type(error).__name__


def _is_of_redis(error: BaseException) -> bool:
    """Whether Redis or its client raised an error; not imported, as loading takes a tenth of a second."""
    redis = sys.modules.get("redis")
    return redis is not None and isinstance(error, redis.RedisError)


def trace(error: BaseException) -> str:
    """Traceback of an exception without data, the exceptions it was raised from first."""
    lines: list[str] = []
    seen: set[int] = set()
    now: BaseException | None = error
    while now is not None and id(now) not in seen:
        seen.add(id(now))
        frames = "".join(traceback.format_tb(now.__traceback__, limit=-MOST_FRAMES))
        lines.insert(0, f"{frames}{describe(now)}")
        now = now.__cause__ or (None if now.__suppress_context__ else now.__context__)
    return "\nand so\n".join(lines)


def route_of(request: HttpRequest) -> str:
    """Route of the requested page, without the values in its address."""
    return request.resolver_match.view_name if request.resolver_match else NO_PAGE


class WithoutData(logging.Filter):
    """Filter that adds the request id to each record and removes addresses and data that libraries put in."""

    def filter(self, record: logging.LogRecord) -> bool:
        """Add the request id to a record and remove data from its arguments; none is dropped."""
        record.request_id = request_id.get()
        request = getattr(record, "request", None)
        if isinstance(request, HttpRequest) and isinstance(record.args, tuple):
            record.args = tuple(route_of(request) if part == request.path else part for part in record.args)
        if isinstance(record.args, dict) and "exc" in record.args and record.exc_info:  # as Celery passes it
            error = record.exc_info[1]
            record.args = {**record.args, "exc": describe(error) if error else ""}
        return True


class PlainLines(logging.Formatter):
    """Formatter of lines for people to read."""

    def __init__(self) -> None:
        super().__init__("{asctime} {levelname} {name} [{request_id}]: {message}", style="{")

    def formatException(self, ei: Any) -> str:  # noqa: N802 - the name logging calls
        """Format an exception without data."""
        return trace(ei[1])


class JsonLines(logging.Formatter):
    """Formatter of one JSON object a line: time, level, logger, message, request id, and extra fields."""

    def format(self, record: logging.LogRecord) -> str:
        """Format one record."""
        line: dict[str, object] = {
            "time": datetime.fromtimestamp(record.created, UTC).isoformat(timespec="milliseconds"),
            "level": record.levelname,
            "logger": record.name,
            "message": record.getMessage(),
            "request_id": getattr(record, "request_id", NO_REQUEST),
            **getattr(record, "facts", {}),
        }
        if record.exc_info and record.exc_info[1]:
            line["exception"] = trace(record.exc_info[1])
        return json.dumps(line, ensure_ascii=False)
