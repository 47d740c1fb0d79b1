"""The log: one line a record, a number for each request, and nobody's data."""

from __future__ import annotations

import io
import json
import logging
import re
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import datetime
from typing import Any

import pytest
from celery import current_app
from django.core.management.base import CommandError
from django.db import IntegrityError, OperationalError
from django.test import Client
from django.urls import reverse
from pytest_django.fixtures import Settings

from servicedesk.core.logs.formatting import JsonLines, PlainLines, WithoutData, describe, request_id, trace
from tests.factories import SiteFactory

NAME = "Ada Probeson"


@contextmanager
def written(formatter: logging.Formatter) -> Iterator[io.StringIO]:
    """Write the log as the desk does, into a text."""
    out = io.StringIO()
    handler = logging.StreamHandler(out)
    handler.setFormatter(formatter)
    handler.addFilter(WithoutData())
    root = logging.getLogger()
    level = root.level
    root.addHandler(handler)
    root.setLevel(logging.INFO)
    try:
        yield out
    finally:
        root.removeHandler(handler)
        root.setLevel(level)


def lines(out: io.StringIO) -> list[dict[str, Any]]:
    """Read a log of JSON."""
    return [json.loads(line) for line in out.getvalue().splitlines()]


@pytest.mark.django_db
def test_each_request_has_a_line_without_its_address(as_scheduler: Client) -> None:
    site = SiteFactory()
    with written(JsonLines()) as out:
        answer = as_scheduler.get(reverse("calls:log_call_at", args=[site.pk]), {"unit": "17"})
    (line,) = [line for line in lines(out) if line["logger"] == "servicedesk.requests"]
    assert datetime.fromisoformat(line["time"]).tzinfo is not None
    fields = {name: line[name] for name in ("level", "method", "route", "status", "role")}
    assert fields == {
        "level": "INFO",
        "method": "GET",
        "route": "calls:log_call_at",
        "status": 200,
        "role": "scheduler",
    }
    assert line["ms"] >= 0
    assert line["request_id"] == answer["X-Request-ID"]
    assert re.fullmatch("[0-9a-f]{32}", line["request_id"])
    assert request_id.get() == "-"


@pytest.mark.django_db
@pytest.mark.parametrize("path", ["/calendar/s3cr3t.ics", "/your-visit/s3cr3t/", "/nobody/s3cr3t/"])
@pytest.mark.parametrize("formatter", [JsonLines(), PlainLines()])
def test_no_secret_of_an_address_is_written(client: Client, path: str, formatter: logging.Formatter) -> None:
    with written(formatter) as out:
        assert client.get(path).status_code == 404
    assert "404" in out.getvalue()
    assert "s3cr3t" not in out.getvalue()


@pytest.mark.django_db
def test_only_a_proxy_of_ours_may_number_a_request(client: Client, settings: Settings) -> None:
    given = "0123456789abcdef0123456789abcdef"
    assert client.get("/alive/", headers={"x-request-id": given})["X-Request-ID"] != given
    settings.PROXIES = 1
    assert client.get("/alive/", headers={"x-request-id": given})["X-Request-ID"] == given
    odd = client.get("/alive/", headers={"x-request-id": "a\u2028b" * 9})
    assert re.fullmatch("[0-9a-f]{32}", odd["X-Request-ID"])


def fail(error: Exception) -> Exception:
    """Raise an error, so that it has a way through the code, behind another of its kind."""
    try:
        try:
            raise KeyError(NAME)
        except KeyError as first:
            raise error from first
    except Exception as raised:
        return raised


@pytest.mark.parametrize(
    "error",
    [
        ValueError(f"invalid literal: {NAME}"),
        IntegrityError(f"DETAIL: Key (name)=({NAME}) already exists."),
        FileNotFoundError(2, "No such file or directory", f"/srv/{NAME}.csv"),
        OperationalError(f"the server closed the connection\nCONTEXT: {NAME}"),
        CommandError(NAME),
    ],
)
@pytest.mark.parametrize("formatter", [JsonLines(), PlainLines()])
def test_an_exception_is_told_by_kind_and_place_only(error: Exception, formatter: logging.Formatter) -> None:
    with written(formatter) as out:
        logging.getLogger("servicedesk.test").error("it failed", exc_info=fail(error))
    assert NAME not in out.getvalue()
    assert type(error).__name__ in out.getvalue()
    assert "KeyError" in out.getvalue()
    assert "test_logs.py" in out.getvalue()


def test_words_of_the_machine_are_told() -> None:
    assert describe(OSError(28, "No space left on device")) == "OSError: No space left on device"
    assert describe(OperationalError("database is locked")) == "OperationalError: database is locked"
    assert describe(ValueError("x")) == "ValueError"


def test_a_chain_that_closes_on_itself_ends() -> None:
    first, second = ValueError("a"), KeyError("b")
    first.__context__, second.__context__ = second, first
    assert trace(first).count("and so") == 1


def test_a_task_that_fails_tells_no_data() -> None:
    @current_app.task(name="tests.quotes")
    def quotes(name: str) -> None:
        raise ValueError(f"no customer {name}")

    try:
        with written(JsonLines()) as out:
            quotes.apply(args=[NAME])
    finally:
        current_app.tasks.pop("tests.quotes")
    (line,) = [line for line in lines(out) if line["level"] == "ERROR"]
    assert "ValueError" in line["message"]
    assert NAME not in out.getvalue()


def test_every_line_is_one_object_whatever_it_says() -> None:
    with written(JsonLines()) as out:
        logging.getLogger("servicedesk.test").warning('two\nlines and a "quote" %s', "ü\x00")
    (line,) = lines(out)
    assert line["message"] == 'two\nlines and a "quote" ü\x00'
