"""Open dangers as pages list them: where, since when, whom to call, and who is on the way."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

from django.db.models import Prefetch

from schedules.models import Visit
from servicedesk.calls.models import Call, SafetyAnswer
from units.models import Ownership, Site, Unit


@dataclass(frozen=True)
class Danger:
    """Open danger: a call whose danger nobody has made safe yet."""

    call: Call
    questions: Sequence[str]
    visit: Visit | None

    @property
    def site(self) -> Site:
        """Site of the danger."""
        return self.call.site

    @property
    def unit(self) -> Unit | None:
        """Unit of the danger, where known."""
        return self.call.unit

    @property
    def since(self) -> datetime:
        """When the danger was reported."""
        return self.call.reported_at

    @property
    def phone(self) -> str:
        """Telephone number to call: the caller's, or else the owner's."""
        phones = [self.call.phone, *(each.customer.phone for each in self.site.owners)]  # type: ignore[attr-defined]
        return next(filter(None, phones), "")

    @property
    def url(self) -> str:
        """Address of the page on which somebody records what made it safe."""
        return f"{self.call.get_absolute_url()}#safety"


def open_dangers() -> list[Danger]:
    """Open dangers: those nobody is on the way to first, then in the order of their reports."""
    owners = Prefetch(
        "site__ownerships", queryset=Ownership.objects.current().select_related("customer"), to_attr="owners"
    )
    calls = Call.objects.with_open_danger().for_list().order_by("reported_at", "pk")
    calls = calls.prefetch_related(owners, "task__visit_tasks__visit__technicians")
    return sorted((_danger(call) for call in calls), key=lambda danger: danger.visit is not None)


def _danger(call: Call) -> Danger:
    order = SafetyAnswer.Question.values
    named = [each for each in call.safety_answers.all() if each.answer == "yes" and each.is_open]
    named.sort(key=lambda answer: order.index(answer.question))
    return Danger(call, [answer.get_question_display() for answer in named], call.planned_visit)
