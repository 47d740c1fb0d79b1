"""Operations on maintenance rules; changing a rule recomputes the due dates under it."""

from __future__ import annotations

from datetime import datetime

from schedules.maintenance.due_dates import recount_dues
from schedules.models import MaintenanceRule
from servicedesk.accounts.models import User
from servicedesk.core.database.on_commit import enqueue_on_commit
from servicedesk.core.rules.refusals import RuleViolation, atomic_operation
from servicedesk.core.values.words import count
from units.operations import save_change, save_new

from .next_dues import PLAN
from .raising import RAISE

TIMING = (
    "interval_months",
    "exposed_to",
    "exposed_months",
    "season_from_month",
    "season_from_day",
    "season_until_month",
    "season_until_day",
)


def add_maintenance_rule(rule: MaintenanceRule, *, by: User | None, at: datetime) -> MaintenanceRule:
    """Add a maintenance rule; the parts of its type come under it."""
    with atomic_operation():
        save_new(rule, action="added", by=by, at=at)
        enqueue_on_commit(PLAN)
    return rule


def change_maintenance_rule(
    rule: MaintenanceRule, *, why: str = "", by: User | None, at: datetime
) -> MaintenanceRule:
    """Change a maintenance rule; with another interval or season all its due dates are recomputed.

    Each is counted from the same day as before, so a longer interval moves it back and a shorter one ahead.
    """
    with atomic_operation():
        was = MaintenanceRule.objects.select_for_update(no_key=True).get(pk=rule.pk)
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
        enqueue_on_commit(RAISE)
    return rule
