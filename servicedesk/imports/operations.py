"""Operations that import a fleet from files: UNITS, and with it HISTORY and PERIODS.

A batch goes through these steps: `create_batch` stores the files, `stage` checks every cell into staging,
`apply` writes the good rows to the register in small chunks, `revert` deletes all of it. `resume` does
whatever comes next, also after a crash. The command and the upload page call the same functions.
"""

from servicedesk.imports.applying.reverting import Consequences, revert, revert_later
from servicedesk.imports.applying.steps import apply
from servicedesk.imports.background import enqueue_resume
from servicedesk.imports.batches import (
    approve_good_rows,
    create_batch,
    discard_batch,
    resume,
    resume_all,
    resume_later,
    stop,
)
from servicedesk.imports.files.folders import Incoming, sweep_folders
from servicedesk.imports.leases import LeaseLost, is_free
from servicedesk.imports.staging.bad_rows import (
    Problem,
    bad_rows,
    count_problems,
    problems,
    write_bad_rows,
    write_problems,
)
from servicedesk.imports.staging.rows import Progress, silent, stage
from servicedesk.imports.staging.unsaid_starts import starts_words

__all__ = [
    "Consequences",
    "Incoming",
    "LeaseLost",
    "Problem",
    "Progress",
    "apply",
    "approve_good_rows",
    "bad_rows",
    "count_problems",
    "create_batch",
    "discard_batch",
    "enqueue_resume",
    "is_free",
    "problems",
    "resume",
    "resume_all",
    "resume_later",
    "revert",
    "revert_later",
    "silent",
    "stage",
    "starts_words",
    "stop",
    "sweep_folders",
    "write_bad_rows",
    "write_problems",
]
