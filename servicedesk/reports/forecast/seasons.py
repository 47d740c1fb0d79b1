"""Seasonal distribution of failures over the months of the year, by kind of part."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date
from typing import Final

import numpy as np

from servicedesk.reports.forecast.year import MONTH, MONTHS
from servicedesk.reports.histories import Histories, Window
from servicedesk.reports.questions.judgements import DAYS_PER_YEAR
from servicedesk.reports.rates.figure import RateRow

EVEN: Final = 2.0
"""Pseudocount of failures added to every calendar month, so that few failures make no season (our choice, no
source)."""


def seasons_of(
    histories: Histories, rates: Sequence[RateRow], window: Window, *, last: date
) -> dict[str, np.ndarray]:
    """Failures of each kind of part by calendar month, over whole years, plus the pseudocount `EVEN`."""
    place = {row.key: row.family for row in rates}
    family = [place.get(key, "") for key in histories.groups]
    fitted = dict(zip(histories.item.tolist(), histories.fitted.tolist(), strict=True))
    group = dict(zip(histories.item.tolist(), histories.group.tolist(), strict=True))
    first = max([window.after, *([min(fitted.values())] if fitted else [])])
    years = int((window.last - first) // DAYS_PER_YEAR)
    begin = window.last - int(years * DAYS_PER_YEAR)
    counts = {row.family: np.full(MONTHS, EVEN) for row in rates}
    for item, age, count in zip(
        histories.event_item.tolist(),
        histories.event_age.tolist(),
        histories.event_count.tolist(),
        strict=True,
    ):
        day = fitted[item] + age
        if begin < day <= window.last:
            counts[family[group[item]]][date.fromordinal(day).month - 1] += count
    return counts


def month_after(day: date, number: int) -> date:
    """Middle of the month that begins ``number`` months after a day, to name it by."""
    return date.fromordinal(day.toordinal() + 1 + int((number + 0.5) * MONTH))
