"""What happens every minute costs the same however much was written over the years.

20,000 letters and 100,000 lines of history lie beside a few visits. The plan of each statement is asked of
the database: none goes through a table from end to end. Times are compared with those of the same work
before.
"""

from __future__ import annotations

import statistics
import time
from collections.abc import Callable
from datetime import UTC, date, datetime, timedelta
from typing import Any

import pytest
from django.db import connection
from django.test import Client
from django.test.utils import CaptureQueriesContext
from django.utils import timezone

from schedules import operations
from schedules.calendars.feeds import todo_feed, version_of_visits
from schedules.models import MaintenanceTask, Notification, NotificationKind, Visit, VisitTask
from schedules.notifications.queue import write_due_notifications
from servicedesk.accounts.models import User
from servicedesk.core.history import write_change
from servicedesk.core.models import Change
from tests.factories import (
    CustomerFactory,
    OwnershipFactory,
    SiteFactory,
    TaskFactory,
    UnitFactory,
    VisitFactory,
)

pytestmark = [pytest.mark.django_db, pytest.mark.long, pytest.mark.each_database]

NOTIFICATIONS, LINES = 20_000, 100_000
NUMBERS = "WITH RECURSIVE numbers(n) AS (SELECT 1 UNION ALL SELECT n + 1 FROM numbers WHERE n < {most})"
HISTORY = (
    "INSERT INTO core_change (at, by_id, source, subject, subject_id, action) {numbers}"
    " SELECT '2024-01-01 12:00:00+00:00', NULL, 'page', s.subject, 1000000 + n, 'changed' FROM numbers,"
    " (SELECT 'units.site' AS subject UNION ALL SELECT 'units.unit' UNION ALL SELECT 'accounts.user'"
    " UNION ALL SELECT 'schedules.visit') s"
)


def many_notifications() -> None:
    """Write what was sent over the years."""
    customer = CustomerFactory(email="testa@customer.example")
    at = datetime(2024, 5, 4, 12, 0, tzinfo=UTC)
    kinds = [
        (NotificationKind.AHEAD, "visit"),
        (NotificationKind.OWN_MAINTENANCE, "site"),
        (NotificationKind.OFFICE_DAY, "person"),
    ]
    Notification.objects.bulk_create(
        (
            Notification(
                kind=kind,
                subject=subject,
                subject_id=1_000_000 + number,
                due_on=date(2024, 5, 4) + timedelta(days=number % 1500),
                customer=customer,
                addressee=f"customer {customer.pk}",
                stage="sent",
                sent_at=at,
                next_try_at=at,
                made_at=at,
            )
            for number in range(NOTIFICATIONS // 3 + 1)
            for kind, subject in kinds
        ),
        batch_size=1000,
    )
    take_stock("schedules_notification")


def long_history() -> None:
    """Write a history of years, of records that no calendar shows."""
    with connection.cursor() as cursor:
        cursor.execute(HISTORY.format(numbers=NUMBERS.format(most=LINES // 4)))
    assert Change.objects.count() >= LINES
    take_stock("core_change")


def take_stock(table: str) -> None:
    """Run ANALYZE on a table, so that the planner knows its size."""
    with connection.cursor() as cursor:
        cursor.execute(f"ANALYZE {table}")


def plans(work: Callable[[], object]) -> list[str]:
    """List the query plan of every SELECT that some work sends."""
    with CaptureQueriesContext(connection) as captured:
        work()
    lines = []
    with connection.cursor() as cursor:
        for query in captured.captured_queries:
            if query["sql"].startswith("SELECT"):
                ask = "EXPLAIN QUERY PLAN " if connection.vendor == "sqlite" else "EXPLAIN "
                cursor.execute(ask + query["sql"].replace("%", "%%"))
                lines += [str(row[-1]) for row in cursor.fetchall()]
    return lines


def walks(work: Callable[[], object], table: str) -> list[str]:
    """List the steps of the query plans that scan a table, or one of its indexes, in full."""
    return [
        step
        for step in plans(work)
        if (f"SCAN {table}" in step or f"Seq Scan on {table}" in step)
        or (f"SEARCH {table}" in step and "(subject=?)" in step)
    ]


def seconds(work: Callable[[], object]) -> float:
    """Time some work, the middle of several."""
    times = []
    for _ in range(7):
        start = time.perf_counter()
        work()
        times.append(time.perf_counter() - start)
    return statistics.median(times)


def an_installation(person: User) -> None:
    """Plan some visits ahead, and invite somebody who never came."""
    now = timezone.now()
    for number in range(10):
        site = SiteFactory()
        OwnershipFactory(site=site, customer=CustomerFactory(email=f"c{number}@customer.example"))
        visit = VisitFactory(site=site, state="confirmed", starts_at=now + timedelta(days=9, hours=number))
        visit.technicians.add(person)
        VisitTask.objects.create(visit=visit, task=TaskFactory(unit=UnitFactory(site=site)))
    User.objects.filter(pk=person.pk).update(
        email="testa@company.example", invited_at=now - timedelta(days=800), invitations=1
    )
    person.set_unusable_password()
    person.save(update_fields=["password"])


def test_an_old_invitation_reads_no_notifications_but_its_own(technician: User) -> None:
    an_installation(technician)
    write_due_notifications(at=timezone.now())
    assert Notification.objects.filter(kind="join").exists()
    before = seconds(lambda: write_due_notifications(at=timezone.now()))
    many_notifications()
    assert walks(lambda: write_due_notifications(at=timezone.now()), "schedules_notification") == []
    after = seconds(lambda: write_due_notifications(at=timezone.now()))
    assert after < 3 * before + 0.02


def test_every_kind_of_notification_is_still_written_once(technician: User) -> None:
    an_installation(technician)
    assert write_due_notifications(at=timezone.now()) > 10
    many_notifications()
    number = Notification.objects.count()
    assert write_due_notifications(at=timezone.now()) == 0
    assert Notification.objects.count() == number


@pytest.mark.parametrize("whose", ["team", "person"])
def test_a_poll_of_a_calendar_looks_at_what_it_shows(technician: User, whose: str) -> None:
    an_installation(technician)
    person = technician if whose == "person" else None

    def poll() -> object:
        return version_of_visits(person, at=timezone.now())

    before = seconds(poll)
    long_history()
    assert walks(poll, "core_change") == []
    assert seconds(poll) < 3 * before + 0.02


def test_a_poll_by_its_address_costs_the_same_with_a_long_history(technician: User, client: Client) -> None:
    an_installation(technician)
    _, secret = operations.make_link(technician, by=technician, at=timezone.now())
    address = f"/calendar/{secret}.ics"
    etag = client.get(address)["ETag"]

    def poll() -> object:
        assert client.get(address, headers={"If-None-Match": etag}).status_code == 304
        return None

    before = seconds(poll)
    long_history()
    assert seconds(poll) < 3 * before + 0.05


@pytest.mark.parametrize("what", ["site", "unit", "user"])
def test_what_a_calendar_shows_still_changes_its_version(technician: User, what: str) -> None:
    an_installation(technician)
    visit = Visit.objects.first()
    assert visit is not None
    records: dict[str, Any] = {
        "site": visit.site,
        "unit": visit.visit_tasks.get().task.unit,
        "user": technician,
    }
    before = {who: version_of_visits(who, at=timezone.now()) for who in (None, technician)}
    write_change(records[what], action="changed", by=None, at=timezone.now())
    assert all(version_of_visits(who, at=timezone.now()) != old for who, old in before.items())
    before = {who: version_of_visits(who, at=timezone.now()) for who in (None, technician)}
    write_change(SiteFactory(), action="changed", by=None, at=timezone.now())
    assert all(version_of_visits(who, at=timezone.now()) == old for who, old in before.items())


def test_the_list_of_work_does_not_go_through_all_that_was_ever_done() -> None:
    today = timezone.localdate()
    task = TaskFactory(due_on=today)
    MaintenanceTask.objects.bulk_create(
        MaintenanceTask(
            site=task.site,
            origin="call",
            reason="done long ago",
            state="completed",
            due_on=date(2019, 5, 4),
            done_on=date(2019, 5, 4),
        )
        for _ in range(20_000)
    )
    MaintenanceTask.objects.exclude(pk=task.pk).update(changed_at=datetime(2019, 5, 4, 12, 0, tzinfo=UTC))
    lately = TaskFactory(state="completed", done_on=today, due_on=today - timedelta(days=200), reason="done")
    take_stock("schedules_maintenancetask")
    now = timezone.now()
    assert walks(lambda: todo_feed(at=now), "schedules_maintenancetask") == []
    assert todo_feed(at=now).count(b"BEGIN:VTODO") == 2
    assert lately.reason in todo_feed(at=now).decode()
