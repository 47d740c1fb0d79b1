"""Care rules on their pages, and what a changed rule does to the parts under it."""

from __future__ import annotations

import uuid
from datetime import UTC, date, datetime
from typing import Any

import pytest
from django.test import Client
from pytest_django import DjangoAssertNumQueries, DjangoCaptureOnCommitCallbacks

from schedules import operations
from schedules.models import MaintenanceRule, NextDue
from servicedesk.core.models import Change
from servicedesk.core.rules.refusals import RuleViolation
from tests.factories import (
    ComponentTypeFactory,
    InstalledPartFactory,
    MaintenanceRuleFactory,
    NextDueFactory,
    TaskFactory,
)

pytestmark = pytest.mark.django_db
AT = datetime(2026, 5, 4, 12, 0, tzinfo=UTC)


def filled_in(**fields: Any) -> dict[str, Any]:
    """Fill in the form of a rule."""
    data = {
        "name": "lubricate the track",
        "work": "lubricated",
        "interval_months": 12,
        "season_from_day": 1,
        "season_from_month": 3,
        "season_until_day": 31,
        "season_until_month": 5,
        "minutes": 15,
        "persons": 1,
        "level": 1,
        "material_each": 0,
        "note": "Thin silicone, on the track only.",
        "active": "on",
    }
    return {**data, **fields}


def test_an_owner_adds_a_rule_and_its_parts_come_due(
    as_owner: Client, django_capture_on_commit_callbacks: DjangoCaptureOnCommitCallbacks
) -> None:
    installed_part = InstalledPartFactory(fitted_on=date(2025, 7, 15))
    idempotency_key = {"idempotency_key": uuid.uuid4(), "component_type": installed_part.component_type_id}
    with django_capture_on_commit_callbacks(execute=True):
        answer = as_owner.post("/care-rules/add/", filled_in(**idempotency_key))
    assert answer["Location"] == "/care-rules/"
    rule = MaintenanceRule.objects.get()
    assert rule.season_words == "March 1 to May 31"
    assert NextDue.objects.get().next_due_on == date(2026, 5, 31)
    assert Change.objects.about(rule).get().action == "added"
    as_owner.post("/care-rules/add/", filled_in(**idempotency_key))
    assert MaintenanceRule.objects.count() == 1


def test_the_coldest_day_of_a_rule_is_typed_in_the_unit_of_the_settings(as_owner: Client) -> None:
    rule = MaintenanceRuleFactory()
    as_owner.post(f"/care-rules/{rule.pk}/", filled_in(not_below_c="50"))
    rule.refresh_from_db()
    assert rule.not_below_c == 10
    assert 'value="50 °F"' in as_owner.get(f"/care-rules/{rule.pk}/").content.decode()


@pytest.mark.parametrize(
    ("fields", "reason"),
    [
        ({"interval_months": 0}, "from 1 to 240 months"),
        ({"interval_months": 241}, "from 1 to 240 months"),
        ({"season_until_day": ""}, "or neither"),
        ({"season_from_day": 31, "season_from_month": 4}, "April has the days 1 to 30"),
        ({"season_from_day": 0}, "March has the days 1 to 31"),
        ({"name": ""}, "required"),
        ({"work": "replaced"}, "not one of the available choices"),
        ({"persons": 3}, "one or two people"),
    ],
)
def test_a_rule_that_can_not_be_is_refused_with_the_reason(
    as_owner: Client, fields: dict[str, Any], reason: str
) -> None:
    made = ComponentTypeFactory()
    data = filled_in(idempotency_key=uuid.uuid4(), component_type=made.pk, **fields)
    answer = as_owner.post("/care-rules/add/", data)
    assert answer.status_code == 422
    assert reason in answer.content.decode()
    assert not MaintenanceRule.objects.exists()


def test_two_rules_of_one_name_for_a_type_are_refused(as_owner: Client) -> None:
    rule = MaintenanceRuleFactory(name="lubricate the track")
    data = filled_in(idempotency_key=uuid.uuid4(), component_type=rule.component_type_id)
    assert (
        "already has a maintenance rule of that name"
        in as_owner.post("/care-rules/add/", data).content.decode()
    )


def test_another_season_moves_every_due_date_and_says_who_and_why(as_owner: Client) -> None:
    rule = MaintenanceRuleFactory(interval_months=12)
    dues = [
        NextDueFactory(rule=rule, installed_part__component_type=rule.component_type, counted_from=day)
        for day in (date(2025, 2, 10), date(2025, 7, 15), date(2025, 11, 20))
    ]
    answer = as_owner.post(f"/care-rules/{rule.pk}/", filled_in(why="binding is called in from June"))
    assert answer["Location"] == "/care-rules/"
    # the worked cases of schedules.maintenance.recurrence.next_due
    assert [NextDue.objects.get(pk=due.pk).next_due_on for due in dues] == [
        date(2026, 3, 1),
        date(2026, 5, 31),
        date(2027, 3, 1),
    ]
    change = Change.objects.about(rule).get()
    assert change.action.startswith("changed, 2 due dates moved, because binding is called in from June")
    assert change.by is not None
    assert "binding is called in" in as_owner.get(f"/care-rules/{rule.pk}/").content.decode()


def test_a_longer_interval_moves_dates_back_and_a_shorter_one_ahead() -> None:
    due = NextDueFactory(counted_from=date(2025, 5, 4), next_due_on=date(2026, 5, 4))
    for months, day in ((24, date(2027, 5, 4)), (6, date(2025, 11, 4))):
        rule = MaintenanceRule.objects.get(pk=due.rule_id)
        rule.interval_months = months
        operations.change_maintenance_rule(rule, by=None, at=AT)
        due.refresh_from_db()
        assert due.next_due_on == day


def test_another_name_moves_no_date() -> None:
    due = NextDueFactory(next_due_on=date(2030, 1, 1))
    rule = MaintenanceRule.objects.get(pk=due.rule_id)
    rule.name, rule.minutes = "oil the track", 20
    operations.change_maintenance_rule(rule, by=None, at=AT)
    due.refresh_from_db()
    assert due.next_due_on == date(2030, 1, 1)
    assert Change.objects.about(rule).get().action == "changed"


def test_more_due_dates_than_are_held_at_once_all_move() -> None:
    rule = MaintenanceRuleFactory()
    units = [InstalledPartFactory.build(component_type=rule.component_type).unit for _ in range(2500)]
    site = NextDueFactory(
        rule=rule, installed_part__component_type=rule.component_type
    ).installed_part.unit.site
    for unit in units:
        unit.site = site
    type(units[0]).objects.bulk_create(units)
    installed_parts = [
        InstalledPartFactory.build(unit=unit, component_type=rule.component_type) for unit in units
    ]
    type(installed_parts[0]).objects.bulk_create(installed_parts)
    assert operations.plan_next_dues(at=AT) == 2500
    rule.refresh_from_db()
    rule.interval_months = 7
    operations.change_maintenance_rule(rule, by=None, at=AT)
    assert set(NextDue.objects.values_list("next_due_on", flat=True)) == {date(2020, 10, 2)}


@pytest.mark.django_db(transaction=True)
def test_a_rule_out_of_force_ends_its_tasks_and_comes_back_with_new_parts() -> None:
    due = NextDueFactory(installed_part__unit__site__care_by="us", rule__planned_at=AT)
    task = TaskFactory(unit=due.installed_part.unit, next_due=due)
    rule = MaintenanceRule.objects.get(pk=due.rule_id)
    rule.active = False
    operations.change_maintenance_rule(rule, by=None, at=AT)
    task.refresh_from_db()
    assert task.state == "cancelled"
    later = InstalledPartFactory(component_type=rule.component_type)
    operations.plan_next_dues(at=AT)
    assert not later.next_due.exists()
    rule.active = True
    operations.change_maintenance_rule(rule, by=None, at=AT)
    assert later.next_due.count() == 1


def test_a_rule_stays_with_its_type() -> None:
    rule = MaintenanceRuleFactory()
    rule.component_type = ComponentTypeFactory()
    with pytest.raises(RuleViolation, match="stays with its type"):
        operations.change_maintenance_rule(rule, by=None, at=AT)


def test_the_page_of_a_rule_says_whom_it_reaches_and_what_comes_next(as_owner: Client) -> None:
    due = NextDueFactory(rule__interval_months=12, next_due_on=date(2020, 1, 1))
    NextDueFactory(
        rule=due.rule, installed_part__component_type=due.rule.component_type, next_due_on=date(2200, 1, 1)
    )
    page = as_owner.get(f"/care-rules/{due.rule_id}/").content.decode()
    assert "2 parts in place come under this rule; 1 is due today." in " ".join(page.split())


def test_a_refused_change_comes_back_with_what_was_typed(as_owner: Client) -> None:
    rule = MaintenanceRuleFactory(interval_months=12)
    answer = as_owner.post(f"/care-rules/{rule.pk}/", filled_in(interval_months=0, name="typed name"))
    assert answer.status_code == 422
    assert "typed name" in answer.content.decode()
    rule.refresh_from_db()
    assert rule.interval_months == 12


def test_the_list_groups_rules_by_type(as_owner: Client) -> None:
    assert "No maintenance rules yet" in as_owner.get("/care-rules/").content.decode()
    rule = MaintenanceRuleFactory(name="oil it", active=False)
    page = as_owner.get("/care-rules/").content.decode()
    assert rule.component_type.name in page
    assert "(inactive)" in page
    assert "any time" in page


@pytest.mark.parametrize("rules", [3, 30])
def test_the_list_takes_the_same_few_queries_however_long(
    as_owner: Client, rules: int, django_assert_max_num_queries: DjangoAssertNumQueries
) -> None:
    for _ in range(rules):
        due = NextDueFactory()
        NextDueFactory(rule=due.rule, installed_part__component_type=due.rule.component_type)
    with django_assert_max_num_queries(6):
        as_owner.get("/care-rules/")


@pytest.mark.parametrize("path", ["/care-rules/", "/care-rules/add/", "/care-rules/1/"])
def test_rules_are_the_owners(as_scheduler: Client, path: str) -> None:
    assert as_scheduler.get(path).status_code == 403
