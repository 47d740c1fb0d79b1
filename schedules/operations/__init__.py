"""What can be done about care, tasks, visits and calendars: the only writers of their records."""

from .calendars import hash_of, make_link, note_read, replace_link, revoke_link
from .care import last_planned, note_care_done, note_care_done_many, plan_new_care
from .finishing import Wait, finish_visit
from .raising import raise_due
from .rules import add_care_rule, change_care_rule
from .runs import note_run
from .tasks import (
    Inspections,
    add_inspections,
    add_task,
    cancel_task,
    complete_task,
    let_task_wait,
    raise_early,
    stop_waiting,
)
from .visits import cancel_visit, change_visit, confirm_visit, plan_visit

__all__ = [
    "Inspections",
    "Wait",
    "add_care_rule",
    "add_inspections",
    "add_task",
    "cancel_task",
    "cancel_visit",
    "change_care_rule",
    "change_visit",
    "complete_task",
    "confirm_visit",
    "finish_visit",
    "hash_of",
    "last_planned",
    "let_task_wait",
    "make_link",
    "note_care_done",
    "note_care_done_many",
    "note_read",
    "note_run",
    "plan_new_care",
    "plan_visit",
    "raise_due",
    "raise_early",
    "replace_link",
    "revoke_link",
    "stop_waiting",
]
