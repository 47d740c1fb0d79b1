"""Check of UNITS against its own rows and the register, a chunk at a time.

The order is periods, units, the effect of the periods on their units, history: each looks back only at what
is staged already, by key, so that memory does not grow with the file.
"""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass, field
from datetime import date

from servicedesk.core.models import Batch
from servicedesk.imports.files.columns import UNITS
from servicedesk.imports.files.names import Names
from servicedesk.imports.files.reading import Fault, Row, shown
from servicedesk.imports.files.spellings import Spellings
from servicedesk.imports.files.units_file import (
    UnitsReader,
    first_difference,
    shown_fact,
)
from servicedesk.imports.leases import PAGES_A_READING
from servicedesk.imports.models import InputFile, StagedProblem, StagedRow
from servicedesk.imports.staging.register import KnownUnit, known_units
from servicedesk.imports.staging.sites import SiteBook
from units.models import Site, Unit

State = StagedRow.State
KNOWN_NOTE = "recorded already"


@dataclass
class Verdict:
    """Result of checking a chunk: rows to stage, and earlier rows whose state changes."""

    batch: Batch
    rows: list[StagedRow] = field(default_factory=list)
    problems: list[StagedProblem] = field(default_factory=list)
    turned: defaultdict[str, list[int]] = field(default_factory=lambda: defaultdict(list))
    book: SiteBook | None = None

    def blame(self, staged: StagedRow, fault: Fault) -> None:
        """Mark a row as bad, whether it is new in this chunk or was staged before."""
        if staged.pk is not None and staged.state != State.BAD:
            self.turned[State.BAD].append(staged.pk)
        staged.state = State.BAD
        self.problems.append(
            StagedProblem(
                batch=self.batch,
                file=staged.file,
                line=staged.line,
                column=fault.column[:40],
                value=fault.value,
                reason=fault.reason,
            )
        )

    def add(self, staged: StagedRow, row: Row) -> None:
        """Stage a row with the faults it was read with."""
        self.rows.append(staged)
        for fault in row.faults:
            self.blame(staged, fault)
        if staged.state == State.BAD:
            staged.identity = ""

    def save(self) -> None:
        """Write the changed states of rows that were staged before."""
        for state, keys in self.turned.items():
            StagedRow.objects.filter(pk__in=keys).update(state=state)
        StagedProblem.objects.bulk_create(self.problems)


class UnitsCheck:
    """Reads rows of UNITS and checks them against each other, their sites and the register."""

    file = InputFile.UNITS
    rows_at_once = 80 * PAGES_A_READING

    def __init__(self, batch: Batch, names: Names, *, today: date, has_periods: bool) -> None:
        self.batch, self.names, self.has_periods = batch, names, has_periods
        self.reader = UnitsReader(names, today=today)
        self.spellings = [
            Spellings("unit", Unit.objects.values_list("code", flat=True)),
            Spellings("site", Site.objects.values_list("code", flat=True)),
        ]

    def check(self, rows: list[Row]) -> Verdict:
        """Check a chunk of rows."""
        read = [(row, self.reader.read(row)) for row in rows]
        codes = [facts["unit"] for _, facts in read if "unit" in facts]
        earlier = self._earlier(codes)
        existing = known_units(codes)
        with_periods = self._with_periods(codes)
        book = SiteBook(self.batch, [facts["site"] for _, facts in read if "site" in facts], self.names)
        verdict = Verdict(self.batch, book=book)
        for row, facts in read:
            odd = [codes.fault(facts[codes.column]) for codes in self.spellings if codes.column in facts]
            row.faults.extend(fault for fault in odd if fault)
            book.put(row, facts)
            code = facts.pop("unit", "")
            staged = StagedRow(batch_id=self.batch.pk, file=self.file, line=row.line, key=code, facts=facts)
            verdict.add(staged, row)
            if code in earlier:
                self._compare_rows(verdict, staged, earlier[code], row)
            elif code:
                earlier[code] = staged
            if code in existing and staged.state == State.NEW:
                self._compare_known(verdict, staged, existing[code], row, has_periods=code in with_periods)
        return verdict

    def _earlier(self, codes: list[str]) -> dict[str, StagedRow]:
        staged = StagedRow.objects.filter(batch=self.batch, file=self.file).of_units(codes)
        return {row.key: row for row in staged.order_by("-line")}

    def _with_periods(self, codes: list[str]) -> set[str]:
        if not self.has_periods:
            return set()
        staged = StagedRow.objects.filter(batch=self.batch, file=InputFile.PERIODS).of_units(codes)
        return set(staged.values_list("key", flat=True).distinct())

    def _compare_rows(self, verdict: Verdict, staged: StagedRow, first: StagedRow, row: Row) -> None:
        """Compare two rows of one unit; both are bad if they differ."""
        column = first_difference(staged.facts, first.facts, UNITS.names)
        if column is None:
            if staged.state == State.NEW:
                staged.state, staged.note = State.KNOWN, f"says the same as line {first.line}"
            return
        here, there = (
            shown_fact(column, facts.get(column), self.names) for facts in (staged.facts, first.facts)
        )
        reason = (
            "Unit {code} stands in line {other} too, with other words here: {other_value} there, {value} "
            "here. Take one of the two rows out, or correct the code."
        )
        value = shown(row.cells.get(column, ""))
        message = reason.format(code=staged.key, other=first.line, other_value=there, value=here)
        verdict.blame(staged, Fault(column, value, message))
        message = reason.format(code=staged.key, other=staged.line, other_value=here, value=there)
        verdict.blame(
            first, Fault(column, "" if first.facts.get(column) is None else there.strip("“”"), message)
        )

    def _compare_known(
        self, verdict: Verdict, staged: StagedRow, existing: KnownUnit, row: Row, *, has_periods: bool
    ) -> None:
        """Compare a row with the register: the same is known, changes belong on the unit's page."""
        difference = existing.difference(staged.facts, has_periods=has_periods)
        if difference is None:
            staged.state, staged.note = State.KNOWN, KNOWN_NOTE
            return
        verdict.blame(
            staged, known_fault(staged, difference, self.names, value=row.cells.get(difference[0], ""))
        )


def known_fault(
    staged: StagedRow, difference: tuple[str, object], names: Names, *, value: str | None = None
) -> Fault:
    """Fault that names the difference between a row and the register's unit."""
    column, register_value = difference
    file_value = shown_fact(column, staged.facts.get(column), names)
    reason = (
        f"The records have unit {staged.key} with {shown_fact(column, register_value, names)}, "
        f"the file says {file_value}. Change it on the unit's page, or correct the cell."
    )
    return Fault(column, shown(value if value is not None else file_value.strip("“”")), reason)
