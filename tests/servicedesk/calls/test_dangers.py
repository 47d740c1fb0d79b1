"""What an open danger is, for every page alike."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

import pytest
from django.utils import timezone
from pytest_django import DjangoAssertNumQueries

from schedules.models import MaintenanceTask, Visit
from schedules.operations import cancel_task, complete_task, let_task_wait
from servicedesk.calls import operations
from servicedesk.calls.dangers import open_dangers
from servicedesk.calls.models import Call, Finding
from servicedesk.core.models import Change
from servicedesk.core.rules.refusals import RuleViolation
from tests.factories import CallFactory, UnitFactory, VisitFactory
from tests.servicedesk.calls.conftest import SAFE, Porch, day
from tests.servicedesk.calls.test_calls import LogCall

pytestmark = pytest.mark.django_db

UNSAFE = {**SAFE, "fall_risk": "yes"}


def test_an_open_danger_says_where_since_when_whom_to_ring_and_who_goes(log: LogCall, porch: Porch) -> None:
    log()
    call = log(urgency="", answers=UNSAFE)
    (danger,) = open_dangers()
    assert (danger.call, danger.site, danger.unit) == (call, porch.site, porch.unit)
    assert (danger.since, danger.phone, danger.visit) == (call.reported_at, "555-0142", None)
    assert danger.questions == ["Could somebody fall through or over the opening?"]
    assert danger.url.endswith(f"/{call.pk}/#safety")
    Call.objects.filter(pk=call.pk).update(phone="555-0199")
    visit = VisitFactory(site=porch.site)
    visit.visit_tasks.create(task=call.task)
    (danger,) = open_dangers()
    assert (danger.phone, danger.visit) == ("555-0199", visit)


def test_those_nobody_goes_to_come_first_then_the_oldest(log: LogCall, porch: Porch) -> None:
    first, second, third = (log(urgency="", answers=UNSAFE) for _ in range(3))
    Call.objects.filter(pk=third.pk).update(reported_at=timezone.now() - timedelta(hours=3))
    VisitFactory(site=porch.site).visit_tasks.create(task=third.task)
    assert [danger.call for danger in open_dangers()] == [first, second, third]


def test_a_danger_ends_with_its_call_and_with_being_made_safe(log: LogCall) -> None:
    call = log(urgency="", answers={**UNSAFE, "guard_glass": "yes"})
    for question in ("fall_risk", "guard_glass"):
        assert [danger.call for danger in open_dangers()] == [call]
        answer = call.safety_answers.get(question=question)
        operations.note_made_safe(answer, how="boarded", by=None, at=timezone.now())
    assert open_dangers() == []
    assert not Call.objects.for_list().get(pk=call.pk).danger_stands


def test_a_call_for_today_is_a_danger_though_nobody_said_which() -> None:
    call = CallFactory(urgency="make_safe")
    assert [danger.call for danger in open_dangers()] == [call]
    assert Call.objects.for_list().get(pk=call.pk).danger_stands
    Call.objects.update(state="cancelled")
    assert open_dangers() == []
    assert not Call.objects.for_list().get(pk=call.pk).danger_stands


def test_dangers_take_the_same_few_queries_however_many(
    log: LogCall, django_assert_max_num_queries: DjangoAssertNumQueries
) -> None:
    for _ in range(8):
        log(urgency="", answers=UNSAFE)
    with django_assert_max_num_queries(5):
        assert all(danger.phone == "555-0142" for danger in open_dangers())


def find_danger(porch: Porch, *, visit: Visit | None = None, **fields: Any) -> Finding:
    """Record a danger at the porch that was made safe."""
    finding = Finding(
        **{
            "unit": porch.unit,
            "mode": porch.binds,
            "severity": "danger",
            "made_safe_how": "panel taken down",
            "found_on": timezone.localdate(),
            **fields,
        }
    )
    return operations.record_finding(finding, visit=visit, by=None, at=timezone.now())


class TestOneRecord:
    """What made a danger safe is said once, wherever it is said."""

    @pytest.fixture
    def danger(self, log: LogCall) -> Call:
        """A call in which somebody may fall."""
        return log(urgency="", answers=UNSAFE)

    def check_safe(self, call: Call, how: str) -> None:
        """See that a call is made safe, and its repair one for the week."""
        call = Call.objects.get(pk=call.pk)
        assert open_dangers() == []
        assert call.safety_answers.get(answer="yes").made_safe_how == how
        assert call.urgency == "this_week"
        assert call.task is not None
        assert (call.task.priority, call.task.makes_safe) == (4, False)

    def test_on_a_finding_of_the_call(self, danger: Call, porch: Porch) -> None:
        find_danger(porch, call=danger)
        self.check_safe(danger, "panel taken down")

    def test_on_a_finding_at_its_window_recorded_without_the_call(self, danger: Call, porch: Porch) -> None:
        assert find_danger(porch).call == danger
        self.check_safe(danger, "panel taken down")

    def test_on_a_visit_for_it_where_the_window_was_not_known(self, log: LogCall, porch: Porch) -> None:
        danger = log(urgency="", answers=UNSAFE, unit=None)
        visit = VisitFactory(site=porch.site)
        visit.visit_tasks.create(task=danger.task)
        find_danger(porch, visit=visit)
        self.check_safe(danger, "panel taken down")
        assert Call.objects.get(pk=danger.pk).unit == porch.unit

    def test_on_a_finding_that_is_corrected_to_a_danger(self, danger: Call, porch: Porch) -> None:
        finding = find_danger(porch, call=danger, severity="hinders", made_safe_how="")
        assert open_dangers()
        finding.severity, finding.made_safe_how = "danger", "taped off"
        operations.change_finding(finding, by=None, at=timezone.now())
        self.check_safe(danger, "taped off")

    def test_on_the_call_it_is_in_the_history_of_the_window(self, danger: Call, porch: Porch) -> None:
        operations.make_safe(danger, how="boarded", by=None, at=timezone.now())
        self.check_safe(danger, "boarded")
        action = Change.objects.about(porch.unit).values_list("action", flat=True)
        assert any("made safe: boarded" in line for line in action)
        operations.make_safe(danger, how="again", by=None, at=timezone.now())
        self.check_safe(danger, "boarded")

    def test_where_nobody_said_which_danger_it_is(self, porch: Porch, log: LogCall) -> None:
        call = log(urgency="make_safe")
        find_danger(porch, call=call)
        assert open_dangers() == []
        assert Call.objects.get(pk=call.pk).urgency == "this_week"

    def test_another_window_an_earlier_day_and_less_than_a_danger_answer_nothing(
        self, danger: Call, porch: Porch
    ) -> None:
        other = UnitFactory(site=porch.site)
        find_danger(porch, unit=other, call=danger)
        find_danger(porch, found_on=day(3))
        find_danger(porch, call=danger, severity="unusable", made_safe_how="")
        assert [each.call for each in open_dangers()] == [danger]

    def test_a_danger_that_is_back_is_open_again(self, danger: Call, porch: Porch) -> None:
        find_danger(porch, call=danger)
        answer = danger.safety_answers.get(answer="yes")
        operations.answer_question(answer, said="yes", by=None, at=timezone.now())
        (open_danger,) = open_dangers()
        assert (open_danger.call.urgency, open_danger.call.task.priority) == ("make_safe", 1)

    def test_its_repair_neither_waits_nor_ends_while_it_stands(self, danger: Call) -> None:
        at, task = timezone.now(), danger.task
        assert task is not None
        for act in (
            lambda: operations.wait_for(danger, waiting_for="part", until=day(-9), by=None, at=at),
            lambda: let_task_wait(task, waiting_for="part", until=day(-9), by=None, at=at),
            lambda: complete_task(task, on=day(0), by=None, at=at),
            lambda: cancel_task(task, why="no", by=None, at=at),
        ):
            with pytest.raises(RuleViolation, match="Somebody may get hurt here"):
                act()
        for urgent in (danger, CallFactory(urgency="make_safe")):
            with pytest.raises(RuleViolation, match="say what made it safe"):
                operations.close_call(urgent, by=None, at=at)

    def test_a_repair_that_waits_waits_no_longer_once_a_danger_is_named(self, call: Call) -> None:
        operations.wait_for(call, waiting_for="part", until=day(-9), by=None, at=timezone.now())
        answer = call.safety_answers.get(question="fall_risk")
        operations.answer_question(answer, said="yes", by=None, at=timezone.now())
        task = MaintenanceTask.objects.get(call=call)
        assert (task.makes_safe, task.waiting_for, task.waiting_until) == (True, "", None)
