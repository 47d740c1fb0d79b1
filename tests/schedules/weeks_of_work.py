"""Weeks of work for tests: sites around a town, what is due there, and people who go out."""

from __future__ import annotations

from datetime import UTC, date, datetime
from typing import Any

from django.contrib.auth.models import Group

from schedules import operations
from schedules.models import MaintenanceTask, Visit, WeekPlan
from servicedesk.accounts.models import Role, User
from tests.factories import SiteFactory, TaskFactory, UnitFactory, UserFactory
from units.models import Site

MONDAY = date(2026, 5, 4)
SUNDAY_NOON = datetime(2026, 5, 3, 16, 0, tzinfo=UTC)
SHORT = 60


def technician(**fields: Any) -> User:
    """Give somebody who goes out."""
    person: User = UserFactory(**fields)
    person.groups.add(Group.objects.get_or_create(name=Role.TECHNICIAN.value)[0])
    return person


def site_at(number: int, **fields: Any) -> Site:
    """Give a site some minutes from the town."""
    values = {"latitude": 40 + 0.01 * (number % 7), "longitude": -74 + 0.01 * (number // 7), **fields}
    site: Site = SiteFactory(**values)
    return site


def work_at(site: Site, **fields: Any) -> MaintenanceTask:
    """Put something to do at a site on the list, due before the week."""
    values = {"due_on": MONDAY, "minutes": 60, **fields}
    task: MaintenanceTask = TaskFactory(unit=UnitFactory(site=site), **values)
    return task


def plan_week(
    monday: date = MONDAY, *, at: datetime = SUNDAY_NOON, horizon_days: int = 14, number: int = SHORT
) -> WeekPlan:
    """Ask for a week and have it planned."""
    plan = operations.ask_for_week(monday, horizon_days=horizon_days, by=None, at=at)
    operations.solve_week(plan, number=number, at=at)
    plan.refresh_from_db()
    return plan


def proposals() -> list[Visit]:
    """List the visits that plans proposed, in order of time."""
    return list(Visit.objects.filter(planned_by__isnull=False).for_list())


def why_unassigned(plan: WeekPlan) -> dict[str, str]:
    """Say of each site left over why, by its code."""
    return {left.site.code: left.why for left in plan.unassigned.select_related("site")}
