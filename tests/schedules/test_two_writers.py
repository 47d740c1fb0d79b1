"""Several at once: no write is lost or refused for the database's sake, and nothing is done twice."""

from __future__ import annotations

import threading
from collections.abc import Callable
from datetime import UTC, date, datetime, timedelta

import pytest
from django.db import connections

from schedules import operations
from schedules.models import MaintenanceTask, NextDue, Visit
from servicedesk.accounts.models import User
from servicedesk.core.models import ChangedField
from servicedesk.core.rules.refusals import RuleViolation
from tests.factories import (
    CustomerFactory,
    InstalledPartFactory,
    MaintenanceRuleFactory,
    NextDueFactory,
    TaskFactory,
    UserFactory,
)
from units.models import InstalledPart
from units.operations import change_record

pytestmark = [pytest.mark.django_db(transaction=True), pytest.mark.long, pytest.mark.each_database]
AT = datetime(2026, 5, 4, 12, 0, tzinfo=UTC)
TODAY = date(2026, 5, 4)
NINE = datetime(2026, 6, 1, 13, 0, tzinfo=UTC)


def at_once(*works: Callable[[], object]) -> list[object]:
    """Do things in threads that begin together; answer what each gave or was refused with."""
    start = threading.Barrier(len(works))
    answers: list[object] = [None] * len(works)

    def run(number: int, work: Callable[[], object]) -> None:
        start.wait()
        try:
            answers[number] = work()
        except RuleViolation as refusal:
            answers[number] = refusal
        finally:
            connections.close_all()

    threads = [threading.Thread(target=run, args=(number, work)) for number, work in enumerate(works)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(timeout=60)
    assert not any(thread.is_alive() for thread in threads)
    return answers


def maintenance(count: int) -> list[NextDue]:
    """Make our care that is due."""
    rule = MaintenanceRuleFactory()
    return [
        NextDueFactory(
            rule=rule,
            installed_part__component_type=rule.component_type,
            installed_part__unit__site__care_by="us",
        )
        for _ in range(count)
    ]


def test_clocks_that_tick_together_raise_each_task_once() -> None:
    dues = maintenance(40)
    raised = at_once(*[lambda: operations.raise_due(TODAY, at=AT)] * 4)
    assert sum(int(str(answer)) for answer in raised) == 40
    assert all(due.tasks.open().count() == 1 for due in dues)


def test_planning_together_puts_each_part_under_its_rule_once() -> None:
    rule = MaintenanceRuleFactory()
    for _ in range(30):
        InstalledPartFactory(component_type=rule.component_type)
    made = at_once(*[lambda: operations.plan_next_dues(at=AT)] * 4)
    assert sum(int(str(answer)) for answer in made) == 30
    assert NextDue.objects.count() == InstalledPart.objects.count() == 30


def test_two_schedulers_planning_the_same_task_make_one_visit() -> None:
    task = TaskFactory()
    first, second = UserFactory(), UserFactory()

    def plan(person: User) -> Callable[[], object]:
        return lambda: operations.plan_visit(
            task.site, starts_at=NINE, technicians=[person], tasks=[task], by=person, at=AT
        )

    answers = at_once(plan(first), plan(second))
    (refused,) = [answer for answer in answers if isinstance(answer, RuleViolation)]
    assert "is on another visit already on June 1, 9:00 AM" in str(refused)
    assert Visit.objects.count() == 1


def test_one_technician_is_not_promised_to_two_sites() -> None:
    person = UserFactory()
    tasks = [TaskFactory() for _ in range(4)]

    def plan(task: MaintenanceTask) -> Callable[[], object]:
        return lambda: operations.plan_visit(
            task.site, starts_at=NINE, minutes=60, technicians=[person], tasks=[task], by=None, at=AT
        )

    answers = at_once(*[plan(task) for task in tasks])
    assert sum(isinstance(answer, Visit) for answer in answers) == 1
    assert all(
        "choose another time" in str(answer) for answer in answers if isinstance(answer, RuleViolation)
    )
    assert Visit.objects.count() == 1


def test_care_done_while_the_clock_ticks_is_neither_lost_nor_raised_again() -> None:
    dues = maintenance(12)

    def note(due: NextDue) -> Callable[[], object]:
        return lambda: operations.note_maintenance_done(
            due.installed_part.unit, work="lubricated", on=TODAY, by=None, at=AT
        )

    def tick() -> object:
        for _ in range(5):
            operations.raise_due(TODAY, at=AT)
        return None

    at_once(tick, tick, *[note(due) for due in dues])
    operations.raise_due(TODAY, at=AT)
    assert set(NextDue.objects.values_list("last_done_on", flat=True)) == {TODAY}
    assert not MaintenanceTask.objects.open().exists()


def test_a_task_completed_from_two_doors_is_done_once() -> None:
    due = maintenance(1)[0]
    operations.raise_due(TODAY, at=AT)
    task = due.tasks.get()
    at_once(
        lambda: operations.complete_task(task, on=TODAY, by=None, at=AT),
        lambda: operations.complete_task(task, on=TODAY, by=None, at=AT),
        lambda: operations.note_maintenance_done(
            due.installed_part.unit, work="lubricated", on=TODAY, by=None, at=AT
        ),
    )
    task.refresh_from_db()
    due.refresh_from_db()
    assert (task.state, due.next_due_on) == ("completed", date(2027, 5, 4))


def test_many_writers_wait_their_turn() -> None:
    tasks = [TaskFactory(origin="call") for _ in range(8)]
    people = [UserFactory() for _ in range(8)]
    maintenance(200)

    def busy(task: MaintenanceTask, person: User) -> Callable[[], object]:
        def work() -> object:
            for number in range(4):
                visit = operations.plan_visit(
                    task.site,
                    starts_at=NINE + timedelta(days=number),
                    technicians=[person],
                    tasks=[task],
                    by=person,
                    at=AT,
                )
                operations.cancel_visit(visit, why="trial", by=person, at=AT)
            return None

        return work

    ticks = [lambda: operations.raise_due(TODAY, at=AT)] * 2
    answers = at_once(*ticks, *[busy(task, person) for task, person in zip(tasks, people, strict=True)])
    assert not [answer for answer in answers if isinstance(answer, RuleViolation)]
    assert Visit.objects.count() == 32
    assert MaintenanceTask.objects.open().count() == 208


def test_the_same_change_from_two_windows_is_one_in_the_history() -> None:
    customer = CustomerFactory()

    def change() -> object:
        loaded = type(customer).objects.get(pk=customer.pk)
        loaded.note = "calls at noon"
        return change_record(loaded, by=None, at=AT)

    at_once(*[change] * 4)
    assert ChangedField.objects.filter(after="calls at noon").count() == 1
