"""Writing care rules; every part under a changed rule gets its due date reckoned anew."""

from __future__ import annotations

from datetime import datetime

from schedules.due_dates import recount_dues
from schedules.models import CareRule
from servicedesk.notices import send_after_commit
from servicedesk.people.models import User
from servicedesk.refusals import RuleViolation, atomic_operation
from servicedesk.words import count
from units.operations import save_change, save_new

TIMING = (
    "interval_months",
    "exposed_to",
    "exposed_months",
    "season_from_month",
    "season_from_day",
    "season_until_month",
    "season_until_day",
)


def add_care_rule(rule: CareRule, *, by: User | None, at: datetime) -> CareRule:
    """Add a care rule; the parts of its type come under it."""
    with atomic_operation():
        save_new(rule, action="added", by=by, at=at)
        send_after_commit("schedules.plan_new_care")
    return rule


def change_care_rule(rule: CareRule, *, why: str = "", by: User | None, at: datetime) -> CareRule:
    """Change a care rule; with another interval or season all its due dates are reckoned anew.

    Each is counted from the same day as before, so a longer interval moves it back and a shorter one ahead.
    """
    with atomic_operation():
        was = CareRule.objects.select_for_update(no_key=True).get(pk=rule.pk)
        if rule.component_type_id != was.component_type_id:
            raise RuleViolation({"component_type": ["A rule stays with its type of part: add another rule."]})
        rule.planned_at = was.planned_at if was.active or not rule.active else None
        rule.full_clean()
        action = ["changed"]
        if any(getattr(rule, name) != getattr(was, name) for name in TIMING):
            action.append(f"{count(recount_dues(rule), 'due date')} moved")
        if why.strip():
            action.append(f"because {why.strip()}")
        save_change(rule, action=", ".join(action), by=by, at=at)
        send_after_commit("schedules.raise_due")
    return rule
