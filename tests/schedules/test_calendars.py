"""Calendar links on their page, how their feeds answer, and calendars as files.

How a feed answers is RFC 9110: If-None-Match comes before If-Modified-Since (section 13.2.2), a tag is
compared weakly (13.1.2), and HEAD answers as GET does without the body (9.3.2).
"""

from __future__ import annotations

import hashlib
import logging
import re
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta

import pytest
import time_machine
from django.http import HttpResponse
from django.test import Client

from schedules import operations
from schedules.models import CalendarLink
from servicedesk.accounts.models import User
from servicedesk.core.models import Change
from servicedesk.core.rules.refusals import RuleViolation
from tests.factories import UserFactory, VisitFactory
from tests.schedules.ical_linter import lint
from tests.schedules.readers import read_with_icalendar

pytestmark = pytest.mark.django_db
AT = datetime(2026, 5, 4, 12, 0, tzinfo=UTC)
ADDRESS = re.compile(r'value="http://127\.0\.0\.1:8000(/calendar/[\w-]+(?:/due)?\.ics)"')


@pytest.fixture(autouse=True)
def _today() -> Iterator[None]:
    with time_machine.travel(AT, tick=False):
        yield


def addresses(answer: HttpResponse) -> list[str]:
    """Read the two addresses that a new link is shown with."""
    assert answer.status_code == 200
    return ADDRESS.findall(answer.content.decode())


def link_of(person: User | None) -> tuple[CalendarLink, str]:
    """Make a link and give the path of its feed."""
    link, secret = operations.make_link(person, by=person or UserFactory(), at=AT)
    return link, f"/calendar/{secret}.ics"


# --- the page -------------------------------------------------------------------------------------------


def test_a_technician_makes_a_link_and_sees_its_secret_once(
    as_technician: Client, technician: User, client: Client
) -> None:
    VisitFactory().technicians.add(technician)
    VisitFactory()
    assert "You have no link yet" in as_technician.get("/calendars/").content.decode()
    made = as_technician.post("/calendars/make/")
    visits, due = addresses(made)
    assert due == visits.removesuffix(".ics") + "/due.ics"
    assert made["Cache-Control"] == "no-store"
    assert len(read_with_icalendar(client.get(visits).content)) == 1
    assert client.get(due).status_code == 200
    page = as_technician.get("/calendars/").content.decode()
    secret = visits.removeprefix("/calendar/").removesuffix(".ics")
    assert secret not in page
    assert "(you)" in page
    assert "You have no link yet" not in page


def test_only_a_digest_of_a_long_random_secret_is_kept() -> None:
    secrets = [operations.make_link(UserFactory(), by=UserFactory(), at=AT)[1] for _ in range(20)]
    assert len(set(secrets)) == 20
    assert all(len(secret) * 6 >= 128 for secret in secrets)  # six bits a character (RFC 4648 section 5)
    stored = set(CalendarLink.objects.values_list("secret_hash", flat=True))
    assert stored == {hashlib.sha256(secret.encode()).hexdigest() for secret in secrets}


def test_a_replaced_link_answers_at_its_new_address_only(
    as_technician: Client, technician: User, client: Client
) -> None:
    link, old = link_of(technician)
    new, _ = addresses(as_technician.post(f"/calendars/{link.pk}/replace/"))
    assert client.get(old).status_code == 404
    assert client.get(new).status_code == 200
    assert CalendarLink.objects.in_force().count() == 1


def test_a_revoked_link_finds_nothing(as_technician: Client, technician: User, client: Client) -> None:
    link, path = link_of(technician)
    answer = as_technician.post(f"/calendars/{link.pk}/revoke/", follow=True)
    assert "get nothing from now on" in answer.content.decode()
    assert client.get(path).status_code == 404
    assert client.get(path.replace(".ics", "/due.ics")).status_code == 404
    assert as_technician.post(f"/calendars/{link.pk}/revoke/").status_code == 404
    assert "calendar link revoked" in Change.objects.about(link).for_page()[0].action


def test_a_link_of_somebody_who_left_finds_nothing(technician: User, client: Client) -> None:
    _, path = link_of(technician)
    User.objects.filter(pk=technician.pk).update(is_active=False)
    assert client.get(path).status_code == 404


def test_there_is_one_link_a_person_and_one_for_the_team(as_technician: Client, technician: User) -> None:
    link_of(technician)
    # Not a moment ago: that would be the same form sent twice.
    CalendarLink.objects.update(made_at=datetime.now(UTC) - timedelta(minutes=1))
    answer = as_technician.post("/calendars/make/", follow=True)
    assert "There is already a link in use; replace it instead." in answer.content.decode()
    link_of(None)
    CalendarLink.objects.update(made_at=datetime.now(UTC) - timedelta(minutes=1))
    with pytest.raises(RuleViolation, match="already a link in use"):
        link_of(None)


def test_a_scheduler_makes_links_for_others_and_the_team(
    as_scheduler: Client, scheduler: User, technician: User, client: Client
) -> None:
    VisitFactory().technicians.add(technician)
    VisitFactory()
    seen = []
    for whose in ("team", str(technician.pk)):
        visits, _ = addresses(as_scheduler.post("/calendars/make/", {"whose": whose}))
        seen.append(len(read_with_icalendar(client.get(visits).content)))
    assert seen == [2, 1]
    page = as_scheduler.get("/calendars/").content.decode()
    assert "the whole team" in page
    assert technician.name in page
    link = CalendarLink.objects.get(person=technician)
    assert link.made_by == scheduler
    assert as_scheduler.post(f"/calendars/{link.pk}/revoke/").status_code == 302
    wrong = as_scheduler.post("/calendars/make/", {"whose": "nobody"}, follow=True)
    assert "not one of the available choices" in wrong.content.decode()


def test_a_technician_looks_after_no_link_but_their_own(as_technician: Client, technician: User) -> None:
    link, _ = link_of(UserFactory())
    assert as_technician.post("/calendars/make/", {"whose": "team"}).status_code == 403
    assert as_technician.post(f"/calendars/{link.pk}/replace/").status_code == 403
    assert as_technician.post(f"/calendars/{link.pk}/revoke/").status_code == 403
    assert "A link for somebody else" not in as_technician.get("/calendars/").content.decode()
    for what in ("make/", f"{link.pk}/replace/", f"{link.pk}/revoke/"):
        assert as_technician.get(f"/calendars/{what}").status_code == 405


# --- how a feed answers ---------------------------------------------------------------------------------


@pytest.mark.parametrize("kind", [".ics", "/due.ics"])
def test_a_feed_answers_without_signing_in_and_tells_nobody_where_it_was(client: Client, kind: str) -> None:
    _, path = link_of(None)
    answer = client.get(path.replace(".ics", kind), headers={"accept-encoding": "gzip, br"})
    assert answer.status_code == 200
    assert answer["Content-Type"] == "text/calendar; charset=utf-8"
    assert answer["Cache-Control"] == "private"
    assert answer["Referrer-Policy"] == "no-referrer"
    assert answer["X-Robots-Tag"] == "noindex"
    assert answer["ETag"] == f'"{hashlib.sha256(answer.content).hexdigest()[:32]}"'
    for left_out in ("Content-Encoding", "Set-Cookie", "Last-Modified"):
        assert left_out not in answer
    assert lint(answer.content) == []


def test_head_answers_as_get_does_without_the_body(client: Client) -> None:
    _, path = link_of(None)
    got, head = client.get(path), client.head(path)
    assert (head.status_code, head.content) == (200, b"")
    assert head["Content-Length"] == str(len(got.content))
    assert head["ETag"] == got["ETag"]


@pytest.mark.parametrize("method", ["post", "put", "patch", "delete"])
def test_a_feed_is_only_read(client: Client, method: str) -> None:
    _, path = link_of(None)
    answer = getattr(client, method)(path)
    assert answer.status_code == 405
    assert answer["Allow"] == "GET, HEAD"


@pytest.mark.parametrize(
    "path", ["/calendar/x.ics", "/calendar/x/due.ics", "/calendar/.ics", "/calendar/a.b.ics"]
)
def test_a_wrong_secret_finds_nothing(client: Client, path: str) -> None:
    link_of(None)
    assert client.get(path).status_code == 404


LONG_AGO, AHEAD = "Mon, 01 Jan 2024 00:00:00 GMT", "Tue, 01 Jan 2030 00:00:00 GMT"


@pytest.mark.parametrize(
    ("if_none_match", "if_modified_since", "status"),
    [
        (None, None, 200),
        ("same", None, 304),
        ("weak", None, 304),
        ("list", None, 304),
        ("*", None, 304),
        ("other", None, 200),
        ("nonsense", None, 200),
        (None, LONG_AGO, 200),
        (None, AHEAD, 200),  # no Last-Modified to compare with: the mere header is no reason for 304
        (None, "yesterday", 200),
        ("other", AHEAD, 200),  # the tag decides alone
        ("same", LONG_AGO, 304),
    ],
)
@pytest.mark.parametrize("method", ["get", "head"])
def test_a_reader_that_has_these_bytes_is_told_so(
    client: Client, method: str, if_none_match: str | None, if_modified_since: str | None, status: int
) -> None:
    _, path = link_of(None)
    tag = client.get(path)["ETag"]
    tags = {
        "same": tag,
        "weak": f"W/{tag}",
        "list": f'"a", {tag}',
        "*": "*",
        "other": '"a"',
        "nonsense": "a b",
    }
    headers = {
        name: value
        for name, value in (
            ("if-none-match", tags.get(if_none_match or "")),
            ("if-modified-since", if_modified_since),
        )
        if value is not None
    }
    answer = getattr(client, method)(path, headers=headers)
    assert answer.status_code == status
    assert answer["ETag"] == tag
    assert answer["Cache-Control"] == "private"
    assert answer["Referrer-Policy"] == "no-referrer"
    if status == 304:
        assert answer.content == b""
        assert "Content-Type" not in answer


def test_the_tag_changes_with_the_visits_and_only_then(client: Client) -> None:
    _, path = link_of(None)
    visit = VisitFactory()
    first = client.get(path)["ETag"]
    with time_machine.travel(AT + timedelta(hours=7)):
        assert client.get(path)["ETag"] == first
    type(visit).objects.update(sequence=1, changed_at=AT)
    second = client.get(path)["ETag"]
    type(visit).objects.all().delete()
    third = client.get(path)["ETag"]
    assert len({first, second, third}) == 3
    assert client.get(path, headers={"if-none-match": first}).status_code == 200


def test_the_page_says_when_a_calendar_last_read_a_link(
    client: Client, as_technician: Client, technician: User
) -> None:
    link, path = link_of(technician)
    assert "not yet" in as_technician.get("/calendars/").content.decode()
    client.get(path)
    link.refresh_from_db()
    assert link.last_read_at == AT
    assert "May 4, 2026, 8:00 AM" in as_technician.get("/calendars/").content.decode()
    for minutes, noted in ((30, AT), (61, AT + timedelta(minutes=61))):
        with time_machine.travel(AT + timedelta(minutes=minutes), tick=False):
            client.get(path)
        link.refresh_from_db()
        assert link.last_read_at == noted


# --- secrets and logs -----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("logger", "line", "args"),
    [
        ("django.server", '"%s" %s %s', ("GET /calendar/s3cr3t-x_y.ics HTTP/1.1", "200", "512")),
        ("django.request", "%s: %s", ("Not Found", "/calendar/s3cr3t-x_y/due.ics")),
        (
            "gunicorn.access",
            "%(h)s %(r)s %(s)s",
            ({"h": "::1", "r": "HEAD /calendar/s3cr3t-x_y.ics?a=1", "s": 304},),
        ),
    ],
)
def test_no_log_line_holds_a_secret(
    caplog: pytest.LogCaptureFixture, logger: str, line: str, args: tuple[object, ...]
) -> None:
    with caplog.at_level(logging.INFO, logger=logger):
        logging.getLogger(logger).propagate, before = True, logging.getLogger(logger).propagate
        logging.getLogger(logger).info(line, *args)
        logging.getLogger(logger).propagate = before
    assert "s3cr3t" not in caplog.text
    assert "/calendar/(secret)" in caplog.text


def test_a_feed_that_is_not_found_is_logged_without_its_secret(
    client: Client, caplog: pytest.LogCaptureFixture
) -> None:
    client.get("/calendar/almost-the-right-one.ics")
    client.get("/units/")
    assert "Not Found: /calendar/(secret)" in caplog.text
    assert "almost" not in caplog.text


# --- files ----------------------------------------------------------------------------------------------


def test_visits_of_some_days_come_as_a_file(as_technician: Client, technician: User) -> None:
    for day in (3, 4, 10, 11):
        VisitFactory(starts_at=datetime(2026, 5, day, 15, 0, tzinfo=UTC)).technicians.add(technician)
    VisitFactory()
    answer = as_technician.get("/visits/export.ics?who=me&from=2026-05-04&until=2026-05-10")
    assert answer["Content-Disposition"] == 'attachment; filename="visits-2026-05-04-to-2026-05-10.ics"'
    assert answer["Content-Type"] == "text/calendar; charset=utf-8"
    assert lint(answer.content) == []
    assert sorted(event.starts.day for event in read_with_icalendar(answer.content)) == [4, 10]
    assert len(read_with_icalendar(as_technician.get("/visits/export.ics").content)) == 3


def test_a_scheduler_takes_the_teams_or_anybodys_visits(as_scheduler: Client, technician: User) -> None:
    VisitFactory().technicians.add(technician)
    VisitFactory()
    counts = [
        len(read_with_icalendar(as_scheduler.get(f"/visits/export.ics?who={who}").content))
        for who in ("team", technician.pk, "me")
    ]
    assert counts == [2, 1, 0]


@pytest.mark.parametrize(
    ("query", "status"),
    [
        ("who=team", 403),
        ("who=99999", 403),
        ("from=soon", 400),
        ("from=2026-05-04&until=2026-05-03", 400),
        ("from=2026-05-04&until=2028-05-04", 400),
    ],
)
def test_a_file_that_can_not_be_is_refused(as_technician: Client, query: str, status: int) -> None:
    assert as_technician.get(f"/visits/export.ics?{query}").status_code == status


@pytest.mark.parametrize("who", ["99999", "zzz"])
def test_a_file_of_nobody_is_not_found(as_scheduler: Client, who: str) -> None:
    assert as_scheduler.get(f"/visits/export.ics?who={who}").status_code == 404


def test_a_file_takes_signing_in(client: Client) -> None:
    assert client.get("/visits/export.ics")["Location"].startswith("/sign-in/")
