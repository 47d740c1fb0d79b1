"""Operations of calls: the only writers of calls, answers, inspections, findings and work done."""

from .calls import change_call, log_call, log_report, name_unit
from .findings import change_finding, installed_part_for, record_finding
from .finishing import (
    Finished,
    Result,
    close_calls_of,
    complete_done,
    dangers_of,
    finish,
    make_safe_at,
    tasks_of,
)
from .inspections import record_no_fault, record_no_faults
from .phone_records import see_record
from .photos import add_photo
from .safety import answer_question, make_safe, note_made_safe
from .service_times import update_service_times
from .states import cancel_call, close_call, reopen_call, resume, wait_for
from .works import RecordedWork, Swap, record_work, silicone_in_doubt

__all__ = [
    "Finished",
    "RecordedWork",
    "Result",
    "Swap",
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
    "installed_part_for",
    "log_call",
    "log_report",
    "make_safe",
    "make_safe_at",
    "name_unit",
    "note_made_safe",
    "record_finding",
    "record_no_fault",
    "record_no_faults",
    "record_work",
    "reopen_call",
    "resume",
    "see_record",
    "silicone_in_doubt",
    "tasks_of",
    "update_service_times",
    "wait_for",
]
