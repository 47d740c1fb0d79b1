"""A real subscriber reads a feed of the running desk: vdirsyncer fetches it over HTTP, khal lists it."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from django.utils import timezone

from schedules import operations
from schedules.models import Visit
from servicedesk.accounts.models import User
from tests.factories import NextDueFactory, SiteFactory, TaskFactory, UserFactory
from tests.schedules.readers import ReaderError, SeenEvent, list_with_khal

pytestmark = pytest.mark.django_db(transaction=True)


def start_of(days: int) -> datetime:
    """Give three in the afternoon UTC, some days from now."""
    return datetime.combine(
        timezone.localdate() + timedelta(days=days), datetime.min.time(), tzinfo=UTC
    ).replace(hour=15)


def planned(person: User, address: str, *, days: int) -> Visit:
    """Plan a visit of an hour for somebody."""
    task = TaskFactory(unit__site__address=address, reason="Wash; rinse, dry: last done Apr 2, 2025")
    return operations.plan_visit(
        task.site,
        starts_at=start_of(days),
        minutes=60,
        technicians=[person],
        tasks=[task],
        all_the_same=True,
        by=None,
        at=timezone.now(),
    )


def listed(url: str, folder: Path) -> dict[str, SeenEvent]:
    """Fetch and list a feed as the subscriber does, by place."""
    today = timezone.localdate()
    seen = list_with_khal(url, folder, first=today - timedelta(days=5), until=today + timedelta(days=60))
    by_place = {event.location: event for event in seen}
    assert len(by_place) == len(seen)
    return by_place


def test_a_subscriber_follows_visits_as_they_are_planned_moved_and_cancelled(
    live_server: Any, tmp_path: Path
) -> None:
    person = UserFactory(name="Ada Probe")
    _, secret = operations.make_link(person, by=person, at=timezone.now())
    url = f"{live_server.url}/calendar/{secret}.ics"
    assert listed(url, tmp_path) == {}
    first = planned(person, "1 Heron Lane, rear; upper", days=3)
    second = planned(person, "2 Quay Lane", days=4)
    planned(UserFactory(), "3 Other Lane", days=5)
    seen = listed(url, tmp_path)
    assert set(seen) == {"1 Heron Lane, rear; upper", "2 Quay Lane"}
    event = seen["1 Heron Lane, rear; upper"]
    assert (event.starts, event.ends) == (first.starts_at, first.ends_at)
    assert event.summary == "1 Heron Lane, rear; upper: 1 task"
    unit = first.visit_tasks.get().task.unit
    assert event.description == f"Technicians: Ada Probe\n{unit}: Wash; rinse, dry: last done Apr 2, 2025"
    operations.change_visit(
        first,
        starts_at=start_of(6),
        minutes=90,
        technicians=[person],
        tasks=[first.visit_tasks.get().task],
        note="",
        all_the_same=True,
        by=None,
        at=timezone.now(),
    )
    operations.cancel_visit(second, why="customer away", by=None, at=timezone.now())
    seen = listed(url, tmp_path)
    moved = seen["1 Heron Lane, rear; upper"]
    assert (moved.starts, moved.ends) == (start_of(6), start_of(6) + timedelta(minutes=90))
    assert seen["2 Quay Lane"].summary.startswith("CANCELED: ")


def test_a_subscriber_sees_due_care_as_whole_days_and_done_care_go(live_server: Any, tmp_path: Path) -> None:
    _, secret = operations.make_link(None, by=UserFactory(), at=timezone.now())
    url = f"{live_server.url}/calendar/{secret}/due.ics"
    day: date = timezone.localdate() + timedelta(days=7)
    site = SiteFactory(address="1 Heron Lane", care_by="us")
    due = NextDueFactory(installed_part__unit__site=site, rule__work="cleaned", next_due_on=day)
    other = SiteFactory(address="2 Quay Lane", care_by="us")
    NextDueFactory(installed_part__unit__site=other, next_due_on=day)
    seen = listed(url, tmp_path)
    assert (seen["1 Heron Lane"].starts, seen["1 Heron Lane"].ends) == (day, day + timedelta(days=1))
    operations.note_maintenance_done(
        due.installed_part.unit, work="cleaned", on=timezone.localdate(), by=None, at=timezone.now()
    )
    assert set(listed(url, tmp_path)) == {"2 Quay Lane"}


def test_a_subscriber_of_a_revoked_link_is_told(live_server: Any, tmp_path: Path) -> None:
    link, secret = operations.make_link(None, by=UserFactory(), at=timezone.now())
    operations.revoke_link(link, by=UserFactory(), at=timezone.now())
    with pytest.raises(ReaderError, match="Not Found"):
        listed(f"{live_server.url}/calendar/{secret}.ics", tmp_path)
