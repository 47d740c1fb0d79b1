"""Check of HISTORY against its units, its own rows, and earlier imports."""

from __future__ import annotations

from datetime import date

from servicedesk.calls.models import ImportedEntry
from servicedesk.core.models import Batch
from servicedesk.imports.files.history_file import (
    AboutUnit,
    HistoryReader,
    content_of,
    identity_of,
    read_code,
)
from servicedesk.imports.files.names import Names
from servicedesk.imports.files.reading import Fault, Row
from servicedesk.imports.files.units_file import Facts, panels_of, single_types
from servicedesk.imports.leases import PAGES_A_READING
from servicedesk.imports.models import InputFile, StagedRow
from servicedesk.imports.staging.register import known_units
from servicedesk.imports.staging.units import KNOWN_NOTE, State, Verdict


class HistoryCheck:
    """Reads rows of HISTORY and checks them against their units, each other and earlier imports."""

    file = InputFile.HISTORY
    rows_at_once = 240 * PAGES_A_READING

    def __init__(self, batch: Batch, names: Names, *, today: date) -> None:
        self.batch, self.names = batch, names
        self.reader = HistoryReader(names, today=today)

    def check(self, rows: list[Row]) -> Verdict:
        """Check a chunk of rows."""
        verdict = Verdict(self.batch)
        units = self._units({read_code(row) for row in rows} - {""})
        chunk = [(row, self._read(row, units)) for row in rows]
        earlier = self._earlier([staged.identity for _, staged in chunk if staged.identity])
        entries = self._entries(chunk, units)
        for row, staged in chunk:
            identity = staged.identity
            verdict.add(staged, row)
            if not staged.identity:
                continue
            if identity in earlier:
                self._compare_rows(verdict, staged, earlier[identity])
            else:
                earlier[identity] = staged
                self._compare_known(verdict, staged, entries.get(identity))
        return verdict

    def _read(self, row: Row, units: dict[str, AboutUnit | Fault]) -> StagedRow:
        code = read_code(row)
        about = units.get(code)
        facts = self.reader.read(row, about if isinstance(about, AboutUnit) else None)
        if isinstance(about, Fault):
            row.faults.append(about)
        elif about is None and code:
            reason = "This unit is neither recorded here nor in UNITS. Correct the code, or add its row."
            row.faults.append(Fault("unit", code, reason))
        identity = "" if row.faults else identity_of(code, facts)
        return StagedRow(
            batch_id=self.batch.pk, file=self.file, line=row.line, key=code, identity=identity, facts=facts
        )

    def _units(self, codes: set[str]) -> dict[str, AboutUnit | Fault]:
        """What is known of the units of a chunk, or why their rows can't be applied."""
        units: dict[str, AboutUnit | Fault] = {}
        staged = StagedRow.objects.filter(batch=self.batch, file=InputFile.UNITS).of_units(list(codes))
        for row in staged.order_by("-line"):
            if row.state == State.BAD:
                reason = f"The unit's own row, UNITS line {row.line}, is not valid. Fix that first."
                units[row.key] = Fault("unit", row.key, reason)
            elif row.state == State.NEW and row.key not in units:
                units[row.key] = self._about(row.facts)
        for code, unit in known_units(codes - units.keys(), whole=False).items():
            units[code] = unit.about()
        return units

    def _about(self, facts: Facts) -> AboutUnit:
        return AboutUnit(
            installed_on=facts["installed_on"],
            removed_on=facts.get("removed_on"),
            panels=panels_of(facts),
            kinds=lambda: self.names.kinds_of(facts.get("construction"), single_types(facts).values()),
        )

    def _earlier(self, identities: list[str]) -> dict[str, StagedRow]:
        staged = StagedRow.objects.filter(batch=self.batch, identity__in=identities).exclude(identity="")
        return {row.identity: row for row in staged.order_by("-line")}

    def _entries(
        self, chunk: list[tuple[Row, StagedRow]], units: dict[str, AboutUnit | Fault]
    ) -> dict[str, str]:
        """Natural keys of rows that were imported before, with their content then."""
        known = [about.unit_id for about in units.values() if isinstance(about, AboutUnit) and about.unit_id]
        wanted = {staged.identity for _, staged in chunk}
        entries = ImportedEntry.objects.filter(unit__in=known).values_list("key", "content")
        return {key: content for key, content in entries if key in wanted} if known else {}

    def _compare_rows(self, verdict: Verdict, staged: StagedRow, first: StagedRow) -> None:
        """Compare two rows with one natural key; both are bad if they differ."""
        if content_of(staged.facts) == content_of(first.facts):
            staged.state, staged.note = State.KNOWN, f"says the same as line {first.line}"
            return
        reason = (
            "Line {} has the same unit, day, what, mode, where and ref, but says something else. "
            "Tell the two apart with ref, or take one out."
        )
        verdict.blame(staged, Fault("ref", staged.facts.get("ref", ""), reason.format(first.line)))
        verdict.blame(first, Fault("ref", first.facts.get("ref", ""), reason.format(staged.line)))

    def _compare_known(self, verdict: Verdict, staged: StagedRow, content: str | None) -> None:
        """Compare a row with what was imported before."""
        if content is None:
            return
        if content == content_of(staged.facts):
            staged.state, staged.note = State.KNOWN, KNOWN_NOTE
            return
        reason = (
            "A row with this unit, day, what, mode, where and ref was imported before and said something "
            "else. Tell the two apart with ref, or change the record on its own page."
        )
        verdict.blame(staged, Fault("ref", staged.facts.get("ref", ""), reason))
