"""Trend of the failures of repairable parts with age.

This module imports no Django.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

import numpy as np

from servicedesk.core.values.words import counted
from servicedesk.reports.curves.life_fits import Limits
from servicedesk.reports.histories import CountingRows
from servicedesk.reports.numerics.counts.rates import design_effect
from servicedesk.reports.numerics.prediction.forecast import fit_repairs
from servicedesk.reports.numerics.survival.bootstrap import History
from servicedesk.reports.numerics.survival.trend import laplace
from servicedesk.reports.questions.judgements import SURE, TREND_FAILURES, TREND_SITES


class Direction(StrEnum):
    """Direction of the trend with age, where two tests agree on it."""

    FASTER = "failures come faster with age"
    SLOWER = "failures come more slowly with age"
    UNCLEAR = "no clear trend with age"


@dataclass(frozen=True, kw_only=True)
class TrendReading:
    """Result of two trend tests of the failures of one type, or the reason for none.

    ``p_value`` is that of Laplace's test with the design effect of sites; ``shape`` is that of a power-law
    process with its likelihood-ratio limits.
    """

    direction: Direction | None = None
    p_value: float | None = None
    shape: Limits | None = None
    reason: str = ""

    @property
    def words(self) -> str:
        """Direction in words, or the reason for none."""
        return str(self.direction) if self.direction else f"cannot tell yet: {self.reason}"


def read_trend(rows: CountingRows) -> TrendReading:
    """Test for a trend with age; it has a direction only where both tests agree."""
    number, sites = int(rows.event.sum()), int(np.unique(rows.site).size)
    if number < TREND_FAILURES or sites < TREND_SITES:
        counts = f"{counted(number, 'failure')} at {counted(sites, 'site')}"
        return TrendReading(reason=f"{counts}; a trend takes {TREND_FAILURES} at {TREND_SITES}")
    effect = design_effect(rows.event, rows.stop - rows.start, rows.site)
    try:
        fit = fit_repairs(History(rows.start, rows.stop, rows.event, rows.site))
        test = laplace(*_windows(rows), design_effect=1.0 if np.isnan(effect) else effect)
    except ValueError as error:
        return TrendReading(reason=f"it could not be calculated ({error})")
    direction = Direction.UNCLEAR
    if test.p_value <= SURE and test.statistic > 0 and fit.low > 1:
        direction = Direction.FASTER
    elif test.p_value <= SURE and test.statistic < 0 and fit.high < 1:
        direction = Direction.SLOWER
    return TrendReading(direction=direction, p_value=test.p_value, shape=(fit.shape, fit.low, fit.high))


def _windows(rows: CountingRows) -> tuple[list[np.ndarray], np.ndarray, np.ndarray]:
    """Windows of follow-up with failures, joined from adjoining rows: ages at failure, starts and stops."""
    new = np.ones(rows.item.size, dtype=np.bool_)
    new[1:] = (rows.item[1:] != rows.item[:-1]) | (rows.start[1:] != rows.stop[:-1])
    window = np.cumsum(new) - 1
    begins = np.flatnonzero(new)
    ends = np.append(begins[1:], new.size) - 1
    age, where = np.repeat(rows.stop, rows.event), np.repeat(window, rows.event)
    failed, first = np.unique(where, return_index=True)
    return np.split(age, first[1:]), rows.start[begins[failed]], rows.stop[ends[failed]]
