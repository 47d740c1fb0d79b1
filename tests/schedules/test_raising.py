"""What is due becomes work: once, late if need be, in its season, and only where we do the care.

The worked cases of seasons are those of `schedules.maintenance.recurrence.next_due`, which has its own
checks; the interval of a year for bare metal tracks is common practice, no source.
"""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta
from io import StringIO
from typing import Any

import pytest
from django.core.management import call_command
from django.core.management.base import CommandError
from django.test import Client
from django.utils import timezone
from pytest_django import DjangoAssertNumQueries, DjangoCaptureOnCommitCallbacks

from schedules import operations
from schedules.models import ClockMark, MaintenanceRule, MaintenanceTask, NextDue, Visit
from schedules.words import maintenance_reason
from servicedesk.core.models import Change
from servicedesk.core.models.changes import Source
from tests.factories import (
    InstalledPartFactory,
    MaintenanceRuleFactory,
    NextDueFactory,
    SiteFactory,
    TaskFactory,
    UnitFactory,
    VisitFactory,
)
from units.models import InstalledPart, Site, Unit

pytestmark = pytest.mark.django_db
AT = datetime(2026, 5, 4, 12, 0, tzinfo=UTC)
TODAY = date(2026, 5, 4)
SPRING = {"season_from_month": 3, "season_from_day": 1, "season_until_month": 5, "season_until_day": 31}


def maintenance_of_ours(**fields: Any) -> NextDue:
    """Make care that we agreed to do."""
    return NextDueFactory(installed_part__unit__site__care_by="us", **fields)


def open_tasks(due: NextDue) -> list[MaintenanceTask]:
    """List the open tasks of some care."""
    return list(due.tasks.open())


def test_care_whose_day_has_come_becomes_a_task_with_all_it_takes() -> None:
    due = maintenance_of_ours(
        rule__name="lubricate the track",
        rule__minutes=20,
        rule__persons=2,
        next_due_on=date(2026, 4, 2),
        last_done_on=date(2025, 4, 2),
    )
    assert operations.raise_due(TODAY, at=AT) == 1
    (task,) = open_tasks(due)
    assert task.reason == "Lubricate the track: last done Apr 2, 2025"
    assert (task.site, task.unit, task.installed_part) == (
        due.installed_part.unit.site,
        due.installed_part.unit,
        due.installed_part,
    )
    assert (task.origin, task.work, task.state, task.due_on) == (
        "care",
        "lubricated",
        "needs-action",
        due.next_due_on,
    )
    assert (task.minutes, task.persons, task.priority) == (20, 2, 5)
    task.full_clean()


@pytest.mark.parametrize("name", ["wipe it", "Éponger le rail", "o'clock; DROP TABLE x --", "%s %d"])
@pytest.mark.parametrize("panel", [0, 3])
@pytest.mark.parametrize("last", [None, date(2025, 4, 2), date(2024, 2, 29), date(2025, 12, 31)])
def test_the_reason_written_in_sql_is_the_one_written_in_python(
    name: str, panel: int, last: date | None
) -> None:
    due = maintenance_of_ours(rule__name=name, installed_part__panel=panel, last_done_on=last)
    operations.raise_due(TODAY, at=AT)
    (task,) = open_tasks(due)
    assert task.reason == maintenance_reason(name, panel=panel, last_done_on=last)


@pytest.mark.parametrize(
    ("next_due_on", "raised"), [(date(2026, 5, 3), 1), (date(2026, 5, 4), 1), (date(2026, 5, 5), 0)]
)
def test_the_day_itself_counts_as_due(next_due_on: date, raised: int) -> None:
    maintenance_of_ours(next_due_on=next_due_on)
    assert operations.raise_due(TODAY, at=AT) == raised


@pytest.mark.parametrize("care_by", ["customer", "nobody"])
def test_care_that_is_not_ours_makes_no_work(care_by: str) -> None:
    NextDueFactory(installed_part__unit__site__care_by=care_by)
    assert operations.raise_due(TODAY, at=AT) == 0


def test_rules_out_of_force_parts_taken_out_and_removed_units_make_no_work() -> None:
    maintenance_of_ours(rule__active=False)
    maintenance_of_ours(installed_part__removed_on=date(2026, 1, 1))
    gone = maintenance_of_ours(installed_part__removed_on=date(2026, 1, 1))
    Unit.objects.filter(pk=gone.installed_part.unit_id).update(removed_on=date(2026, 1, 1))
    assert operations.raise_due(TODAY, at=AT) == 0


# --- once, however late ---------------------------------------------------------------------------------


def test_three_missed_cycles_raise_one_task() -> None:
    due = maintenance_of_ours(
        installed_part__fitted_on=date(2022, 3, 1),
        counted_from=date(2022, 3, 1),
        next_due_on=date(2023, 3, 1),
    )
    assert operations.raise_due(TODAY, at=AT) == 1
    assert len(open_tasks(due)) == 1


def test_looking_every_day_raises_no_second_task() -> None:
    due = maintenance_of_ours()
    raised = [operations.raise_due(TODAY + timedelta(days=n), at=AT + timedelta(days=n)) for n in range(30)]
    assert raised == [1] + [0] * 29
    assert len(open_tasks(due)) == 1


def test_a_desk_that_stood_still_catches_up_in_one_go() -> None:
    dues = [maintenance_of_ours(next_due_on=TODAY + timedelta(days=n)) for n in (1, 20, 60)]
    operations.raise_due(TODAY, at=AT)
    later = TODAY + timedelta(days=90)
    assert operations.raise_due(later, at=AT + timedelta(days=90)) == 3
    assert all(len(open_tasks(due)) == 1 for due in dues)


def test_a_part_recorded_since_the_last_look_is_planned_and_raised_in_the_same_look() -> None:
    operations.raise_due(TODAY, at=timezone.now())
    installed_part = InstalledPartFactory(unit__site__care_by="us", fitted_on=date(2024, 1, 1))
    MaintenanceRuleFactory(component_type=installed_part.component_type)
    assert operations.raise_due(TODAY, at=timezone.now()) == 1


# --- done, not done, left out ---------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("done_on", "season", "due_again"),
    [
        (date(2026, 4, 20), {}, date(2027, 4, 20)),
        (date(2026, 2, 10), SPRING, date(2027, 3, 1)),  # early: the raw day lies before the season
        (date(2025, 7, 15), SPRING, date(2026, 5, 31)),  # late in the year: back to the season before
        (date(2025, 11, 20), SPRING, date(2027, 3, 1)),  # later still: on to the next season
    ],
)
def test_a_done_task_moves_its_care_into_the_season(
    done_on: date, season: dict[str, int], due_again: date
) -> None:
    fields = {f"rule__{name}": value for name, value in season.items()}
    due = maintenance_of_ours(next_due_on=date(2025, 3, 1), **fields)
    operations.raise_due(TODAY, at=AT)
    (task,) = open_tasks(due)
    operations.complete_task(task, on=done_on, by=None, at=AT)
    due.refresh_from_db()
    assert (due.last_done_on, due.next_due_on) == (done_on, due_again)
    assert open_tasks(due) == []


def test_done_work_falls_due_again_an_interval_later_and_not_before() -> None:
    due = maintenance_of_ours(rule__interval_months=12)
    operations.raise_due(TODAY, at=AT)
    operations.complete_task(open_tasks(due)[0], on=TODAY, by=None, at=AT)
    assert operations.raise_due(date(2027, 5, 3), at=AT) == 0
    assert operations.raise_due(date(2027, 5, 4), at=AT) == 1
    assert open_tasks(due)[0].reason.endswith("last done May 4, 2026")


def test_a_task_not_done_moves_nothing_and_is_not_raised_twice() -> None:
    due = maintenance_of_ours()
    operations.raise_due(TODAY, at=AT)
    before = due.next_due_on
    (task,) = open_tasks(due)
    task.not_done = "no_access"
    task.save()
    assert operations.raise_due(TODAY, at=AT) == 0
    due.refresh_from_db()
    assert due.next_due_on == before


def test_a_cancelled_task_leaves_its_care_out_this_once() -> None:
    due = maintenance_of_ours(rule__interval_months=6)
    operations.raise_due(TODAY, at=AT)
    operations.cancel_task(open_tasks(due)[0], why="washed by the customer", by=None, at=AT)
    due.refresh_from_db()
    assert (due.last_done_on, due.next_due_on) == (None, date(2026, 11, 4))
    assert operations.raise_due(TODAY, at=AT) == 0
    assert operations.raise_due(date(2026, 11, 4), at=AT) == 1


def test_care_done_late_counts_from_the_day_it_was_done() -> None:
    due = maintenance_of_ours(next_due_on=date(2025, 3, 1))
    operations.raise_due(TODAY, at=AT)
    operations.complete_task(open_tasks(due)[0], on=date(2026, 5, 2), by=None, at=AT)
    due.refresh_from_db()
    assert due.next_due_on == date(2027, 5, 2)


# --- what nobody has to do any more ---------------------------------------------------------------------


def taken_out(due: NextDue) -> None:
    InstalledPart.objects.filter(pk=due.installed_part_id).update(removed_on=TODAY)


def unit_removed(due: NextDue) -> None:
    taken_out(due)
    Unit.objects.filter(pk=due.installed_part.unit_id).update(removed_on=TODAY)


def maintenance_by_customer(due: NextDue) -> None:
    Site.objects.filter(pk=due.installed_part.unit.site_id).update(care_by="customer")


def rule_ended(due: NextDue) -> None:
    MaintenanceRule.objects.filter(pk=due.rule_id).update(active=False)


def due_later(due: NextDue) -> None:
    NextDue.objects.filter(pk=due.pk).update(next_due_on=date(2027, 3, 1))


@pytest.mark.parametrize(
    ("change", "why"),
    [
        (taken_out, "the part is no longer in place"),
        (unit_removed, "the part is no longer in place"),
        (maintenance_by_customer, "maintenance of this site is no longer ours"),
        (rule_ended, "its maintenance rule is no longer active"),
        (due_later, "it is due later now"),
    ],
)
def test_a_task_nobody_needs_is_taken_off_the_list_with_the_reason(change: Any, why: str) -> None:
    due, still_due = maintenance_of_ours(), maintenance_of_ours()
    operations.raise_due(TODAY, at=AT)
    (task,) = open_tasks(due)
    change(due)
    assert operations.raise_due(TODAY, at=AT) == 0
    task.refresh_from_db()
    assert task.state == "cancelled"
    assert Change.objects.about(task).get(action__startswith="canceled").action == f"canceled: {why}"
    assert len(open_tasks(still_due)) == 1
    assert "1 no longer needed" in ClockMark.objects.get(task="schedules.raise_due").said


def test_care_that_becomes_ours_again_is_raised_again() -> None:
    due = maintenance_of_ours()
    operations.raise_due(TODAY, at=AT)
    maintenance_by_customer(due)
    operations.raise_due(TODAY, at=AT)
    Site.objects.update(care_by="us")
    assert operations.raise_due(TODAY, at=AT) == 1


def test_calls_and_tasks_on_a_visit_stay_when_care_is_only_due_later() -> None:
    due = maintenance_of_ours(next_due_on=date(2027, 1, 1))
    on_visit = TaskFactory(unit=due.installed_part.unit, next_due=due, state="in-process")
    call = TaskFactory(unit__site__care_by="nobody", origin="call")
    operations.raise_due(TODAY, at=AT)
    on_visit.refresh_from_db()
    call.refresh_from_db()
    assert (on_visit.state, call.state) == ("in-process", "needs-action")


def test_looking_as_of_an_earlier_day_takes_nothing_off_the_list() -> None:
    due = maintenance_of_ours(next_due_on=date(2026, 5, 1))
    operations.raise_due(TODAY, at=AT)
    operations.raise_due(date(2026, 1, 1), at=AT)
    assert len(open_tasks(due)) == 1


def test_more_needless_tasks_than_go_at_once_all_go() -> None:
    site = SiteFactory(care_by="us")
    unit = UnitFactory(site=site)
    MaintenanceTask.objects.bulk_create(
        TaskFactory.build(site=site, unit=unit, origin="care", due_on=TODAY) for _ in range(1203)
    )
    Site.objects.update(care_by="nobody")
    operations.raise_due(TODAY, at=AT)
    assert not MaintenanceTask.objects.open().exists()


def test_planned_visits_follow_the_address_of_their_site() -> None:
    visit = VisitFactory(starts_at=AT + timedelta(days=2), place="1 Old Lane")
    over = VisitFactory(site=visit.site, starts_at=AT - timedelta(days=9), place="1 Old Lane")
    Site.objects.filter(pk=visit.site_id).update(address="2 New Lane", postcode="09012")
    operations.raise_due(TODAY, at=AT)
    operations.raise_due(TODAY, at=AT)
    visit.refresh_from_db()
    over.refresh_from_db()
    assert (visit.place, visit.sequence, visit.changed_at) == ("2 New Lane, 09012", 1, AT)
    assert (over.place, over.sequence) == ("1 Old Lane", 0)


# --- doors ----------------------------------------------------------------------------------------------


@pytest.mark.parametrize("dues", [3, 30])
def test_looking_takes_the_same_few_statements_however_much_is_due(
    dues: int, django_assert_max_num_queries: DjangoAssertNumQueries
) -> None:
    rule = MaintenanceRuleFactory(planned_at=AT)
    for _ in range(dues):
        maintenance_of_ours(rule=rule, installed_part__component_type=rule.component_type)
    InstalledPart.objects.update(recorded_at=timezone.now() - timedelta(hours=1))  # all of them planned since
    operations.plan_next_dues(at=timezone.now())
    with django_assert_max_num_queries(20):
        assert operations.raise_due(TODAY, at=AT) == dues


def test_the_command_looks_as_of_any_day() -> None:
    maintenance_of_ours(next_due_on=date(2031, 1, 1))
    out = StringIO()
    call_command("raise_due", "--on", "2030-12-31", stdout=out)
    call_command("raise_due", "--on", "2031-01-01", stdout=out)
    assert "0 tasks raised for maintenance due on or before December 31, 2030." in out.getvalue()
    assert "1 task raised for maintenance due on or before January 1, 2031." in out.getvalue()


def test_the_command_refuses_what_is_no_day() -> None:
    with pytest.raises(CommandError, match="--on"):
        call_command("raise_due", "--on", "tomorrow")


def test_a_site_that_becomes_ours_on_the_page_has_its_work_at_once(
    as_scheduler: Client, django_capture_on_commit_callbacks: DjangoCaptureOnCommitCallbacks
) -> None:
    due = NextDueFactory()
    with django_capture_on_commit_callbacks(execute=True):
        answer = as_scheduler.post(
            "/who-does-the-care/", {"sites": [due.installed_part.unit.site_id], "care_by": "us"}
        )
    assert answer.status_code == 302
    assert len(open_tasks(due)) == 1


def test_what_the_clock_changes_says_so_in_the_history(
    as_scheduler: Client, django_capture_on_commit_callbacks: DjangoCaptureOnCommitCallbacks
) -> None:
    due = maintenance_of_ours()
    operations.raise_due(TODAY, at=AT)
    (task,) = open_tasks(due)
    with django_capture_on_commit_callbacks(execute=True):
        as_scheduler.post(
            "/who-does-the-care/", {"sites": [due.installed_part.unit.site_id], "care_by": "nobody"}
        )
    assert Change.objects.about(task).get(action__startswith="canceled").source == Source.CLOCK
    assert Visit.objects.count() == 0
