"""Every scan of the clock run twice at once: records, history and versions are those of one run."""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, date, datetime, timedelta
from io import BytesIO
from pathlib import Path
from typing import Any
from uuid import uuid4

import pytest
import time_machine
from django.utils import timezone
from PIL import Image
from pytest_django import Settings

from schedules import operations
from schedules.maintenance.exposure import follow_exposures
from schedules.models import MaintenanceTask, NextDue, Notification, Visit, WeekPlan
from schedules.notifications.queue import write_due_notifications
from schedules.operations import week as week_operations
from schedules.operations.raising import follow_addresses
from servicedesk.calls.models import Photo
from servicedesk.calls.photo_files import photo_path
from servicedesk.calls.thumbnails import make_thumbnails, small_path
from servicedesk.core.models import Change, Erasure
from servicedesk.core.rules.refusals import RuleViolation
from servicedesk.privacy.retention import apply_retention
from servicedesk.reports.models import FailureDay, LotFlag, RiskDay
from servicedesk.reports.operations import keep_failure_log, run_surveillance
from tests.factories import (
    CallFactory,
    CustomerFactory,
    InstalledPartFactory,
    MaintenanceRuleFactory,
    NextDueFactory,
    OwnershipFactory,
    SiteFactory,
    UnitFactory,
    VisitFactory,
)
from tests.schedules.test_two_writers import AT, TODAY, at_once, maintenance
from tests.schedules.weeks_of_work import MONDAY, SHORT, SUNDAY_NOON, site_at, technician, work_at
from tests.servicedesk.reports.test_surveillance import lots

pytestmark = pytest.mark.django_db(transaction=True)
TOGETHER = 2


def together(work: Callable[[], object]) -> list[object]:
    """Run one scan several times at once."""
    return at_once(*[work] * TOGETHER)


def changes(model: type[Any]) -> int:
    """Count the history of records of one kind."""
    return Change.objects.filter(subject=model._meta.label_lower).count()


def test_an_address_that_changed_is_followed_once() -> None:
    for number in range(80):
        VisitFactory(
            site=SiteFactory(address=f"{number} New Lane"), place="old", starts_at=AT + timedelta(days=1)
        )
    moved = together(lambda: follow_addresses(at=AT))
    assert sum(int(str(each)) for each in moved) == 80
    assert changes(Visit) == 80
    assert set(Visit.objects.values_list("sequence", flat=True)) == {1}
    assert not Visit.objects.filter(place="old").exists()


def test_an_exposure_that_changed_is_turned_once() -> None:
    rule = MaintenanceRuleFactory(exposed_to="coast", interval_months=12, exposed_months=6)
    for _ in range(40):
        NextDueFactory(
            rule=rule,
            installed_part__component_type=rule.component_type,
            installed_part__unit__site__care_by="us",
            installed_part__unit__site__coast="shore",
        )
    together(lambda: follow_exposures(at=AT))
    assert set(NextDue.objects.values_list("exposed", flat=True)) == {True}
    assert follow_exposures(at=AT) == 0


def test_parts_come_once_under_a_rule_for_exposed_parts_only() -> None:
    rule = MaintenanceRuleFactory(exposed_to="coast", interval_months=12, exposed_months=None)
    for _ in range(40):
        InstalledPartFactory(component_type=rule.component_type, unit__site__coast="shore")
    together(lambda: follow_exposures(at=AT))
    assert NextDue.objects.count() == 40
    SiteFactory._meta.model.objects.update(coast="far")
    operations.raise_due(TODAY, at=AT)
    together(lambda: follow_exposures(at=AT))
    assert NextDue.objects.count() == 0


def test_tasks_nobody_needs_any_more_are_ended_once() -> None:
    dues = maintenance(40)
    operations.raise_due(TODAY, at=AT)
    before = changes(MaintenanceTask)
    SiteFactory._meta.model.objects.update(care_by="customer")
    together(lambda: operations.raise_due(TODAY, at=AT))
    assert changes(MaintenanceTask) - before == len(dues)
    assert not MaintenanceTask.objects.open().exists()


def test_notifications_are_written_once() -> None:
    for number in range(40):
        site = SiteFactory()
        OwnershipFactory(site=site, customer=CustomerFactory(email=f"c{number}@customer.example"))
        VisitFactory(site=site, starts_at=AT + timedelta(days=9), state="confirmed")
    together(lambda: write_due_notifications(at=AT))
    assert Notification.objects.count() == 40


def test_a_week_is_planned_once() -> None:
    technician()
    for number in range(6):
        work_at(site_at(number))
    operations.ask_for_week(MONDAY, horizon_days=14, by=None, at=SUNDAY_NOON)
    with time_machine.travel(SUNDAY_NOON, tick=True):
        solved = together(lambda: operations.solve_waiting_weeks(at=SUNDAY_NOON, number=SHORT))
    assert sum(int(str(each)) for each in solved) == 1
    assert changes(Visit) == Visit.objects.count() == 6
    assert changes(WeekPlan) == 2


def test_who_was_not_heard_of_while_planning_puts_nothing_into_the_week(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    technician()
    for number in range(6):
        work_at(site_at(number))
    plan = operations.ask_for_week(MONDAY, horizon_days=14, by=None, at=SUNDAY_NOON)
    read, others = week_operations.read_week, []

    with time_machine.travel(SUNDAY_NOON, tick=False) as clock:

        def slow_read(*args: Any, **kwargs: Any) -> Any:
            week = read(*args, **kwargs)
            if not others:
                others.append(0)
                clock.shift(timedelta(minutes=6))  # the machine slept
                others[0] = operations.solve_waiting_weeks(at=timezone.now(), number=SHORT)
            return week

        monkeypatch.setattr(week_operations, "read_week", slow_read)
        assert operations.solve_week(plan, number=SHORT) is False
    assert others == [1]
    assert changes(Visit) == Visit.objects.count() == 6
    assert changes(WeekPlan) == 2
    assert WeekPlan.objects.get().stage == "done"


def test_a_worker_plans_several_weeks_one_after_the_other_without_losing_them(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    technician()
    for number in range(4):
        work_at(site_at(number))
    for weeks in range(2):
        operations.ask_for_week(MONDAY + timedelta(weeks=weeks), horizon_days=7, by=None, at=SUNDAY_NOON)
    read, others = week_operations.read_week, []
    with time_machine.travel(SUNDAY_NOON, tick=False) as clock:

        def slow_read(*args: Any, **kwargs: Any) -> Any:
            clock.shift(timedelta(minutes=4))
            others.append(
                WeekPlan.objects.to_solve(silent_since=timezone.now() - week_operations.SILENT).count()
            )
            return read(*args, **kwargs)

        monkeypatch.setattr(week_operations, "read_week", slow_read)
        assert operations.solve_waiting_weeks(at=SUNDAY_NOON, number=SHORT) == 2
    assert others == [1, 0]  # eight minutes after the run began, the second week is still its own


def test_small_pictures_are_made_by_several_at_once(settings: Settings, tmp_path: Path) -> None:
    settings.PHOTO_DIR = tmp_path
    picture = BytesIO()
    Image.new("RGB", (1600, 1200), "tan").save(picture, "JPEG")
    unit = UnitFactory()
    photos = [
        Photo.objects.create(unit=unit, name=f"{uuid4().hex}.jpg"[-40:], width=1600, height=1200, added_at=AT)
        for _ in range(12)
    ]
    for photo in photos:
        photo_path(photo.name).parent.mkdir(parents=True, exist_ok=True)
        photo_path(photo.name).write_bytes(picture.getvalue())
    together(make_thumbnails)
    assert not Photo.objects.filter(small_made=False).exists()
    for photo in photos:
        with Image.open(small_path(photo.name)) as small:
            small.load()
    assert not list(tmp_path.rglob("*.part"))


def test_callers_are_forgotten_once(settings: Settings) -> None:
    settings.KEEP_CALLERS_DAYS = 30
    long_ago = datetime(2025, 5, 4, 12, 0, tzinfo=UTC)
    for _ in range(30):
        CallFactory(reported_by="Testa Caller", phone="555-0100", state="completed", closed_at=long_ago)
    before = Change.objects.count()
    together(lambda: apply_retention(at=AT))
    assert Change.objects.count() - before == 30
    assert Erasure.objects.count() in {0, 30}


def test_the_nightly_figures_are_kept_once() -> None:
    today, at = date(2024, 12, 31), datetime(2024, 12, 31, 17, 0, tzinfo=UTC)
    with time_machine.travel(at, tick=True):
        lots()
        together(lambda: keep_failure_log(today=today, at=at))
        rows = RiskDay.objects.count(), FailureDay.objects.count()
        keep_failure_log(today=today, at=at)
        assert (RiskDay.objects.count(), FailureDay.objects.count()) == rows
        seen = together(lambda: run_surveillance(today=today, at=at))
    assert not [each for each in seen if isinstance(each, RuleViolation)]
    assert LotFlag.objects.count() == 2
