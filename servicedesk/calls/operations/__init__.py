"""What can be done with calls: the only writers of calls, answers, looks, findings and work."""

from .calls import change_call, log_call, log_report, name_unit
from .findings import change_finding, installed_part_for, record_finding
from .finishing import (
    Finished,
    Told,
    close_calls_of,
    complete_done,
    dangers_of,
    finish,
    make_safe_at,
    tasks_of,
)
from .looks import see_all_fine, see_fine
from .phone_records import see_record
from .photos import add_photo
from .safety import answer_question, make_safe, note_made_safe
from .service_times import keep_service_times
from .states import cancel_call, close_call, go_on, reopen_call, wait_for
from .works import RecordedWork, Swap, record_work, silicone_in_doubt

__all__ = [
    "Finished",
    "RecordedWork",
    "Swap",
    "Told",
    "add_photo",
    "answer_question",
    "cancel_call",
    "change_call",
    "change_finding",
    "close_call",
    "close_calls_of",
    "complete_done",
    "dangers_of",
    "finish",
    "go_on",
    "installed_part_for",
    "keep_service_times",
    "log_call",
    "log_report",
    "make_safe",
    "make_safe_at",
    "name_unit",
    "note_made_safe",
    "record_finding",
    "record_work",
    "reopen_call",
    "see_all_fine",
    "see_fine",
    "see_record",
    "silicone_in_doubt",
    "tasks_of",
    "wait_for",
]
