"""What was said to the safety questions, and what took a danger away."""

from __future__ import annotations

from datetime import datetime

from servicedesk.calls.models import SafetyAnswer
from servicedesk.people.history import write_change
from servicedesk.people.models import User
from servicedesk.refusals import Refused, one_step

from .calls import hurry, open_call

Answer = SafetyAnswer.Answer


def answer_question(answer: SafetyAnswer, *, said: str, by: User | None, at: datetime) -> SafetyAnswer:
    """Note the answer to a safety question that was not asked before, or that turned out otherwise.

    A yes makes the call one for today. A danger that stands is not talked away by a no: what made it safe
    must be said.
    """
    with one_step():
        call = open_call(answer.call)
        answer = SafetyAnswer.objects.select_for_update().get(pk=answer.pk)
        if said not in (Answer.YES, Answer.NO):
            raise Refused({"said": ["Choose yes or no."]})
        if answer.answer == said:
            return answer
        if answer.answer == Answer.YES and answer.is_open:
            raise Refused("A danger was named here. Say what made it safe, even if it was only a look.")
        answer.answer = said
        answer.made_safe_how, answer.made_safe_at, answer.made_safe_by = "", None, None
        answer.full_clean()
        answer.save()
        did = f"“{answer.get_question_display()}” {answer.get_answer_display()}"
        write_change(call, did=did, by=by, at=at)
        if said == Answer.YES:
            hurry(call, by=by, at=at)
    return answer


def note_made_safe(answer: SafetyAnswer, *, how: str, by: User | None, at: datetime) -> SafetyAnswer:
    """Note what took the danger away that a caller named."""
    with one_step():
        call = open_call(answer.call)
        answer = SafetyAnswer.objects.select_for_update().get(pk=answer.pk)
        if answer.answer != Answer.YES:
            raise Refused("No danger was named here. Answer the question first.")
        if answer.made_safe_at is not None:
            return answer
        if not how.strip():
            raise Refused({"made_safe_how": ["Say what was done, such as “panel taken down and tagged”."]})
        answer.made_safe_how, answer.made_safe_at, answer.made_safe_by = how.strip(), at, by
        answer.full_clean()
        answer.save()
        write_change(
            call, did=f"made safe: {answer.made_safe_how} ({answer.get_question_display()})", by=by, at=at
        )
    return answer
