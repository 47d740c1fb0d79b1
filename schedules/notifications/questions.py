"""Proposed visits, and which customers can be asked by mail whether they suit, or why not."""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime

from django.utils import timezone

from schedules.models import EmailPreference, Notification, NotificationKind, Visit
from schedules.notifications.queue import VISIT, customers_of, notification
from servicedesk.core.values.mail_addresses import is_address
from units.models import Customer

TOKEN = re.compile(r"\d{1,18}\.\d{1,9}\.\d{1,18}")


@dataclass(frozen=True)
class VisitAsItWas:
    """Visit, version and customer as a list showed them, so that a later change is noticed."""

    visit: int
    sequence: int
    customer: int

    @classmethod
    def from_token(cls, token: str) -> VisitAsItWas:
        """Parse a token that a form sent back."""
        return cls(*(int(part) for part in token.split(".")))

    @property
    def token(self) -> str:
        """The value that a form sends back: visit, sequence and customer."""
        return f"{self.visit}.{self.sequence}.{self.customer}"


@dataclass(frozen=True)
class Question:
    """A proposed visit with its customer; ``why_not`` says why they get no mail, "" where they do."""

    visit: Visit
    customer: Customer | None
    why_not: str

    @property
    def token(self) -> str:
        """The value that a form sends back for this question."""
        customer = self.customer.pk if self.customer else 0
        return VisitAsItWas(self.visit.pk, self.visit.sequence, customer).token


def list_questions(visits: Iterable[Visit], *, at: datetime) -> list[Question]:
    """List the future proposed visits among some, each with the customer who would be asked."""
    proposed = [each for each in visits if each.state == Visit.State.TENTATIVE and each.starts_at > at]
    owners = customers_of([visit.site_id for visit in proposed], timezone.localdate(at))
    email_preference = dict(
        EmailPreference.objects.filter(customer__in=owners.values()).values_list("customer", "what")
    )
    already = set(
        Notification.objects.filter(
            kind=NotificationKind.ASKING, subject=VISIT, subject_id__in=[visit.pk for visit in proposed]
        ).values_list("subject_id", "version", "customer")
    )
    questions = []
    for visit in proposed:
        owner = owners.get(visit.site_id)
        why_not = _why_not(owner, email_preference.get(owner.pk if owner else 0, ""))
        if owner and (visit.pk, visit.sequence, owner.pk) in already:
            why_not = "asked already"
        questions.append(Question(visit, owner, why_not))
    return questions


def _why_not(customer: Customer | None, email_preference: str) -> str:
    """Reason why a customer gets no mail about a visit; "" where they do."""
    if customer is None:
        return "nobody is recorded as the owner"
    if not customer.email:
        return "no mail address: telephone"
    if not is_address(customer.email):
        return f"“{customer.email}” is no mail address: correct it"
    return "the customer wants no mail: telephone" if email_preference == EmailPreference.What.NOTHING else ""


def notification_asking(question: Question, *, at: datetime) -> Notification:
    """Build the message of a question (not saved)."""
    visit = question.visit
    return notification(
        NotificationKind.ASKING,
        subject=VISIT,
        subject_id=visit.pk,
        due_on=visit.local_start.date(),
        version=visit.sequence,
        customer=question.customer,
        at=at,
    )


def first_to_ask(questions: Sequence[Question]) -> Question | None:
    """First question whose customer gets a mail; None where there is none."""
    return next((each for each in questions if not each.why_not), None)
