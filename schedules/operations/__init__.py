"""Operations on maintenance, tasks, visits and calendars: the only writers of their records."""

from .calendars import hash_of, make_link, note_read, replace_link, revoke_link
from .finishing import Wait, finish_visit
from .next_dues import last_planned, note_maintenance_done, note_maintenance_done_many, plan_next_dues
from .notifications import (
    CustomersAsked,
    ask_customers,
    see_answer,
    set_email_preference,
    set_notification_text,
    take_answer,
    tell_schedulers_of_danger,
    try_again,
)
from .raising import raise_due
from .rules import add_maintenance_rule, change_maintenance_rule
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
from .terms import (
    Hours,
    add_absence,
    agree_on_time,
    drop_agreed_time,
    remove_absence,
    set_terms,
    set_weather,
)
from .visits import cancel_visit, change_visit, confirm_visit, keep_visit, move_visit, plan_visit
from .week import ask_for_week, solve_waiting_weeks, solve_week

__all__ = [
    "CustomersAsked",
    "Hours",
    "Inspections",
    "Wait",
    "add_absence",
    "add_inspections",
    "add_maintenance_rule",
    "add_task",
    "agree_on_time",
    "ask_customers",
    "ask_for_week",
    "cancel_task",
    "cancel_visit",
    "change_maintenance_rule",
    "change_visit",
    "complete_task",
    "confirm_visit",
    "drop_agreed_time",
    "finish_visit",
    "hash_of",
    "keep_visit",
    "last_planned",
    "let_task_wait",
    "make_link",
    "move_visit",
    "note_maintenance_done",
    "note_maintenance_done_many",
    "note_read",
    "note_run",
    "plan_next_dues",
    "plan_visit",
    "raise_due",
    "raise_early",
    "remove_absence",
    "replace_link",
    "revoke_link",
    "see_answer",
    "set_email_preference",
    "set_notification_text",
    "set_terms",
    "set_weather",
    "solve_waiting_weeks",
    "solve_week",
    "stop_waiting",
    "take_answer",
    "tell_schedulers_of_danger",
    "try_again",
]
