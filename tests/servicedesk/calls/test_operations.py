"""What any door may send: the operations refuse what can't be, and do nothing twice."""

from __future__ import annotations

from collections.abc import Callable
from datetime import timedelta

import pytest
from django.utils import timezone

from schedules.models import MaintenanceTask
from servicedesk.calls import operations
from servicedesk.calls.models import Call, Finding, Work
from servicedesk.core.models import Change
from servicedesk.core.rules.refusals import RuleViolation
from tests.factories import (
    ComponentTypeFactory,
    FindingFactory,
    InstalledPartFactory,
    UnitFactory,
    VisitFactory,
)
from tests.servicedesk.calls.conftest import SAFE, Porch, day

LogCall = Callable[..., Call]


def refused(act: Callable[..., object], *args: object, match: str, **fields: object) -> None:
    """Ask for something and expect the sentence that says why not."""
    with pytest.raises(RuleViolation, match=match):
        act(*args, **fields, by=None, at=timezone.now())


class TestCalls:
    """Calls, their answers and their states."""

    def test_a_call_is_about_a_window_in_place_at_its_own_site(self, log: LogCall, porch: Porch) -> None:
        with pytest.raises(RuleViolation, match="is at another site"):
            log(unit=UnitFactory())
        with pytest.raises(RuleViolation, match="was removed"):
            log(unit=UnitFactory(site=porch.site, removed_on=day(9)))
        assert not Call.objects.exists()
        assert not MaintenanceTask.objects.exists()

    def test_the_same_word_twice_changes_nothing(self, call: Call, porch: Porch) -> None:
        question = call.safety_answers.get(question="fall_risk")
        changes = Change.objects.about(call).count()
        operations.answer_question(question, said="no", by=None, at=timezone.now())
        operations.name_unit(call, unit=porch.unit, by=None, at=timezone.now())
        operations.resume(call, by=None, at=timezone.now())
        assert Change.objects.about(call).count() == changes

    def test_a_danger_is_made_safe_once(self, log: LogCall) -> None:
        call = log(urgency="", answers={**SAFE, "fall_risk": "yes"})
        question = call.safety_answers.get(question="fall_risk")
        refused(operations.note_made_safe, question, how="  ", match="Say what was done")
        operations.note_made_safe(question, how="barrier", by=None, at=timezone.now())
        again = operations.note_made_safe(question, how="other words", by=None, at=timezone.now())
        assert again.made_safe_how == "barrier"

    def test_an_answer_is_yes_or_no(self, call: Call) -> None:
        question = call.safety_answers.get(question="fall_risk")
        refused(operations.answer_question, question, said="", match="Choose yes or no")

    def test_a_call_ends_one_way(self, log: LogCall) -> None:
        closed, cancelled = log(), log()
        operations.close_call(closed, by=None, at=timezone.now())
        operations.cancel_call(cancelled, why="logged twice", by=None, at=timezone.now())
        refused(operations.close_call, cancelled, match="was canceled")
        refused(operations.cancel_call, closed, why="late", match="This call is closed")
        changes = Change.objects.about(cancelled).count()
        operations.cancel_call(cancelled, why="again", by=None, at=timezone.now())
        assert Change.objects.about(cancelled).count() == changes

    def test_a_call_whose_repair_was_done_on_a_visit_still_closes(self, call: Call) -> None:
        from schedules.operations import complete_task

        assert call.task is not None
        complete_task(call.task, on=day(0), by=None, at=timezone.now())
        operations.close_call(call, by=None, at=timezone.now())
        call.refresh_from_db()
        assert call.state == "completed"

    def test_a_call_worked_on_opens_again_as_under_way(self, call: Call, porch: Porch) -> None:
        operations.record_no_fault(porch.unit, call=call, visit=None, by=None, at=timezone.now())
        operations.close_call(call, by=None, at=timezone.now())
        assert operations.reopen_call(call, by=None, at=timezone.now()).state == "in-process"

    def test_a_wait_is_all_or_nothing(self, porch: Porch) -> None:
        call = Call.objects.create(site=porch.site, reported_at=timezone.now())
        long_ago = day(9)
        refused(operations.wait_for, call, waiting_for="part", until=long_ago, match="That day is over")
        assert not MaintenanceTask.objects.exists()
        refused(operations.wait_for, call, waiting_for="", until=day(-9), match="whom or what")
        assert not MaintenanceTask.objects.exists()

    def test_a_wait_leaves_its_trace_on_call_and_repair(self, call: Call) -> None:
        until = timezone.localdate() + timedelta(days=3)
        operations.wait_for(call, waiting_for="part", until=until, by=None, at=timezone.now())
        assert call.task is not None
        for subject in (call, call.task):
            assert (
                f"on hold for a part until {until:%B %-d, %Y}"
                in Change.objects.about(subject).for_page()[0].action
            )


class TestFindings:
    """Findings and looks."""

    def found(self, porch: Porch, **fields: object) -> Finding:
        return Finding(**{"unit": porch.unit, "mode": porch.binds, "found_on": day(0), **fields})

    def test_a_removed_window_has_no_new_faults(self, porch: Porch) -> None:
        gone = UnitFactory(site=porch.site, removed_on=day(9))
        late = self.found(porch, unit=gone)
        refused(operations.record_finding, late, visit=None, match="was removed on")
        last_day = self.found(porch, unit=gone, found_on=day(9))
        assert operations.record_finding(last_day, visit=None, by=None, at=timezone.now()).pk

    def test_a_panel_the_window_does_not_have_is_refused(self, porch: Porch) -> None:
        finding = self.found(porch, panel=5)
        refused(operations.record_finding, finding, visit=None, match="has 4 panels; there is no panel 5")

    def test_only_an_earlier_finding_of_the_same_fault_goes_on(self, porch: Porch) -> None:
        others = [
            FindingFactory(installed_part=porch.corner, mode=porch.cracked, found_on=day(3)),
            FindingFactory(mode=porch.binds, found_on=day(3)),
            FindingFactory(installed_part=porch.track, mode=porch.binds, found_on=day(-1)),
        ]
        for other in others:
            finding = self.found(porch, continues=other, repeat=True)
            refused(operations.record_finding, finding, visit=None, match="Only an earlier finding")

    def test_a_call_or_visit_elsewhere_is_refused(self, porch: Porch, call: Call) -> None:
        elsewhere = UnitFactory()
        finding = self.found(porch, unit=elsewhere, call=call)
        refused(operations.record_finding, finding, visit=None, match="at another site than this call")
        visit = VisitFactory()
        refused(operations.record_finding, self.found(porch), visit=visit, match="goes to another site")
        refused(operations.record_no_fault, porch.unit, call=None, visit=visit, match="goes to another site")
        assert not Finding.objects.exists()


class TestWork:
    """Work."""

    def test_parts_and_findings_are_of_the_same_window(self, porch: Porch) -> None:
        other = FindingFactory()
        on_other = Work(unit=porch.unit, kind="checked", done_on=day(0), installed_part=other.installed_part)
        refused(operations.record_work, on_other, match="That part is in another unit")
        answers_other = Work(unit=porch.unit, kind="checked", done_on=day(0), finding=other)
        refused(operations.record_work, answers_other, match="about another unit")

    def test_work_is_done_while_the_window_is_there(self, porch: Porch) -> None:
        gone = UnitFactory(removed_on=day(9))
        refused(
            operations.record_work,
            Work(unit=gone, kind="checked", done_on=day(8)),
            match="was not in place on that day",
        )

    def test_only_a_replacement_changes_parts(self, porch: Porch) -> None:
        swap = operations.Swap(component_type=ComponentTypeFactory(kind="track"))
        for kind, part in (("cleaned", porch.track), ("replaced", None)):
            work = Work(unit=porch.unit, kind=kind, done_on=day(0), installed_part=part, pieces=1)
            refused(operations.record_work, work, swap=swap, match="Say which part was replaced")
        assert porch.unit.installed_parts.count() == 2

    def test_a_refused_exchange_leaves_everything_as_it_was(self, porch: Porch) -> None:
        film = InstalledPartFactory(unit=porch.unit, component_type__kind="film", panel=1)
        swap = operations.Swap(component_type=ComponentTypeFactory(kind="film"), panel=1)
        work = Work(unit=porch.unit, kind="replaced", done_on=day(0), installed_part=film, pieces=1)
        refused(operations.record_work, work, swap=swap, match="Say which panel")
        assert not Work.objects.exists()
        film.refresh_from_db()
        assert film.removed_on is None
