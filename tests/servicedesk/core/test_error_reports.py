"""Reports of errors by mail: off by default, without data, and seldom. The mail server is a real one."""

from __future__ import annotations

import logging
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest
from django.core.mail import EmailMessage

from servicedesk.core.logs.error_reports import MOST_AN_HOUR, ErrorReports, Limit
from tests.schedules.installation import ROOT, Installation, until
from tests.schedules.mail_server import MailServer, mail_server

NAME = "Ada Probeson"
DESK = """
from django.test import Client
from django.urls import path
from servicedesk import urls
from django.contrib.auth.decorators import login_not_required

@login_not_required
def breaks(request, secret):
    name = request.POST['name']
    raise ValueError(f'{name} at {request.path} cannot be kept')

urls.urlpatterns.append(path('break/<str:secret>/', breaks, name='breaks'))
client = Client(raise_request_exception=False, headers={'host': '127.0.0.1', 'user-agent': 'Probe of Ada'})
for _ in range(3):
    answer = client.post('/break/s3cr3t/?q=asked', {'name': 'Ada Probeson', 'phone': '555-0142'})
    print('answered', answer.status_code)
client.get('/', headers={'host': 'stranger.example'})
"""


def installation_with(folder: Path, mail: MailServer, **settings: str) -> Installation:
    """A desk with a mail server."""
    return Installation(
        folder,
        {
            "EMAIL_URL": f"smtp://127.0.0.1:{mail.port}",
            "DJANGO_SETTINGS_MODULE": "servicedesk.settings",
            **settings,
        },
    )


def test_a_failing_page_gives_one_mail_without_what_was_typed(tmp_path: Path) -> None:
    with mail_server() as mail:
        said = installation_with(tmp_path, mail, ERROR_REPORT_TO="keeper@desk.example").script(DESK)
        assert said.count("answered 500") == 3
        assert len(mail.mails) == 1  # three times the same place, and a stranger's host name
        (report,) = mail.mails
        assert report["To"] == "keeper@desk.example"
        assert str(report["Subject"]).endswith("ValueError in breaks")
        text = report.get_content()
        assert "Internal Server Error" in text
        assert "ValueError" in text
        assert "line 11, in breaks" in text
        for secret in ("Ada", "Probeson", "555-0142", "s3cr3t", "asked", "tests-only"):
            assert secret not in mail.raw[0].decode()
            assert secret not in said


def test_nothing_is_sent_unless_asked_for(tmp_path: Path) -> None:
    with mail_server() as mail:
        assert "answered 500" in installation_with(tmp_path, mail).script(DESK)
        assert mail.mails == []


def test_reports_without_a_mail_server_are_refused_at_once(tmp_path: Path) -> None:
    installation = Installation(tmp_path, {"ERROR_REPORT_TO": "keeper@desk.example"})
    done = subprocess.run(
        [sys.executable, "manage.py", "check"],
        cwd=ROOT,
        env=installation.environment,
        capture_output=True,
        text=True,
        timeout=120,
    )
    assert done.returncode != 0
    assert "set EMAIL_URL as well" in done.stderr


def test_a_mail_server_that_is_away_is_told_and_holds_nothing_up(tmp_path: Path) -> None:
    with mail_server() as mail:
        pass
    said = installation_with(tmp_path, mail, ERROR_REPORT_TO="keeper@desk.example").script(DESK)
    assert "a report of an error could not be sent: ConnectionRefusedError" in said
    assert said.count("answered 500") == 3


def test_so_many_places_an_hour_and_each_once() -> None:
    limit = Limit()
    through = [limit.lets(f"place {number}", now=0.0) for number in range(MOST_AN_HOUR + 3)]
    assert through == [True] * MOST_AN_HOUR + [False] * 3
    assert not limit.lets("place 1", now=3599.0)
    assert limit.lets("place 1", now=3600.0)


@pytest.fixture
def log() -> Iterator[logging.Logger]:
    """A logger whose errors are reported."""
    logger, handler = logging.getLogger("tests.reported"), ErrorReports("keeper@desk.example")
    logger.addHandler(handler)
    yield logger
    logger.removeHandler(handler)


def test_an_error_without_an_exception_is_reported_by_the_place_it_was_logged(
    log: logging.Logger, mailoutbox: list[EmailMessage]
) -> None:
    for _ in range(2):
        log.error("the schedule asks for %s, which no app has", "x")
    log.warning("no error")
    until(lambda: mailoutbox)
    (report,) = mailoutbox
    assert report.subject.endswith("error in tests.reported")
    assert "the schedule asks for x" in str(report.body)


def test_two_places_are_two_reports(log: logging.Logger, mailoutbox: list[EmailMessage]) -> None:
    for failing in (int, {}.__getitem__, int):
        try:
            failing(NAME)
        except (KeyError, ValueError):
            log.exception("it failed")
    until(lambda: len(mailoutbox) == 2)
    assert sorted(report.subject.split(": ")[1] for report in mailoutbox) == [
        "KeyError in tests.reported",
        "ValueError in tests.reported",
    ]
    assert not any(NAME in str(report.body) for report in mailoutbox)
