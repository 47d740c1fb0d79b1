"""Tasks, visits and filled-in forms for the tests of planning."""

from __future__ import annotations

import uuid
from datetime import UTC, datetime, timedelta
from typing import Any

from schedules import operations
from schedules.models import MaintenanceTask, Visit
from servicedesk.accounts.models import User
from tests.factories import TaskFactory, UnitFactory
from units.models import Site

AT = datetime(2026, 4, 20, 12, 0, tzinfo=UTC)
NINE = datetime(2026, 5, 4, 13, 0, tzinfo=UTC)  # 9 in the morning in New York
HOUR = timedelta(hours=1)


def at_site(site: Site | None = None, **fields: Any) -> MaintenanceTask:
    """Put a task on the list, at a site."""
    unit = UnitFactory(site=site) if site else UnitFactory()
    return TaskFactory(unit=unit, **fields)


def planned(task: MaintenanceTask, *who: User, starts_at: datetime = NINE, **fields: Any) -> Visit:
    """Propose a visit of an hour."""
    entries = {"minutes": 60, "tasks": [task], "all_the_same": True, "by": None, "at": AT, **fields}
    return operations.plan_visit(task.site, starts_at=starts_at, technicians=who, **entries)


def filled_in(*tasks: MaintenanceTask, **fields: Any) -> dict[str, Any]:
    """Fill in the form of a visit."""
    data = {
        "idempotency_key": uuid.uuid4(),
        "tasks": [task.pk for task in tasks],
        "day": "2026-05-04",
        "time": "09:00",
        "minutes": "",
        "note": "",
    }
    return {**data, **fields}


def told(page: bytes) -> str:
    """Give a page with its white space made one."""
    return " ".join(page.decode().split())
