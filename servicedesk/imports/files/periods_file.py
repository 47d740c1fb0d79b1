"""Reader of PERIODS: the observation periods of a unit."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from itertools import pairwise
from typing import NamedTuple

from servicedesk.imports.files import cells
from servicedesk.imports.files.cells import CellReader
from servicedesk.imports.files.columns import PERIODS
from servicedesk.imports.files.reading import Row
from servicedesk.imports.files.units_file import Facts
from units.models import ObservationPeriod

MOST = 100
"""Most periods of one unit: more are an error in the file."""


@dataclass(frozen=True, slots=True)
class Span:
    """Observation period of a file or the register, both days in ISO form ("" for still under follow-up)."""

    begins: str
    ends: str
    line: int = 0

    @property
    def until(self) -> str:
        """End of the period, or a day after all others."""
        return self.ends or "9999-12-31"


def read_period(row: Row, *, today: date) -> Facts:
    """Read a row of PERIODS into facts."""
    taker = CellReader(row, PERIODS.required)
    facts: Facts = {}
    unit = taker.take("unit", cells.words(40))
    begins = taker.take("from", cells.day(today))
    ends = taker.take("until", cells.any_day)
    if unit is not None:
        facts["unit"] = unit
    if begins is not None and ends is not None and ends < begins:
        taker.fault("until", f"Watching can't have ended before it began on {begins}. Check the two days.")
    if begins is not None:
        facts["from"] = begins.isoformat()
    if ends is not None:
        facts["until"] = ends.isoformat()
    return facts


def faults_between(
    spans: Sequence[Span], *, installed_on: str, removed_on: str | None
) -> list[tuple[Span, str, str]]:
    """Invalid periods of one unit, each with its column and reason."""
    if len(spans) > MOST:
        return [(spans[MOST], "unit", f"A unit has at most {MOST} periods. Join those that belong together.")]
    faults = []
    for span in spans:
        if span.begins < installed_on:
            faults.append((span, "from", f"The unit was installed later, on {installed_on}. Check the day."))
        elif removed_on is not None and span.begins > removed_on:
            faults.append((span, "from", f"The unit was removed before, on {removed_on}. Check the day."))
    ordered = sorted(spans, key=lambda span: (span.begins, span.until, span.line))
    for earlier, later in pairwise(ordered):
        if later.begins < earlier.until or later.begins == earlier.begins:
            reason = (
                f"This period overlaps the one in line {earlier.line} (from {earlier.begins} "
                f"until {earlier.ends or 'now'}). Correct one of the two, or join them."
            )
            faults.append((later, "from", reason))
    return faults


def cut_at_removal(spans: Sequence[Span], removed_on: str | None) -> list[Span]:
    """End an open period on the day the unit was removed, as the register does."""
    if removed_on is None:
        return list(spans)
    return [Span(span.begins, min(span.until, removed_on), span.line) for span in spans]


def spans_of(facts: Mapping[str, str]) -> list[Span]:
    """The one observation period of a row of UNITS."""
    begins = facts.get("observed_from", facts["installed_on"])
    return [Span(begins, facts.get("observed_until", ""))]


class Period(NamedTuple):
    """Observation period as it is stored."""

    from_on: date
    until_on: date | None
    began: str
    ended: str


def as_periods(spans: Sequence[Span], facts: Mapping[str, str], *, unsaid: bool = False) -> list[Period]:
    """Periods to store, with the reason why each began and ended; it follows from the days of the unit.

    ``unsaid`` means that the beginning is not given but assumed (`unsaid_starts`).
    """
    removed_on, fitted = facts.get("removed_on"), facts["installed_on"]
    periods: list[Period] = []
    for span in sorted(spans, key=lambda span: (span.begins, span.until)):
        began = ObservationPeriod.Began.AGREED
        if unsaid:
            began = ObservationPeriod.Began.UNSAID
        elif not periods:
            began = (
                ObservationPeriod.Began.FITTED
                if span.begins == fitted
                else ObservationPeriod.Began.TAKEN_OVER
            )
        ended = ObservationPeriod.Ended.OPEN
        if span.ends:
            gone = span.ends == removed_on
            ended = ObservationPeriod.Ended.REMOVED if gone else ObservationPeriod.Ended.LAPSED
        until_on = date.fromisoformat(span.ends) if span.ends else None
        periods.append(Period(date.fromisoformat(span.begins), until_on, began.value, ended.value))
    return periods
