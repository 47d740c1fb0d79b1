"""Check of PERIODS: each row by itself, then all of a unit together, once its row of UNITS is known."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from datetime import date
from itertools import groupby

from servicedesk.core.models import Batch
from servicedesk.imports.files.periods_file import Span, cut_at_removal, faults_between, read_period
from servicedesk.imports.files.reading import Fault, Row
from servicedesk.imports.files.units_file import Facts
from servicedesk.imports.leases import PAGES_A_READING
from servicedesk.imports.models import InputFile, StagedRow
from servicedesk.imports.staging.register import KnownUnit, known_units
from servicedesk.imports.staging.units import State, Verdict


class PeriodsCheck:
    """Reads rows of PERIODS; consistency is checked when all of them are known."""

    file = InputFile.PERIODS
    rows_at_once = 240 * PAGES_A_READING

    def __init__(self, batch: Batch, *, today: date) -> None:
        self.batch, self.today = batch, today

    def check(self, rows: list[Row]) -> Verdict:
        """Check each row by itself."""
        verdict = Verdict(self.batch)
        for row in rows:
            facts = read_period(row, today=self.today)
            key = facts.pop("unit", "")
            staged = StagedRow(batch=self.batch, file=self.file, line=row.line, key=key, facts=facts)
            verdict.add(staged, row)
        return verdict


def settle_periods(batch: Batch, *, units_at_once: int = 50) -> Iterator[Verdict]:
    """Check the periods of each unit against each other, its row of UNITS, and the register."""
    last = ""
    staged = StagedRow.objects.filter(batch=batch, file=InputFile.PERIODS).exclude(key="")
    while codes := list(
        staged.filter(key__gt=last).order_by("key").values_list("key", flat=True).distinct()[:units_at_once]
    ):
        yield settle_units(batch, codes)
        last = codes[-1]


def settle_units(batch: Batch, codes: list[str]) -> Verdict:
    """Check the periods of some units against each other, their rows of UNITS, and the register."""
    verdict = Verdict(batch)
    rows = StagedRow.objects.filter(batch=batch).of_units(codes)
    units: dict[str, StagedRow] = {}
    for unit in rows.filter(file=InputFile.UNITS).order_by("-line"):
        if unit.key not in units or unit.state != State.KNOWN:
            units[unit.key] = unit
    existing = known_units(codes)
    periods = rows.filter(file=InputFile.PERIODS).order_by("key", "line")
    for code, group in groupby(periods.iterator(), key=lambda row: row.key):
        _settle_unit(verdict, code, list(group), units.get(code), existing.get(code))
    return verdict


def _settle_unit(
    verdict: Verdict, code: str, rows: list[StagedRow], unit: StagedRow | None, existing: KnownUnit | None
) -> None:
    """Check the periods of one unit."""
    if unit is not None and unit.state == State.BAD:
        fault = Fault(
            "unit", code, f"The unit's own row, UNITS line {unit.line}, is not valid. Fix that first."
        )
    elif unit is None and existing is None:
        fault = Fault("unit", code, "This unit is neither recorded here nor in UNITS. Correct the code.")
    else:
        fault = None
    if fault is not None:
        for row in rows:
            verdict.blame(row, fault)
        return
    facts = existing.facts if existing is not None else unit.facts if unit is not None else {}
    _settle_spans(verdict, rows, facts)
    bad = next((row for row in rows if row.state == State.BAD), None)
    if existing is not None:
        if bad is None:
            _settle_known(verdict, code, rows, existing)
    elif bad is not None and unit is not None:
        reason = f"A row of the unit's periods, PERIODS line {bad.line}, is not valid. Fix that first."
        verdict.blame(unit, Fault("unit", code, reason))
        for row in rows:
            if row.state != State.BAD:
                verdict.blame(row, Fault("unit", code, reason))


def _settle_spans(verdict: Verdict, rows: list[StagedRow], facts: Facts) -> None:
    """Check the periods of one unit against each other and against the unit's own days."""
    by_line = {row.line: row for row in rows}
    spans = _spans(row for row in rows if row.state != State.BAD)
    faults = faults_between(spans, installed_on=facts["installed_on"], removed_on=facts.get("removed_on"))
    for span, column, reason in faults:
        row = by_line[span.line]
        verdict.blame(row, Fault(column, row.facts.get(column, row.key), reason))


def _settle_known(verdict: Verdict, code: str, rows: list[StagedRow], existing: KnownUnit) -> None:
    """Compare the periods of a unit with those in the register."""
    spans = cut_at_removal(_spans(rows), existing.facts.get("removed_on"))
    if sorted((span.begins, span.ends) for span in spans) == [
        (span.begins, span.ends) for span in existing.spans
    ]:
        verdict.turned[State.KNOWN] += [row.pk for row in rows]
        return
    has = (
        ", ".join(f"from {span.begins} until {span.ends or 'now'}" for span in existing.spans) or "no periods"
    )
    reason = f"There are other periods on record for this unit: {has}. Change them on the unit's page."
    for row in rows:
        verdict.blame(row, Fault("from", row.facts["from"], reason))


def _spans(rows: Iterable[StagedRow]) -> list[Span]:
    return [Span(row.facts["from"], row.facts.get("until", ""), row.line) for row in rows]
