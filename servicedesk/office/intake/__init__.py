"""Bringing a fleet in from files: UNITS, and beside it HISTORY and PERIODS.

The way of a batch: `open_batch` keeps the files, `stage` checks every cell into staging, `apply` writes the
good rows to the register in small chunks, `undo` takes all of it back. `go_on` does whatever comes next, also
after a crash. The command and the upload page are two doors to the same functions.
"""

from servicedesk.office.intake.applying import apply
from servicedesk.office.intake.background import ask_to_go_on
from servicedesk.office.intake.bad_rows import (
    Problem,
    bad_rows,
    count_problems,
    problems,
    write_bad_rows,
    write_problems,
)
from servicedesk.office.intake.batches import (
    apply_good_rows,
    forget_batch,
    go_on,
    go_on_later,
    go_on_with_all,
    open_batch,
    stop,
)
from servicedesk.office.intake.folders import Incoming, sweep_folders
from servicedesk.office.intake.holds import HoldLost, is_free
from servicedesk.office.intake.staging import Progress, silent, stage
from servicedesk.office.intake.undoing import Consequences, undo, undo_later
from servicedesk.office.intake.unsaid_starts import starts_words

__all__ = [
    "Consequences",
    "HoldLost",
    "Incoming",
    "Problem",
    "Progress",
    "apply",
    "apply_good_rows",
    "ask_to_go_on",
    "bad_rows",
    "count_problems",
    "forget_batch",
    "go_on",
    "go_on_later",
    "go_on_with_all",
    "is_free",
    "open_batch",
    "problems",
    "silent",
    "stage",
    "starts_words",
    "stop",
    "sweep_folders",
    "undo",
    "undo_later",
    "write_bad_rows",
    "write_problems",
]
