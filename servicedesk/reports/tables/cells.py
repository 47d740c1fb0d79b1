"""Cells that the CSV rows and JSON documents of several figures share."""

from __future__ import annotations

from collections.abc import Sequence
from math import isfinite
from typing import Any, Final

import numpy as np

from servicedesk.reports.curves.figure import CurveRow
from servicedesk.reports.curves.life_fits import Limits
from servicedesk.reports.questions.judgements import PER, Judged
from servicedesk.reports.rates.figure import RateRow

PER_WORDS: Final = f"{PER} item-years"


def finite(values: Sequence[float | None]) -> list[float | None]:
    return [x if x is not None and isfinite(x) else None for x in values]


def base(by: str, row: RateRow | CurveRow) -> dict[str, Any]:
    judged: Judged = row.judged
    return {
        by: row.name,
        "events": row.events,
        "items": row.items,
        "sites": row.sites,
        "item_years": row.years,
        "rate": judged.rate,
        "low": judged.low,
        "high": judged.high,
        "wide_low": judged.wide_low,
        "wide_high": judged.wide_high,
        **({"reason": judged.reason} if judged.reason else {}),
    }


def limits(estimate: Limits | None) -> dict[str, float | None] | None:
    if estimate is None:
        return None
    return dict(zip(("value", "low", "high"), (x if isfinite(x) else None for x in estimate), strict=True))


def plain(column: Any) -> list[Any] | None:
    """List of plain numbers from a column, with None for what is not finite."""
    if column is None:
        return None
    return [None if isinstance(x, float) and not isfinite(x) else x for x in np.asarray(column).tolist()]
