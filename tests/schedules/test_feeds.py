"""Calendar feeds as they leave the desk: what they hold, and for how long.

What a feed must look like is RFC 5545 and RFC 7986. Every feed passes the byte-level linter and is read back
by readers that are not ours.
"""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, date, datetime, timedelta
from typing import Any

import pytest
import time_machine
from pytest_django import DjangoAssertNumQueries

from schedules import operations
from schedules.calendars.feeds import due_feed, visits_feed
from schedules.calendars.ical import UID_HOST, many_lines, one_line
from schedules.models import MaintenanceTask, NextDue, Visit, VisitTask
from servicedesk.accounts.models import User
from tests.factories import (
    InstalledPartFactory,
    NextDueFactory,
    OwnershipFactory,
    SiteFactory,
    TaskFactory,
    UserFactory,
    VisitFactory,
)
from tests.schedules.calendar_entries import HOSTILE, event_lines
from tests.schedules.ical_linter import lint
from tests.schedules.readers import (
    SeenEvent,
    as_published,
    read_with_icalendar,
    read_with_icaljs,
    read_with_libical,
    read_with_vobject,
)
from units.models import Site

pytestmark = pytest.mark.django_db
AT = datetime(2026, 5, 4, 12, 0, tzinfo=UTC)
READERS = [read_with_icalendar, read_with_vobject, read_with_icaljs, read_with_libical]
Reader = Callable[[bytes], list[SeenEvent]]


def visit_of(person: User | None = None, *tasks: MaintenanceTask, **fields: Any) -> Visit:
    """Make a visit, of a technician, with tasks."""
    visit = VisitFactory(**fields)
    if person is not None:
        visit.technicians.add(person)
    VisitTask.objects.bulk_create(VisitTask(visit=visit, task=task) for task in tasks)
    return visit


def seen_in(body: bytes) -> list[SeenEvent]:
    """Read a feed that must be clean."""
    assert lint(body) == []
    return read_with_icalendar(body)


@pytest.mark.parametrize("read", READERS)
@pytest.mark.parametrize("prepare", [bytes, as_published])
def test_readers_see_a_visit_as_it_was_planned(read: Reader, prepare: Callable[[bytes], bytes]) -> None:
    person = UserFactory(name="Ada Probe")
    site = SiteFactory(
        address="12 Heron Lane; rear, upper", postcode="09012", latitude="38.9072", longitude="-77.0369"
    )
    task = TaskFactory(unit__site=site, reason="Lubricate the track: last done Apr 2, 2025")
    visit = operations.plan_visit(
        site,
        starts_at=datetime(2026, 5, 6, 13, 0, tzinfo=UTC),
        minutes=90,
        technicians=[person],
        tasks=[task],
        by=None,
        at=AT,
    )
    operations.confirm_visit(visit, by=None, at=AT + timedelta(minutes=5))
    (seen,) = read(prepare(visits_feed(person, at=AT)))
    assert seen == SeenEvent(
        uid=f"{visit.uid}@{UID_HOST}",
        summary="12 Heron Lane; rear, upper, 09012: 1 task",
        description=f"Technicians: Ada Probe\n{task.unit}: Lubricate the track: last done Apr 2, 2025",
        location="12 Heron Lane; rear, upper, 09012",
        starts=datetime(2026, 5, 6, 13, 0, tzinfo=UTC),
        ends=datetime(2026, 5, 6, 14, 30, tzinfo=UTC),
        status="CONFIRMED",
        sequence=1,
    )
    assert lint(visits_feed(person, at=AT)) == []


def test_a_visit_carries_what_readers_need_to_follow_changes() -> None:
    visit = visit_of(site__latitude="38.9072", site__longitude="-77.0369")
    lines = event_lines(visits_feed(None, at=AT))
    assert "DTSTAMP:20260401T120000Z" in lines
    assert "LAST-MODIFIED:20260401T120000Z" in lines
    assert "CREATED:20260401T120000Z" in lines
    assert "GEO:38.907200;-77.036900" in lines
    assert f"URL:http://127.0.0.1:8000/visits/{visit.pk}/" in lines
    assert "SUMMARY:" + visit.site.address in lines


def test_what_opens_a_source_or_reaches_a_customer_stays_at_the_desk() -> None:
    site = SiteFactory(access_notes="Gate code 4711", address="12 Heron Lane")
    OwnershipFactory(site=site, customer__name="Berta Secret", customer__phone="555-0199")
    visit_of(
        UserFactory(phone="555-0142"), TaskFactory(unit__site=site), site=site, note="Key under the 4711 pot"
    )
    NextDueFactory(installed_part__unit__site=site, next_due_on=date(2026, 5, 10))
    Site.objects.update(care_by="us")
    for body in (visits_feed(None, at=AT), due_feed(at=AT)):
        text = body.decode().replace("\r\n ", "")
        assert "12 Heron Lane" in text
        for secret in ("code 4711", "Berta Secret", "555-0199", "555-0142", "4711 pot"):
            assert secret not in text


# --- which visits, for how long -------------------------------------------------------------------------


@pytest.mark.parametrize(("days", "shown"), [(-31, 0), (-30, 1), (-29, 1), (0, 1), (179, 1), (181, 0)])
def test_a_feed_reaches_from_thirty_days_back_to_half_a_year_ahead(days: int, shown: int) -> None:
    visit_of(starts_at=AT + timedelta(days=days))
    assert len(seen_in(visits_feed(None, at=AT))) == shown


@pytest.mark.parametrize(("days_ago", "shown"), [(0, 1), (29, 1), (31, 0)])
def test_a_cancelled_visit_stays_for_thirty_days_marked_in_words(days_ago: int, shown: int) -> None:
    visit_of(state="cancelled", changed_at=AT - timedelta(days=days_ago), starts_at=AT + timedelta(days=3))
    seen = seen_in(visits_feed(None, at=AT))
    assert len(seen) == shown
    assert all(event.status == "CANCELLED" and event.summary.startswith("CANCELED: ") for event in seen)


def test_a_person_has_their_own_visits_and_the_team_has_all() -> None:
    ada, ben = UserFactory(), UserFactory()
    first, second, third = visit_of(ada), visit_of(ben), visit_of()
    second.technicians.add(ada)

    def uids(person: User | None) -> set[str | None]:
        return {event.uid for event in seen_in(visits_feed(person, at=AT))}

    def named(*visits: Visit) -> set[str]:
        return {f"{visit.uid}@{UID_HOST}" for visit in visits}

    assert uids(ada) == named(first, second)
    assert uids(ben) == named(second)
    assert uids(None) == named(first, second, third)
    assert f"NAME:Visits of {ada.name}".encode() in visits_feed(ada, at=AT)
    assert b"NAME:Visits\\, Sashkeep" in visits_feed(None, at=AT)


def test_a_feed_without_visits_is_still_a_calendar() -> None:
    assert seen_in(visits_feed(None, at=AT)) == []
    assert seen_in(due_feed(at=AT)) == []


# --- what moves and what does not -----------------------------------------------------------------------


def test_the_same_visits_give_the_same_bytes_at_any_hour() -> None:
    visit_of(UserFactory(), TaskFactory())
    NextDueFactory(installed_part__unit__site__care_by="us", next_due_on=date(2026, 5, 10))
    first = visits_feed(None, at=AT), due_feed(at=AT)
    assert (visits_feed(None, at=AT + timedelta(hours=30)), due_feed(at=AT + timedelta(hours=30))) == first


@time_machine.travel(AT)
def test_a_moved_and_a_cancelled_visit_count_up(technician: User) -> None:
    task = TaskFactory()
    visit = operations.plan_visit(
        task.site, starts_at=AT + timedelta(days=2), technicians=[technician], tasks=[task], by=None, at=AT
    )
    steps = []
    for hours in (1, 2):
        operations.change_visit(
            visit,
            starts_at=AT + timedelta(days=3, hours=hours),
            technicians=[technician],
            tasks=[task],
            note="",
            by=None,
            at=AT + timedelta(hours=hours),
        )
        steps.append(seen_in(visits_feed(technician, at=AT))[0])
    operations.cancel_visit(visit, why="customer away", by=None, at=AT + timedelta(hours=3))
    steps.append(seen_in(visits_feed(technician, at=AT))[0])
    assert [step.sequence for step in steps] == [1, 2, 3]
    assert len({step.uid for step in steps}) == 1
    assert "DTSTAMP:20260504T150000Z" in event_lines(visits_feed(technician, at=AT))


def test_a_task_told_in_other_words_moves_the_stamp_of_its_visit() -> None:
    task = TaskFactory()
    visit_of(None, task)
    later = datetime(2026, 5, 3, 9, 0, tzinfo=UTC)
    MaintenanceTask.objects.filter(pk=task.pk).update(reason="Other words", changed_at=later)
    lines = event_lines(visits_feed(None, at=AT))
    assert "DTSTAMP:20260503T090000Z" in lines
    assert "SEQUENCE:0" in lines


# --- hostile text ---------------------------------------------------------------------------------------


def storable(text: str) -> str:
    """Leave out what no database stores as text: half a surrogate pair, and PostgreSQL's nought."""
    return text.encode("utf-8", "ignore").decode().replace("\x00", "")


@pytest.mark.parametrize("read", READERS)
def test_readers_are_not_taken_in_by_hostile_addresses_and_tasks(read: Reader) -> None:
    hostile = [f"{number} {storable(text)}"[:230] for number, text in enumerate(HOSTILE)]
    for text in hostile:
        site = SiteFactory(address=text)
        visit_of(None, TaskFactory(unit__site=site, reason=f"y{text}"), site=site)
        due = NextDueFactory(
            installed_part__unit__site=SiteFactory(address=text, care_by="us"),
            rule__name=f"z{text[:100]}",
            next_due_on=date(2026, 5, 10),
        )
        assert due.pk
    for body in (visits_feed(None, at=AT), due_feed(at=AT)):
        assert lint(body) == []
        places = sorted(event.location for event in read(body))
        assert places == sorted(one_line(text, joined_by=", ") for text in hostile)
    descriptions = {event.location: event.description for event in read(visits_feed(None, at=AT))}
    for visit in Visit.objects.all():
        task = visit.visit_tasks.get().task
        expected = many_lines(f"Technicians: nobody named yet\n{task.unit}: {task.reason}")
        assert descriptions[one_line(visit.site.address, joined_by=", ")] == expected


# --- due care -------------------------------------------------------------------------------------------


def maintenance_at(site: Site, **fields: Any) -> NextDue:
    """Make care due at a site."""
    return NextDueFactory(installed_part__unit__site=site, **{"next_due_on": date(2026, 5, 20), **fields})


def test_due_care_is_one_all_day_entry_a_site_and_day() -> None:
    site = SiteFactory(address="12 Heron Lane", care_by="us")
    first = maintenance_at(
        site, rule__name="wash the film", rule__minutes=40, last_done_on=date(2025, 11, 20)
    )
    NextDueFactory(
        installed_part=first.installed_part,
        rule__name="oil the track",
        rule__minutes=35,
        next_due_on=date(2026, 5, 20),
    )
    maintenance_at(site, next_due_on=date(2026, 6, 1))
    seen = seen_in(due_feed(at=AT))
    assert [(event.starts, event.ends) for event in seen] == [
        (date(2026, 5, 20), date(2026, 5, 21)),
        (date(2026, 6, 1), date(2026, 6, 2)),
    ]
    unit = first.installed_part.unit
    assert seen[0].summary == "Maintenance due at 12 Heron Lane: 2 tasks, 1 h 15 min"
    assert seen[0].description == (
        f"{unit}: Oil the track: never recorded as done\n{unit}: Wash the film: last done Nov 20, 2025"
    )
    assert b"TRANSP:TRANSPARENT" in due_feed(at=AT)
    assert f"/visits/plan/?site={site.pk}".encode() in due_feed(at=AT).replace(b"\r\n ", b"")


@pytest.mark.parametrize("read", READERS)
def test_readers_see_due_care_on_its_day(read: Reader) -> None:
    maintenance_at(SiteFactory(care_by="us"))
    (seen,) = read(due_feed(at=AT))
    assert (seen.starts, seen.status) == (date(2026, 5, 20), None)


@pytest.mark.parametrize(("days", "shown"), [(-31, 0), (-30, 1), (0, 1), (179, 1), (180, 0)])
def test_due_care_has_the_same_window(days: int, shown: int) -> None:
    maintenance_at(SiteFactory(care_by="us"), next_due_on=date(2026, 5, 4) + timedelta(days=days))
    assert len(seen_in(due_feed(at=AT))) == shown


def test_care_of_others_out_of_force_or_on_a_visit_is_not_shown() -> None:
    ours = SiteFactory(care_by="us")
    maintenance_at(SiteFactory(care_by="customer"))
    maintenance_at(ours, rule__active=False)
    maintenance_at(ours, installed_part__removed_on=date(2026, 1, 1))
    planned = maintenance_at(ours)
    TaskFactory(unit=planned.installed_part.unit, next_due=planned, state="in-process")
    assert seen_in(due_feed(at=AT)) == []
    open_again = maintenance_at(ours)
    TaskFactory(unit=open_again.installed_part.unit, next_due=open_again)
    assert len(seen_in(due_feed(at=AT))) == 1


def test_other_care_on_a_day_is_another_entry_so_that_none_is_kept_by_halves() -> None:
    site = SiteFactory(care_by="us")
    due = maintenance_at(site)
    (before,) = seen_in(due_feed(at=AT))
    NextDueFactory(installed_part=due.installed_part, next_due_on=date(2026, 5, 20))
    (after,) = seen_in(due_feed(at=AT))
    assert before.uid != after.uid


def test_a_calendar_of_more_than_it_can_show_says_so() -> None:
    for n in range(4):
        maintenance_at(SiteFactory(care_by="us"), next_due_on=date(2026, 5, 20 + n))
    seen = seen_in(due_feed(at=AT, most=3))
    assert [event.starts for event in seen] == [date(2026, 5, 20 + n) for n in range(4)]
    assert seen[-1].summary == "More maintenance is due from here on than fits into this calendar"


@pytest.mark.parametrize("entries", [3, 30])
def test_feeds_take_the_same_few_queries_however_full(
    entries: int, django_assert_max_num_queries: DjangoAssertNumQueries
) -> None:
    person = UserFactory()
    for _ in range(entries):
        due = maintenance_at(SiteFactory(care_by="us"))
        task = TaskFactory(unit=InstalledPartFactory().unit)
        visit_of(person, task, site=task.site)
        assert due.pk
    with django_assert_max_num_queries(5):
        visits_feed(person, at=AT)
    with django_assert_max_num_queries(1):
        due_feed(at=AT)
