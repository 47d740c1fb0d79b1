"""Reporting delays of failures, and the sentence about them."""

from __future__ import annotations

from collections import Counter
from typing import Final

import numpy as np

from servicedesk.core.values.words import counted
from servicedesk.reports.numerics.prediction.delays import Delays, reporting_delays
from servicedesk.reports.queries.scope import Scope
from servicedesk.reports.queries.standing import days_to_record
from servicedesk.reports.questions.selection import Selection

LATE_FINDINGS: Final = 30
"""Fewest recorded failures from which delays are estimated (our choice, no source)."""

OLD_RECORDS: Final = 20
"""Most days of finding recorded on one day; with more, older records were typed in."""

HALF_A_YEAR: Final = 182


def read_delays(selection: Selection) -> tuple[Delays | None, int]:
    """Estimate reporting delays (None with too few failures), and the day up to which records are known."""
    rows = days_to_record(Scope(selection, "component"))
    known_on = max([selection.as_of.toordinal(), *(recorded for _, recorded, _ in rows)])
    found_days = Counter(recorded for _, recorded, _ in rows)
    rows = [row for row in rows if row[1] - row[0] <= HALF_A_YEAR and found_days[row[1]] <= OLD_RECORDS]
    if sum(number for *_, number in rows) < LATE_FINDINGS:
        return None, known_on
    found_on, recorded, number = np.array(rows).T
    late = np.maximum(np.repeat(recorded - found_on, number), 0)
    return reporting_delays(late, np.repeat(known_on - found_on, number)), known_on


def late_words(delays: Delays | None) -> str:
    """Sentence on reporting delays, and on the correction for failures not recorded yet."""
    if delays is None:
        return (
            f"How late failures are written down is not known: it takes {LATE_FINDINGS} written down here "
            "within two years. The newest weeks count as they stand."
        )
    days = counted(int(delays.days_until(0.9)), "day")
    return (
        f"Nine in ten failures are written down within {days} of being found. The newest weeks are "
        "completed by the share that is usually written down by then."
    )
