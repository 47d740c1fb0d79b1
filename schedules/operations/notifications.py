"""Operations on messages: ask customers, report dangers, edit texts and preferences, try again."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

from django.utils import timezone

from schedules.models import (
    CustomerAnswer,
    EmailPreference,
    Notification,
    NotificationKind,
    NotificationText,
    Visit,
)
from schedules.notifications.questions import VisitAsItWas, list_questions, notification_asking
from schedules.notifications.queue import notification
from schedules.notifications.texts import USUAL
from servicedesk.accounts.models import Role, User
from servicedesk.core.database.on_commit import enqueue_on_commit
from servicedesk.core.history import write_change
from servicedesk.core.rules.refusals import RuleViolation, atomic_operation
from units.models import Customer, Unit
from units.operations import save_change, save_new

SEND = "schedules.send_notifications"


@dataclass(frozen=True)
class CustomersAsked:
    """How many messages were queued, and which visits were left out, each with the reason."""

    written: int
    left_out: list[str]


def ask_customers(wanted: Sequence[VisitAsItWas], *, by: User | None, at: datetime) -> CustomersAsked:
    """Queue messages that ask customers whether proposed visits suit, each as it stood on the list.

    A visit that changed since, or whose customer did, is left out, and so is one that was asked about.
    """
    with atomic_operation():
        # Locked until the transaction ends: of two who ask at once, the second sees what the first wrote.
        locked = (
            Visit.objects.locked().filter(pk__in=[each.visit for each in wanted]).order_by("starts_at", "pk")
        )
        visits = {visit.pk: visit for visit in locked}
        questions = {each.visit.pk: each for each in list_questions(visits.values(), at=at)}
        left_out = []
        written = 0
        for each in wanted:
            question = questions.get(each.visit)
            if question is None or question.token != each.token:
                visit = visits.get(each.visit)
                left_out.append(f"{visit.site.address_line if visit else 'a visit'}: it changed meanwhile")
            elif question.why_not:
                left_out.append(f"{question.visit.site.address_line}: {question.why_not}")
            else:
                notification_asking(question, at=at).save()
                written += 1
                write_change(question.visit, action="customer asked by mail whether it suits", by=by, at=at)
        enqueue_on_commit(SEND)
    return CustomersAsked(written, left_out)


def tell_schedulers_of_danger(
    unit: Unit,
    *,
    subject: str = "finding",
    subject_id: int,
    danger: str,
    made_safe: str,
    by: User | None,
    at: datetime,
) -> None:
    """Queue a message about a danger to every scheduler, to be sent at once."""
    today = timezone.localdate(at)
    for person in User.objects.working().with_role(Role.SCHEDULER):
        alarm = notification(
            NotificationKind.ALARM, subject=subject, subject_id=subject_id, due_on=today, person=person, at=at
        )
        alarm.payload = {"unit": unit.pk, "danger": danger, "made_safe": made_safe}
        Notification.objects.bulk_create([alarm], ignore_conflicts=True)
    enqueue_on_commit(SEND)


def set_notification_text(
    kind: str, *, title: str, body: str, by: User | None, at: datetime
) -> NotificationText | None:
    """Change the text of a kind of message; None where it is the usual one again."""
    with atomic_operation():
        text = NotificationText.objects.filter(kind=kind).first()
        usual = USUAL[kind]
        body = body.replace("\r\n", "\n")
        if (title.strip(), body.strip()) == (usual.title, usual.body):
            if text is not None:
                write_change(text, action="the usual words again", by=by, at=at)
                text.delete()
            return None
        if text is None:
            return save_new(
                NotificationText(kind=kind, title=title, body=body), action="words changed", by=by, at=at
            )
        text.title, text.body = title, body
        return save_change(text, action="words changed", by=by, at=at)


def set_email_preference(customer: Customer, what: str, *, by: User | None, at: datetime) -> EmailPreference:
    """Store the e-mail preference of a customer."""
    with atomic_operation():
        email_preference = EmailPreference.objects.select_for_update().filter(customer=customer).first()
        if email_preference is not None and email_preference.what == what:
            return email_preference
        email_preference = email_preference or EmailPreference(customer=customer)
        email_preference.what, email_preference.said_at = what, at
        email_preference.full_clean()
        email_preference.save()
        action = f"gets by mail: {email_preference.get_what_display()}"
        write_change(customer, action=action if by else f"{action}, said the customer", by=by, at=at)
    return email_preference


def take_answer(
    visit: Visit, customer: Customer, said: str, *, words: str = "", at: datetime
) -> CustomerAnswer:
    """Store a customer's answer about a visit, for a scheduler to see; the same twice in a row, once."""
    with atomic_operation():
        Visit.objects.locked().get(pk=visit.pk)
        previous = visit.answers.filter(customer=customer, seen_at=None).order_by("-at", "-pk").first()
        if previous is not None and (previous.said, previous.words) == (said, words.strip()[:2000]):
            return previous
        answer = CustomerAnswer(visit=visit, customer=customer, said=said, words=words.strip()[:2000], at=at)
        answer.full_clean()
        answer.save()
        write_change(visit, action=f"the customer said: {answer.get_said_display()}", by=None, at=at)
    return answer


def see_answer(answer: CustomerAnswer, *, by: User, at: datetime) -> None:
    """Mark a customer's answer as seen; a second call changes nothing."""
    with atomic_operation():
        if CustomerAnswer.objects.filter(pk=answer.pk, seen_at=None).update(seen_at=at, seen_by=by):
            write_change(answer.visit, action="customer’s answer handled", by=by, at=at)


def try_again(sent: Notification, *, by: User | None, at: datetime) -> Notification:
    """Put a message that was withheld or failed back on the queue."""
    with atomic_operation():
        locked = Notification.objects.select_for_update().get(pk=sent.pk)
        if locked.stage not in {Notification.Stage.WITHHELD, Notification.Stage.FAILED}:
            raise RuleViolation(
                f"This message is {locked.get_stage_display()}: there is nothing to try again."
            )
        locked.stage, locked.tries, locked.next_try_at, locked.why = Notification.Stage.WAITING, 0, at, ""
        locked.save()
        write_change(locked, action="tried again", by=by, at=at)
        enqueue_on_commit(SEND)
    return locked
