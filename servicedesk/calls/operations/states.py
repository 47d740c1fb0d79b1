"""Operations that change a call's state: waiting, resumed, closed, cancelled, reopened."""

from __future__ import annotations

from datetime import date, datetime

from django.utils import timezone

from schedules.operations import cancel_task, complete_task, let_task_wait, stop_waiting
from servicedesk.accounts.models import User
from servicedesk.calls.models import Call, SafetyAnswer
from servicedesk.core.rules.refusals import RuleViolation, atomic_operation
from servicedesk.core.values.dates import long_date
from units.operations import save_change

from .calls import give_task, locked_call, open_call, task_of

Answer = SafetyAnswer.Answer
State = Call.State


def wait_for(call: Call, *, waiting_for: str, until: date, by: User | None, at: datetime) -> Call:
    """Let the repair wait for a part, the maker or the customer until a day."""
    with atomic_operation():
        call = open_call(call)
        if call.danger_stands:
            raise RuleViolation(
                "Somebody may get hurt here: say what made it safe before you put the repair on hold."
            )
        task = task_of(call, by=by, at=at)
        task = let_task_wait(task, waiting_for=waiting_for, until=until, by=by, at=at)
        waits = task.get_waiting_for_display()
        if call.state == State.NEEDS_ACTION:
            call.state = State.IN_PROCESS
        save_change(call, action=f"on hold for {waits} until {long_date(until)}", by=by, at=at)
    return call


def resume(call: Call, *, by: User | None, at: datetime) -> Call:
    """End the wait of a call."""
    with atomic_operation():
        call = open_call(call)
        if call.task is not None and call.task.waiting_for:
            stop_waiting(call.task, by=by, at=at)
            save_change(call, action="resumed", by=by, at=at)
    return call


def close_call(call: Call, *, by: User | None, at: datetime) -> Call:
    """Close a call whose repair is done.

    Refused while a safety question is unanswered, or a danger is open that nobody has recorded as made
    safe.
    """
    with atomic_operation():
        call = locked_call(call)
        if call.state == State.COMPLETED:
            return call
        if call.state == State.CANCELLED:
            raise RuleViolation("This call was canceled. Reopen it first.")
        if reasons := [_why_open(answer) for answer in _standing(call)] or _unnamed_danger(call):
            raise RuleViolation({"": reasons})
        _end(call, State.COMPLETED, action="closed", by=by, at=at)
        if call.task is not None and call.task.is_open:
            complete_task(call.task, on=timezone.localdate(at), by=by, at=at)
    return call


def cancel_call(call: Call, *, why: str, by: User | None, at: datetime) -> Call:
    """Cancel a call that needs nothing from us: logged twice, or withdrawn.

    An open danger must be made safe (or found to be none) first, so that cancelling is no way around it.
    """
    with atomic_operation():
        call = locked_call(call)
        if call.state == State.CANCELLED:
            return call
        if call.state == State.COMPLETED:
            raise RuleViolation("This call is closed. Reopen it first.")
        if not why.strip():
            raise RuleViolation({"why": ["Say why the call is canceled, such as “logged twice”."]})
        dangers = [answer for answer in _standing(call) if answer.answer == Answer.YES]
        if reasons := [_why_open(answer) for answer in dangers] or _unnamed_danger(call):
            raise RuleViolation({"": reasons})
        _end(call, State.CANCELLED, action=f"canceled: {why.strip()}", by=by, at=at)
        if call.task is not None and call.task.is_open:
            cancel_task(call.task, why=why, by=by, at=at)
    return call


def reopen_call(call: Call, *, by: User | None, at: datetime) -> Call:
    """Reopen a call that was closed or cancelled too early, with a new repair task."""
    with atomic_operation():
        call = locked_call(call)
        if call.is_open:
            return call
        begun = call.findings.exists() or call.works.exists() or call.inspections.exists()
        call.state = State.IN_PROCESS if begun else State.NEEDS_ACTION
        call.closed_at = None
        save_change(call, action="reopened", by=by, at=at)
        give_task(call, by=by, at=at)
    return call


def _end(call: Call, state: Call.State, *, action: str, by: User | None, at: datetime) -> None:
    call.state, call.closed_at = state, at
    save_change(call, action=action, by=by, at=at)


def _standing(call: Call) -> list[SafetyAnswer]:
    """Safety questions that keep a call open, in the order they are asked in."""
    order = SafetyAnswer.Question.values
    answers = call.safety_answers.select_for_update()
    return sorted(
        (answer for answer in answers if answer.is_open), key=lambda answer: order.index(answer.question)
    )


def _unnamed_danger(call: Call) -> list[str]:
    """Reason why a call with urgency today can't end, though no question names its danger."""
    if not call.danger_stands:
        return []
    return ["This call is to be made safe today: say what made it safe, or choose another urgency."]


def _why_open(answer: SafetyAnswer) -> str:
    question = f"“{answer.get_question_display()}”"
    if answer.answer == Answer.YES:
        return f"{question} was answered with yes: say what made it safe before you close the call."
    return f"{question} is not answered: answer it before you close the call."
