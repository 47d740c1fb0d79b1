"""Care where there is more salt, pollen or heat: another interval, or care that others do not need.

Check values: salt is rinsed off more often near the sea (common practice, no source).
"""

from __future__ import annotations

from datetime import UTC, date, datetime
from typing import Any

import pytest
from django.test import Client
from django.utils import timezone

from schedules import operations
from schedules.maintenance.exposure import follow_exposures
from schedules.maintenance.year_ahead import (
    maintenance_at,
    maintenance_of_year,
    months_ahead,
    our_maintenance,
    total,
)
from schedules.models import MaintenanceTask, NextDue, ServiceTime
from servicedesk.calls.operations import update_service_times
from servicedesk.core.models import Change
from tests.factories import (
    InstalledPartFactory,
    MaintenanceRuleFactory,
    NextDueFactory,
    SiteFactory,
    TaskFactory,
    UnitFactory,
    WorkFactory,
)
from tests.schedules.planned_visits import told

pytestmark = pytest.mark.django_db

AT = datetime(2026, 5, 4, 12, 0, tzinfo=UTC)
TODAY = date(2026, 5, 4)
COAST = {"site__coast": "near"}
POLLEN = {"site__pollen": True}
DARK = {"finish": "dark", "shade": "none", "facing": 200}


def part_with_rule(where: dict[str, Any], **rule: Any) -> NextDue:
    """Give a part under a rule, counted from May 4, 2026."""
    part = InstalledPartFactory(unit=UnitFactory(installed_on=TODAY, site__care_by="us", **where))
    made = MaintenanceRuleFactory(component_type=part.component_type, interval_months=12, **rule)
    operations.plan_next_dues(at=AT)
    follow_exposures(at=AT)
    return NextDue.objects.filter(rule=made).first() or NextDue(rule=made, installed_part=part)


@pytest.mark.parametrize(
    ("exposed_to", "where", "other"),
    [
        ("coast", COAST, {"site__coast": "inland"}),
        ("pollen", POLLEN, {}),
        ("dark_sun", DARK, {**DARK, "finish": "white"}),
        ("dark_sun", DARK, {**DARK, "facing": 20}),
        ("dark_sun", DARK, {**DARK, "facing": None}),
        ("dark_sun", DARK, {**DARK, "shade": "part"}),
    ],
)
def test_exposed_parts_have_an_interval_of_their_own(
    exposed_to: str, where: dict[str, Any], other: dict[str, Any]
) -> None:
    told_months = {"exposed_to": exposed_to, "exposed_months": 6}
    assert part_with_rule(where, **told_months).next_due_on == date(2026, 11, 4)
    assert part_with_rule(other, **told_months).next_due_on == date(2027, 5, 4)


def test_a_rule_can_be_for_exposed_parts_only() -> None:
    assert part_with_rule(COAST, exposed_to="coast").pk
    assert part_with_rule({}, exposed_to="coast").pk is None
    assert operations.plan_next_dues(at=AT) == 0


def test_due_dates_follow_when_a_site_turns_out_exposed_or_not() -> None:
    due = part_with_rule({}, exposed_to="pollen", exposed_months=3)
    site = due.installed_part.unit.site
    site.pollen = True
    site.save()
    operations.raise_due(TODAY, at=AT)
    due.refresh_from_db()
    assert (due.next_due_on, due.exposed) == (date(2026, 8, 4), True)
    operations.note_maintenance_done(due.installed_part.unit, work=due.rule.work, on=TODAY, by=None, at=AT)
    due.refresh_from_db()
    assert due.next_due_on == date(2026, 8, 4)
    site.pollen = False
    site.save()
    operations.raise_due(TODAY, at=AT)
    due.refresh_from_db()
    assert (due.next_due_on, due.exposed) == (date(2027, 5, 4), False)
    assert follow_exposures(at=AT) == 0


def test_care_that_is_not_needed_any_more_ends() -> None:
    due = part_with_rule(COAST, exposed_to="coast")
    NextDue.objects.filter(pk=due.pk).update(next_due_on=TODAY)
    operations.raise_due(TODAY, at=AT)
    task = MaintenanceTask.objects.get()
    site = due.installed_part.unit.site
    site.coast = "inland"
    site.save()
    operations.raise_due(TODAY, at=AT)
    task.refresh_from_db()
    assert task.state == "cancelled"
    assert not NextDue.objects.exists()
    assert (
        Change.objects.about(task).order_by("-pk")[0].action == "canceled: the part is not exposed any more"
    )


def test_a_changed_rule_reckons_exposed_parts_anew() -> None:
    due = part_with_rule(COAST, exposed_to="coast", exposed_months=6)
    rule = due.rule
    rule.exposed_months = 4
    operations.change_maintenance_rule(rule, by=None, at=AT)
    due.refresh_from_db()
    assert due.next_due_on == date(2026, 9, 4)


def test_the_interval_needs_its_exposure(as_owner: Client) -> None:
    rule = MaintenanceRuleFactory()
    form = {
        "name": rule.name,
        "work": rule.work,
        "interval_months": 12,
        "minutes": 15,
        "persons": 1,
        "level": 1,
    }
    answer = as_owner.post(f"/care-rules/{rule.pk}/", {**form, "exposed_months": 6, "material_each": 0})
    assert "Say where the other interval holds" in told(answer.content)


def test_a_year_is_added_up_month_by_month() -> None:
    site = SiteFactory(care_by="us")
    part = InstalledPartFactory(unit=UnitFactory(site=site, code="U-7"), panel=2)
    rule = MaintenanceRuleFactory(
        component_type=part.component_type,
        name="wash the film",
        interval_months=6,
        minutes=30,
        persons=2,
        material="soap, ml",
        material_each=40,
    )
    NextDueFactory(installed_part=part, rule=rule, next_due_on=date(2026, 3, 1))
    months = months_ahead(our_maintenance(), today=TODAY)
    # Overdue in May, then half a year on: two persons for half an hour each.
    assert [(month.first, month.times, month.hours) for month in months if month.times] == [
        (date(2026, 5, 1), 1, 1.0),
        (date(2026, 11, 1), 1, 1.0),
    ]
    assert total(months).used == [("soap, ml", 80)]
    planned = maintenance_of_year(maintenance_at(site), today=TODAY)
    assert [(each.on, each.unit, each.name) for each in planned] == [
        (TODAY, "U-7", "wash the film, panel 2"),
        (date(2026, 11, 4), "U-7", "wash the film, panel 2"),
        (date(2027, 5, 4), "U-7", "wash the film, panel 2"),
    ]


def test_pages_of_the_year_ahead(as_scheduler: Client, as_technician: Client) -> None:
    assert "No maintenance of ours falls due" in told(as_scheduler.get("/care-ahead/").content)
    due = NextDueFactory(installed_part__unit__site__care_by="us", next_due_on=timezone.localdate())
    assert "Maintenance falls due 1 time at" in told(as_scheduler.get("/care-ahead/").content)
    site = due.installed_part.unit.site
    page = told(as_technician.get(f"/sites/{site.pk}/care/").content)
    assert due.rule.name in page
    none = as_technician.get(f"/sites/{site.pk}/care/?unit=nothing")
    assert "No maintenance falls due" in told(none.content)


def test_our_records_say_how_long_work_takes() -> None:
    # The middle of 12, 15 and 60 minutes for a usual 10 is 1.5; three records against ten of the start.
    for minutes in (12, 15, 60):
        task = TaskFactory(minutes=10)
        WorkFactory(unit=task.unit, task=task, kind="cleaned", minutes=minutes, done_on=date(2026, 4, 1))
    assert update_service_times(at=AT) == 1
    service_time = ServiceTime.objects.get()
    assert service_time.factor == pytest.approx((3 * 1.5 + 10) / 13)
    assert service_time.records == 3
