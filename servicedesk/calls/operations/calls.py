"""Operations that log and change a call."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date, datetime, timedelta

from django.utils import timezone

from schedules.models import MaintenanceTask
from schedules.operations import add_task
from servicedesk.accounts.models import User
from servicedesk.calls.models import Call, SafetyAnswer
from servicedesk.calls.symptoms import ANSWERED_BY, usual_effort
from servicedesk.core.history import write_change
from servicedesk.core.rules.refusals import RuleViolation, atomic_operation
from units.models import Site, Unit
from units.operations import save_change

Urgency = Call.Urgency
Answer = SafetyAnswer.Answer

PRIORITY = {Urgency.MAKE_SAFE: MaintenanceTask.MAKE_SAFE, Urgency.THIS_WEEK: 4, Urgency.NEXT_ROUND: 6}
WITHIN_DAYS = {Urgency.MAKE_SAFE: 0, Urgency.THIS_WEEK: 6, Urgency.NEXT_ROUND: 30}
SAME_REPORT = timedelta(hours=1)

TOLD = ("reported_by", "phone", "words", "symptom", "urgency")

MUST_BE_SAFE_TODAY = (
    "A danger was named, so this call is “make safe today”. Choose that, or change the answer to the safety "
    "question if it is wrong."
)


def locked_call(call: Call) -> Call:
    """Lock a call's row so that two people do not change it at once."""
    return Call.objects.select_for_update().get(pk=call.pk)


def open_call(call: Call) -> Call:
    """Lock a call that must still be open."""
    call = locked_call(call)
    if not call.is_open:
        raise RuleViolation(f"This call is {call.get_state_display()}. Reopen it first.")
    return call


def log_call(call: Call, *, answers: Mapping[str, str], by: User | None, at: datetime) -> Call:
    """Store a call with its safety answers, and queue the task of its repair.

    ``answers`` maps question to yes or no; a question that is missing was not asked. Where the symptom
    itself means yes (a panel that will not stay up), an unasked question counts as answered.
    """
    said = _answers(call.symptom, answers)
    with atomic_operation():
        call.urgency = _urgency(call.urgency, danger=Answer.YES in said.values())
        _check_unit(call, call.unit)
        call.reported_at, call.logged_by = at, by
        call.full_clean()
        call.save()
        SafetyAnswer.objects.bulk_create(
            SafetyAnswer(call=call, question=question, answer=said.get(question, Answer.UNASKED))
            for question in SafetyAnswer.Question.values
        )
        give_task(call, by=by, at=at)
        action = f"call logged: {call.get_symptom_display()}, {call.get_urgency_display()}"
        write_change(call, action=action, by=by, at=at)
        if call.unit is not None:
            write_change(call.unit, action=action, by=by, at=at)
    return call


def log_report(call: Call, *, at: datetime) -> tuple[Call, bool]:
    """Log a report from a page that needs no sign-in; return whether it is new.

    Such a page may be sent twice, and its form has no idempotency key: the same words about the same
    place within the hour are the same call.
    """
    with atomic_operation():
        Site.objects.select_for_update(no_key=True).get(pk=call.site_id)
        same = Call.objects.filter(
            site=call.site_id,
            unit=call.unit_id,
            reported_by=call.reported_by,
            words=call.words,
            logged_by=None,
        )
        if known := same.filter(reported_at__gt=at - SAME_REPORT).first():
            return known, False
        return log_call(call, answers={}, by=None, at=at), True


def give_task(call: Call, *, by: User | None, at: datetime) -> MaintenanceTask:
    """Create the repair task of a call, and link it to the call."""
    effort = usual_effort(call.symptom)
    task = add_task(
        call.site,
        unit=call.unit,
        origin=MaintenanceTask.Origin.CALL,
        reason=_reason(call),
        priority=PRIORITY[Urgency(call.urgency)],
        minutes=effort.minutes,
        persons=effort.persons,
        due_on=_due_on(call, at=at),
        by=by,
        at=at,
    )
    call.task = task
    call.save(update_fields=["task"])
    return task


def task_of(call: Call, *, by: User | None, at: datetime) -> MaintenanceTask:
    """Open task of an open call; an imported call gets one now."""
    if call.task is not None and call.task.is_open:
        return call.task
    return give_task(call, by=by, at=at)


def change_call(call: Call, *, by: User | None, at: datetime) -> Call:
    """Correct the facts or the urgency of a call; its repair task follows.

    ``call`` carries the corrected `TOLD` fields; all else stays as stored.
    """
    with atomic_operation():
        stored = open_call(call)
        if call.symptom != stored.symptom:
            _answer_by_symptom(stored, call.symptom)
        standing = stored.safety_answers.filter(answer=Answer.YES, made_safe_at__isnull=True).exists()
        urgency = _urgency(call.urgency, danger=standing)
        other_urgency, other_symptom = urgency != stored.urgency, call.symptom != stored.symptom
        for name in TOLD:
            setattr(stored, name, getattr(call, name))
        stored.urgency = urgency
        save_change(stored, action="report edited", by=by, at=at)
        follow_task(stored, hurried=other_urgency, retold=other_symptom, by=by, at=at)
    return stored


def name_unit(call: Call, *, unit: Unit | None, by: User | None, at: datetime) -> Call:
    """Set the unit of a call, once known."""
    with atomic_operation():
        call = open_call(call)
        if call.unit_id == (unit.pk if unit else None):
            return call
        _check_unit(call, unit)
        call.unit = unit
        action = f"unit {unit.code} named" if unit else "unit not known any more"
        save_change(call, action=action, by=by, at=at)
        if unit is not None:
            write_change(unit, action=f"call about it: {call.get_symptom_display()}", by=by, at=at)
        follow_task(call, hurried=False, retold=False, by=by, at=at)
    return call


def hurry(call: Call, *, by: User | None, at: datetime) -> None:
    """Set the urgency of an open call to today, because a danger became known."""
    if call.urgency != Urgency.MAKE_SAFE:
        call.urgency = Urgency.MAKE_SAFE
        save_change(call, action="must be made safe today", by=by, at=at)
        follow_task(call, hurried=True, retold=False, by=by, at=at)


def calm_down(call: Call, *, by: User | None, at: datetime) -> None:
    """Set the urgency of an open call to this week once no danger is open: the repair remains to be done."""
    stands = call.safety_answers.filter(answer=Answer.YES, made_safe_at=None).exists()
    if call.urgency == Urgency.MAKE_SAFE and not stands:
        call.urgency = Urgency.THIS_WEEK
        save_change(call, action="the danger is made safe, the repair is due this week", by=by, at=at)
        follow_task(call, hurried=True, retold=False, by=by, at=at)


def note_progress(call: Call, *, unit: Unit, action: str, by: User | None, at: datetime) -> None:
    """Record on an open call that work has begun; the first unit worked on becomes the call's unit."""
    call = locked_call(call)
    if call.state == Call.State.CANCELLED:
        raise RuleViolation("This call was canceled. Reopen it first.")
    if unit.site_id != call.site_id:
        raise RuleViolation(f"Unit {unit.code} is at another site than this call.")
    if call.state == Call.State.NEEDS_ACTION:
        call.state = Call.State.IN_PROCESS
    named = call.is_open and call.unit is None
    if named:
        call.unit = unit
    save_change(call, action=action, by=by, at=at)
    if named:
        follow_task(call, hurried=False, retold=False, by=by, at=at)


def follow_task(call: Call, *, hurried: bool, retold: bool, by: User | None, at: datetime) -> None:
    """Update the open task of a call: its unit, and what changed of urgency or symptom."""
    task = call.task
    if task is None or not task.is_open:
        return
    task.unit = call.unit
    task.reason = _reason(call)
    if hurried:
        task.priority = PRIORITY[Urgency(call.urgency)]
        task.due_on = _due_on(call, at=at)
        if task.makes_safe:
            task.waiting_for, task.waiting_until = "", None  # a danger waits for nobody
    if retold:
        effort = usual_effort(call.symptom)
        task.minutes, task.persons = effort.minutes, effort.persons
    save_change(task, action="changed with its call", by=by, at=at)


def _answers(symptom: str, answers: Mapping[str, str]) -> dict[str, str]:
    """Make the safety answers consistent with the symptom."""
    said = {question: answer for question, answer in answers.items() if answer}
    question = ANSWERED_BY.get(symptom)
    if question is None:
        return said
    if said.get(question) == Answer.NO:
        notice = Call(symptom=symptom).get_symptom_display()
        sentence = f"The symptom is “{notice}”, which says yes here. Answer yes, or choose another symptom."
        raise RuleViolation({question: [sentence]})
    return {**said, question: Answer.YES}


def _answer_by_symptom(call: Call, symptom: str) -> None:
    """Answer the safety question that a later symptom implies with yes."""
    answers = call.safety_answers.filter(question=ANSWERED_BY.get(symptom, "")).exclude(answer=Answer.YES)
    answer = answers.select_for_update().first()
    if answer is None:
        return
    if answer.answer == Answer.NO:
        notice = Call(symptom=symptom).get_symptom_display()
        question = f"“{answer.get_question_display()}” was answered with no"
        sentence = f"{question}, and “{notice}” says yes. Change that answer on the call, or choose another."
        raise RuleViolation({"symptom": [sentence]})
    answer.answer = Answer.YES
    answer.full_clean()
    answer.save()


def _urgency(chosen: str, *, danger: bool) -> str:
    if not chosen and not danger:
        raise RuleViolation({"urgency": ["Choose an urgency."]})
    if danger and chosen and chosen != Urgency.MAKE_SAFE:
        raise RuleViolation({"urgency": [MUST_BE_SAFE_TODAY]})
    return Urgency.MAKE_SAFE if danger else chosen


def _check_unit(call: Call, unit: Unit | None) -> None:
    if unit is None:
        return
    if unit.site_id != call.site_id:
        raise RuleViolation({"unit": [f"Unit {unit.code} is at another site: choose one of this site."]})
    if not unit.in_place:
        raise RuleViolation({"unit": [f"Unit {unit.code} was removed: choose one that is in place."]})


def _reason(call: Call) -> str:
    """Reason of the task in one line; the caller's own words are left out, because it goes into calendars."""
    where = "" if call.unit_id else ", unit not known yet"
    return f"Customer called: {call.get_symptom_display()}{where}"


def _due_on(call: Call, *, at: datetime) -> date:
    return timezone.localdate(at) + timedelta(days=WITHIN_DAYS[Urgency(call.urgency)])
