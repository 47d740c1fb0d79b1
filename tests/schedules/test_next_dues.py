"""Parts come under the care rules of their types, and care that was done moves what is due.

Check value: bare metal tracks are lubricated about once a year (common practice, no source).
"""

from __future__ import annotations

import tracemalloc
from datetime import UTC, date, datetime, timedelta

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.utils import timezone
from pytest_django import DjangoAssertNumQueries, DjangoCaptureOnCommitCallbacks

from schedules import operations
from schedules.maintenance.recurrence import next_due
from schedules.models import ClockMark, MaintenanceRule, NextDue
from schedules.operations.next_dues import UNITS_AT_ONCE
from servicedesk.core.models import Change
from servicedesk.core.rules.refusals import RuleViolation
from tests.factories import (
    ComponentTypeFactory,
    InstalledPartFactory,
    MaintenanceRuleFactory,
    NextDueFactory,
    SiteFactory,
    TaskFactory,
    UnitFactory,
)
from units import fitting
from units.models import InstalledPart

pytestmark = pytest.mark.django_db
AT = datetime(2026, 5, 4, 12, 0, tzinfo=UTC)
TODAY = date(2026, 5, 4)


def test_a_part_counts_from_the_day_it_was_fitted() -> None:
    installed_part = InstalledPartFactory(fitted_on=date(2025, 7, 15))
    rule = MaintenanceRuleFactory(
        component_type=installed_part.component_type,
        season_from_month=3,
        season_from_day=1,
        season_until_month=5,
        season_until_day=31,
    )
    assert operations.plan_next_dues(at=AT) == 1
    (due,) = NextDue.objects.all()
    assert (due.installed_part, due.rule, due.last_done_on) == (installed_part, rule, None)
    assert (due.counted_from, due.next_due_on) == (date(2025, 7, 15), date(2026, 5, 31))


def test_only_parts_in_place_and_rules_in_force_are_planned_and_each_once() -> None:
    in_place = InstalledPartFactory()
    rule = MaintenanceRuleFactory(component_type=in_place.component_type)
    MaintenanceRuleFactory(component_type=in_place.component_type, active=False)
    InstalledPartFactory(component_type=in_place.component_type, removed_on=date(2024, 1, 1))
    InstalledPartFactory()
    assert operations.plan_next_dues(at=AT) == 1
    assert operations.plan_next_dues(at=AT) == 0
    assert [(due.installed_part, due.rule) for due in NextDue.objects.all()] == [(in_place, rule)]


def test_each_part_gets_the_date_of_its_own_day_and_rule() -> None:
    made = ComponentTypeFactory()
    rules = [MaintenanceRuleFactory(component_type=made, interval_months=months) for months in (6, 24)]
    parts = [
        InstalledPartFactory(component_type=made, fitted_on=date(2020, 1, 31) + timedelta(n))
        for n in range(5)
    ]
    assert operations.plan_next_dues(at=AT) == 10
    for due in NextDue.objects.all():
        months = due.rule.interval_months
        assert due.next_due_on == next_due(due.installed_part.fitted_on, interval_months=months, season=None)
    assert NextDue.objects.filter(rule__in=rules, installed_part__in=parts).count() == 10


def test_units_far_apart_are_all_reached() -> None:
    first = InstalledPartFactory()
    far = UnitFactory(pk=first.unit_id + 3 * UNITS_AT_ONCE + 7)
    InstalledPartFactory(unit=far, component_type=first.component_type)
    MaintenanceRuleFactory(component_type=first.component_type)
    assert operations.plan_next_dues(at=AT) == 2


def test_a_later_look_only_takes_parts_recorded_since() -> None:
    old = InstalledPartFactory()
    MaintenanceRuleFactory(component_type=old.component_type, planned_at=AT)
    InstalledPart.objects.filter(pk=old.pk).update(recorded_at=timezone.now() - timedelta(days=3))
    new = InstalledPartFactory(component_type=old.component_type)
    assert operations.plan_next_dues(timezone.now() - timedelta(days=1), at=AT) == 1
    assert NextDue.objects.get().installed_part == new


def test_a_rule_that_was_never_planned_reaches_old_parts_at_a_later_look_too() -> None:
    old = InstalledPartFactory()
    InstalledPart.objects.update(recorded_at=timezone.now() - timedelta(days=3))
    rule = MaintenanceRuleFactory(component_type=old.component_type)
    assert operations.plan_next_dues(timezone.now(), at=AT) == 1
    rule.refresh_from_db()
    assert rule.planned_at == AT


def test_planning_notes_that_it_ran() -> None:
    assert operations.last_planned() is None
    operations.plan_next_dues(at=AT)
    assert ClockMark.objects.get(task="schedules.plan_next_dues").ran_at == AT
    since = operations.last_planned()
    assert since is not None
    assert since < AT


def test_many_parts_pass_through_in_flat_memory_and_few_statements() -> None:
    made = ComponentTypeFactory()
    for _ in range(4):
        MaintenanceRuleFactory(component_type=made)
    site = SiteFactory()
    units = [UnitFactory.build(site=site) for _ in range(1500)]
    type(units[0]).objects.bulk_create(units)
    InstalledPart.objects.bulk_create(
        InstalledPartFactory.build(unit=unit, component_type=made) for unit in units
    )
    tracemalloc.start()
    with CaptureQueriesContext(connection) as queries:
        assert operations.plan_next_dues(at=AT) == 6000
    _, peak = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    assert len(queries) < 100
    assert peak < 20 * 1024 * 1024


# --- care that was done ---------------------------------------------------------------------------------


def test_work_on_a_part_counts_as_the_care_that_asks_for_it() -> None:
    due = NextDueFactory(rule__work="lubricated")
    other_work = NextDueFactory(installed_part=due.installed_part, rule__work="checked")
    moved = operations.note_maintenance_done(
        due.installed_part.unit,
        work="lubricated",
        on=date(2026, 4, 2),
        installed_part=due.installed_part,
        by=None,
        at=AT,
    )
    assert moved == 1
    due.refresh_from_db()
    other_work.refresh_from_db()
    assert (due.last_done_on, due.counted_from) == (date(2026, 4, 2), date(2026, 4, 2))
    assert due.next_due_on == date(2027, 4, 2)
    assert other_work.last_done_on is None
    assert (
        Change.objects.about(due.installed_part.unit)
        .filter(action__startswith="maintenance done on April 2, 2026")
        .exists()
    )


def test_work_on_the_whole_unit_counts_for_all_its_parts_and_no_other_unit() -> None:
    due = NextDueFactory(rule__work="cleaned")
    beside = NextDueFactory(
        installed_part__unit=due.installed_part.unit,
        installed_part__component_type__kind="film",
        rule__work="cleaned",
    )
    elsewhere = NextDueFactory(
        installed_part__component_type=due.installed_part.component_type, rule=due.rule
    )
    assert (
        operations.note_maintenance_done(due.installed_part.unit, work="cleaned", on=TODAY, by=None, at=AT)
        == 2
    )
    beside.refresh_from_db()
    elsewhere.refresh_from_db()
    assert (beside.last_done_on, elsewhere.last_done_on) == (TODAY, None)


def test_earlier_care_never_moves_a_date_back() -> None:
    due = NextDueFactory(rule__work="cleaned")
    unit = due.installed_part.unit
    assert operations.note_maintenance_done(unit, work="cleaned", on=date(2026, 4, 2), by=None, at=AT) == 1
    assert operations.note_maintenance_done(unit, work="cleaned", on=date(2025, 9, 1), by=None, at=AT) == 0
    assert operations.note_maintenance_done(unit, work="cleaned", on=date(2026, 4, 2), by=None, at=AT) == 0
    due.refresh_from_db()
    assert (due.last_done_on, due.next_due_on) == (date(2026, 4, 2), date(2027, 4, 2))


def test_care_done_before_a_part_was_fitted_says_nothing_of_it() -> None:
    due = NextDueFactory(installed_part__fitted_on=date(2026, 1, 1), rule__work="cleaned")
    assert (
        operations.note_maintenance_done(
            due.installed_part.unit, work="cleaned", on=date(2025, 6, 1), by=None, at=AT
        )
        == 0
    )


def test_care_still_to_come_is_refused() -> None:
    due = NextDueFactory(rule__work="cleaned")
    with pytest.raises(RuleViolation, match="still to come"):
        operations.note_maintenance_done(
            due.installed_part.unit, work="cleaned", on=date(2026, 5, 5), by=None, at=AT
        )


def test_care_done_on_a_part_nobody_planned_yet_is_not_lost() -> None:
    installed_part = InstalledPartFactory()
    MaintenanceRuleFactory(component_type=installed_part.component_type, work="cleaned")
    assert (
        operations.note_maintenance_done(installed_part.unit, work="cleaned", on=TODAY, by=None, at=AT) == 1
    )
    assert NextDue.objects.get().next_due_on == date(2027, 5, 4)


def test_care_done_on_a_call_ends_the_open_task() -> None:
    due = NextDueFactory(rule__work="lubricated", next_due_on=date(2026, 3, 1))
    task = TaskFactory(unit=due.installed_part.unit, next_due=due, due_on=date(2026, 3, 1))
    operations.note_maintenance_done(
        due.installed_part.unit, work="lubricated", on=date(2026, 5, 1), by=None, at=AT
    )
    task.refresh_from_db()
    assert (task.state, task.done_on) == ("completed", date(2026, 5, 1))


def test_care_done_long_before_the_task_leaves_it_open() -> None:
    due = NextDueFactory(rule__work="lubricated", next_due_on=date(2026, 3, 1))
    task = TaskFactory(unit=due.installed_part.unit, next_due=due, due_on=date(2026, 3, 1))
    operations.note_maintenance_done(
        due.installed_part.unit, work="lubricated", on=date(2024, 1, 1), by=None, at=AT
    )
    task.refresh_from_db()
    assert task.is_open


def test_older_records_are_told_in_any_order_and_twice() -> None:
    due = NextDueFactory(rule__work="cleaned")
    part = NextDueFactory(
        installed_part__unit=due.installed_part.unit,
        installed_part__component_type__kind="film",
        rule__work="checked",
    )
    unit = due.installed_part.unit_id
    rows: list[tuple[int, int | None, str, date]] = [
        (unit, None, "cleaned", date(2025, 6, 1)),
        (unit, None, "cleaned", date(2023, 6, 1)),
        (unit, part.installed_part_id, "checked", date(2024, 2, 29)),
        (unit, due.installed_part_id, "checked", date(2026, 1, 1)),
    ]
    assert operations.note_maintenance_done_many(iter(rows), at=AT) == 2
    assert operations.note_maintenance_done_many(rows, at=AT) == 0
    due.refresh_from_db()
    part.refresh_from_db()
    assert (due.last_done_on, due.next_due_on) == (date(2025, 6, 1), date(2026, 6, 1))
    assert (part.last_done_on, part.next_due_on) == (date(2024, 2, 29), date(2025, 2, 28))


def test_many_older_records_take_few_statements(
    django_assert_max_num_queries: DjangoAssertNumQueries,
) -> None:
    rule = MaintenanceRuleFactory(work="cleaned")
    dues = [NextDueFactory(installed_part__component_type=rule.component_type, rule=rule) for _ in range(60)]
    rows = [(due.installed_part.unit_id, None, "cleaned", date(2025, 1, 1)) for due in dues]
    with django_assert_max_num_queries(12):
        assert operations.note_maintenance_done_many(rows, at=AT) == 60


def test_a_part_put_in_by_hand_comes_under_its_rules_at_once(
    django_capture_on_commit_callbacks: DjangoCaptureOnCommitCallbacks,
) -> None:
    rule = MaintenanceRuleFactory()
    unit = UnitFactory()
    with django_capture_on_commit_callbacks(execute=True):
        fitting.fit_part(
            unit, component_type=rule.component_type, panel=0, pieces=1, lot="", on=TODAY, by=None, at=AT
        )
    assert NextDue.objects.get().rule == rule
    assert MaintenanceRule.objects.get().planned_at is not None
