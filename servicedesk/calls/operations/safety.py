"""Operations on safety answers and open dangers."""

from __future__ import annotations

from datetime import date, datetime

from django.db.models import Q
from django.utils import timezone

from schedules.models import Visit
from servicedesk.accounts.models import User
from servicedesk.calls.models import Call, SafetyAnswer
from servicedesk.core.history import write_change
from servicedesk.core.rules.refusals import RuleViolation, atomic_operation
from units.models import Unit

from .calls import calm_down, hurry, open_call

Answer = SafetyAnswer.Answer


def answer_question(answer: SafetyAnswer, *, said: str, by: User | None, at: datetime) -> SafetyAnswer:
    """Record the answer to a safety question that was not asked before, or that turned out otherwise.

    A yes sets the call's urgency to today, also where the danger was made safe and is back. A no does not
    end an open danger: what made it safe must be recorded.
    """
    with atomic_operation():
        call = open_call(answer.call)
        answer = SafetyAnswer.objects.select_for_update().get(pk=answer.pk)
        if said not in (Answer.YES, Answer.NO):
            raise RuleViolation({"said": ["Choose yes or no."]})
        if answer.answer == said and (said == Answer.NO or answer.is_open):
            return answer
        if answer.answer == Answer.YES and answer.is_open:
            raise RuleViolation(
                "A danger was named here. Say what made it safe, even if an inspection was enough."
            )
        answer.answer = said
        answer.made_safe_how, answer.made_safe_at, answer.made_safe_by = "", None, None
        answer.full_clean()
        answer.save()
        action = f"“{answer.get_question_display()}” {answer.get_answer_display()}"
        write_change(call, action=action, by=by, at=at)
        if said == Answer.YES:
            hurry(call, by=by, at=at)
    return answer


def note_made_safe(answer: SafetyAnswer, *, how: str, by: User | None, at: datetime) -> SafetyAnswer:
    """Record what made a reported danger safe; after the last one the repair is less urgent."""
    with atomic_operation():
        call = open_call(answer.call)
        answer = SafetyAnswer.objects.select_for_update().get(pk=answer.pk)
        if answer.answer != Answer.YES:
            raise RuleViolation("No danger was named here. Answer the question first.")
        if answer.made_safe_at is not None:
            return answer
        _store_made_safe(call, answer, how=_said(how), by=by, at=at)
        calm_down(call, by=by, at=at)
    return answer


def make_safe(call: Call, *, how: str, by: User | None, at: datetime) -> Call:
    """Record what made every open danger of a call safe; a call without a danger stays as it is."""
    with atomic_operation():
        call = open_call(call)
        if not call.danger_stands:
            return call
        how = _said(how)
        standing = call.safety_answers.select_for_update().filter(answer=Answer.YES, made_safe_at=None)
        answers = list(standing.order_by("pk"))
        for answer in answers:
            _store_made_safe(call, answer, how=how, by=by, at=at)
        if not answers:
            _write(call, f"made safe: {how}", by=by, at=at)
        calm_down(call, by=by, at=at)
    return call


def dangers_met_by(unit: Unit, *, on: date, call: Call | None, visit: Visit | None) -> list[Call]:
    """Open dangers that were made safe together with one unit on a day.

    Those are the calls about the unit, whether or not the finding was recorded under them, and those of which
    nobody knows the window yet: the call it is recorded under, and the calls for which the visit was made.
    """
    here = Q(unit=unit) | Q(unit=None, pk=call.pk if call else None)
    if visit is not None:
        here |= Q(unit=None, task__visit_tasks__visit=visit)
    calls = Call.objects.with_open_danger().filter(here, site=unit.site_id).order_by("pk").distinct()
    return [each for each in calls if timezone.localdate(each.reported_at) <= on]


def _store_made_safe(call: Call, answer: SafetyAnswer, *, how: str, by: User | None, at: datetime) -> None:
    answer.made_safe_how, answer.made_safe_at, answer.made_safe_by = how, at, by
    answer.full_clean()
    answer.save()
    _write(call, f"made safe: {how} ({answer.get_question_display()})", by=by, at=at)


def _said(how: str) -> str:
    if not how.strip():
        raise RuleViolation({"made_safe_how": ["Say what was done, such as “panel taken down and tagged”."]})
    return how.strip()


def _write(call: Call, action: str, *, by: User | None, at: datetime) -> None:
    """Write a change of a danger to the history of the call and, where known, of its unit."""
    write_change(call, action=action, by=by, at=at)
    if call.unit is not None:
        write_change(call.unit, action=action, by=by, at=at)
