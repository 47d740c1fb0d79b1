"""Import of HISTORY: writes closed calls, findings on their parts, and work done."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from datetime import UTC, date, datetime, time
from functools import lru_cache
from typing import Any, NamedTuple

from django.utils import timezone

from schedules.maintenance.reference import MAINTENANCE_WORK
from schedules.models import MaintenanceRule
from schedules.models.maintenance import WorkKind
from servicedesk.calls.models import Call, Finding, ImportedEntry, Work
from servicedesk.core.models import Batch
from servicedesk.imports.applying.bulk import Insert, reserve_keys
from servicedesk.imports.applying.units import Page, Writer, still_there
from servicedesk.imports.files.history_file import content_of
from servicedesk.imports.files.reading import Fault
from servicedesk.imports.files.units_file import Facts
from servicedesk.imports.models import InputFile, StagedRow
from servicedesk.imports.staging.units import Verdict
from units.models import FailureMode, InstalledPart, PartialRemoval, Unit

NOON = time(12)
DETECTED = {"call": Finding.Detected.CALLED.value, "care": Finding.Detected.MAINTENANCE.value}
USUAL_MAINTENANCE = "Whole usual care"


@dataclass(frozen=True, slots=True)
class Part:
    """Part in its slot, with what a finding must know of it."""

    pk: int
    kind: str
    panel: int
    type_id: int
    fitted_on: date
    removed_on: date | None
    left: tuple[tuple[int, date], ...] = ()

    def was_there(self, on: date) -> bool:
        """Return whether the part was in place on a day, including the day of its removal."""
        return self.fitted_on <= on and (self.removed_on is None or self.removed_on >= on)


def part_on(parts: Iterable[Part], *, kind: str, panel: int | None, on: date) -> Part | None:
    """Part on which a fault of a kind was found that day, by the same rule as `installed_part_for`.

    The panel's own part comes before the whole unit's; on the day of a replacement the removed part
    counts; once pieces of the panel have left the whole unit's part, that part no longer counts.
    """
    known = [part for part in parts if part.kind == kind and part.was_there(on)]
    if panel is not None:
        known = [part for part in known if part.panel in (InstalledPart.WHOLE, panel)]
        known = [part for part in known if not any(at == panel and day < on for at, day in part.left)]
    known = [part for part in known if part.fitted_on < on] or known
    if panel is None and len(known) > 1:
        known = [part for part in known if part.panel == InstalledPart.WHOLE]
    return max(known, key=lambda part: part.panel, default=None)


class At(NamedTuple):
    """Keys of a unit and its site."""

    pk: int
    site_id: int


CALL_FIELDS = (
    *("id", "site_id", "unit_id", "reported_at", "closed_at", "state", "words", "ref", "batch_id"),
)
FINDING_FIELDS = (
    *("id", "call_id", "unit_id", "installed_part_id", "mode_id", "found_on", "panel", "corner", "place"),
    *("is_failure", "detected", "repeat", "note", "ref", "batch_id"),
)
WORK_FIELDS = (
    *(
        "call_id",
        "finding_id",
        "unit_id",
        "installed_part_id",
        "kind",
        "done_on",
        "minutes",
        "pieces",
        "note",
    ),
    *("ref", "batch_id"),
)

Cells = tuple[Any, ...]


@dataclass
class _Piece:
    """Records that one row of history makes, without their keys."""

    line: int
    entry: Cells
    call: Cells | None = None
    finding: Cells | None = None
    works: list[Cells] = field(default_factory=list)

    @property
    def size(self) -> int:
        """Number of records."""
        return 1 + len(self.works) + (self.call is not None) + (self.finding is not None)


class HistoryWriter(Writer[_Piece]):
    """Writer of the good rows of HISTORY."""

    models = (Call, Finding, Work, ImportedEntry)

    def __init__(self, batch: Batch) -> None:
        self.batch = batch
        self.modes = {mode.pk: mode for mode in FailureMode.objects.all()}
        self.maintenance_of: defaultdict[int, set[str]] = defaultdict(set)
        for type_id, work in MaintenanceRule.objects.active().values_list("component_type_id", "work"):
            self.maintenance_of[type_id].add(work)
        self._calls = Insert(Call, *CALL_FIELDS)
        self._findings = Insert(Finding, *FINDING_FIELDS)
        self._works = Insert(Work, *WORK_FIELDS)
        self._entries = Insert(ImportedEntry, "unit_id", "key", "content", "batch_id")

    def prepare(self, pages: Iterable[list[StagedRow]]) -> Iterator[Page[_Piece]]:
        """Look up what is to be written for each page of rows."""
        for rows in pages:
            existing = Unit.objects.filter(code__in={row.key for row in rows})
            units = {code: At(*keys) for code, *keys in existing.values_list("code", "pk", "site_id")}
            good, verdicts = self._still_good(rows, units)
            parts = self._parts(good, units)
            pieces = [self._piece(row, units[row.key], parts[units[row.key].pk]) for row in good]
            yield Page(len(rows), pieces, verdicts)

    def _write(self, group: Sequence[_Piece]) -> None:
        """Write the records of a group of rows, each under a reserved key."""
        call_keys = iter(reserve_keys(Call, sum(piece.call is not None for piece in group)))
        finding_keys = iter(reserve_keys(Finding, sum(piece.finding is not None for piece in group)))
        calls, findings, works = [], [], []
        for piece in group:
            call_key = finding_key = None
            if piece.call is not None:
                call_key = next(call_keys)
                calls.append((call_key, *piece.call))
            if piece.finding is not None:
                finding_key = next(finding_keys)
                findings.append((finding_key, call_key, *piece.finding))
            works += [(call_key, finding_key, *work) for work in piece.works]
        self._calls.write(calls)
        self._findings.write(findings)
        self._works.write(works)
        self._entries.write([piece.entry for piece in group])

    def _still_good(
        self, rows: list[StagedRow], units: dict[str, At]
    ) -> tuple[list[StagedRow], list[Verdict]]:
        """Leave out rows whose unit was not imported, and those that another import wrote meanwhile."""
        staged = StagedRow.objects.filter(batch=self.batch, file=InputFile.UNITS)
        lines = staged.of_units([row.key for row in rows]).values_list("key", "line", "state")
        bad = {key: line for key, line, state in lines if state == StagedRow.State.BAD}
        wanted = {row.identity for row in rows}
        entries = ImportedEntry.objects.filter(unit__in=[unit.pk for unit in units.values()])
        contents = {key: content for key, content in entries.values_list("key", "content") if key in wanted}
        if not bad and not contents and len(units) == len({row.key for row in rows}):
            return rows, []
        verdict, good = Verdict(self.batch), []
        for row in rows:
            if row.key in bad or row.key not in units:
                where = f", UNITS line {bad[row.key]}," if row.key in bad else ""
                verdict.blame(
                    row, Fault("unit", row.key, f"The unit{where} was not imported. Fix that first.")
                )
            elif row.identity not in contents:
                good.append(row)
            elif contents[row.identity] == content_of(row.facts):
                verdict.turned[StagedRow.State.KNOWN].append(row.pk)
            else:
                reason = "Somebody else has imported this row meanwhile with other content. Correct it there."
                verdict.blame(row, Fault("ref", row.facts.get("ref", ""), reason))
        return good, [verdict]

    def _parts(self, rows: list[StagedRow], units: dict[str, At]) -> defaultdict[int, list[Part]]:
        """Look up the parts that findings and maintenance of these rows may belong to."""
        kinds = {still_there(self.modes, row.facts["mode"]).kind for row in rows if "mode" in row.facts}
        found_at = {units[row.key].pk for row in rows if "mode" in row.facts}
        cared_for = {units[row.key].pk for row in rows if _is_usual_maintenance(row.facts)}
        left: defaultdict[int, list[tuple[int, date]]] = defaultdict(list)
        for installed_part, panel, day in PartialRemoval.objects.filter(
            installed_part__unit__in=found_at | cared_for
        ).values_list("installed_part_id", "panel", "left_on"):
            left[installed_part].append((panel, day))
        parts: defaultdict[int, list[Part]] = defaultdict(list)
        columns = ("unit_id", "pk", "kind", "panel", "component_type_id", "fitted_on", "removed_on")
        # Two plain look-ups by unit: SQLite would scan the whole table for the two joined by OR.
        for fitted in (
            InstalledPart.objects.filter(unit__in=cared_for),
            InstalledPart.objects.filter(unit__in=found_at - cared_for, kind__in=kinds),
        ):
            for unit_id, pk, kind, panel, type_id, fitted_on, removed_on in fitted.order_by(
                "fitted_on", "pk"
            ).values_list(*columns):
                part = Part(pk, kind, panel, type_id, fitted_on, removed_on, tuple(left.get(pk, ())))
                parts[unit_id].append(part)
        return parts

    def _piece(self, row: StagedRow, unit: At, parts: Sequence[Part]) -> _Piece:
        facts: Facts = row.facts
        on = date.fromisoformat(facts["on"])
        piece = _Piece(row.line, (unit.pk, row.identity, content_of(facts), self.batch.pk))
        if facts["what"] == "call":
            piece.call = self._call(unit, on, facts)
        part_id = None
        if "mode" in facts:
            kind = self.modes[facts["mode"]].kind
            part = part_on(parts, kind=kind, panel=facts.get("panel"), on=on)
            part_id = part.pk if part else None
            piece.finding = self._finding(unit, on, facts, part_id)
        kinds = self._usual_kinds(parts, on) if _is_usual_maintenance(facts) else facts.get("work", [])
        noted = bool(piece.call or piece.finding)
        piece.works = self._works_of(unit, on, facts, kinds, part_id=part_id, noted=noted)
        return piece

    def _call(self, unit: At, on: date, facts: Facts) -> Cells:
        """Call of a row, closed long ago; the hour is not known, noon stands for it."""
        reported_at = min(noon_of(on), self.batch.started_at)
        words = "" if "mode" in facts else _note_of(facts)
        state = Call.State.COMPLETED.value
        return (
            unit.site_id,
            unit.pk,
            reported_at,
            reported_at,
            state,
            words,
            facts.get("ref", ""),
            self.batch.pk,
        )

    def _finding(self, unit: At, on: date, facts: Facts, part_id: int | None) -> Cells:
        """Finding of a row."""
        return (
            *(unit.pk, part_id, facts["mode"], on, facts.get("panel"), facts.get("corner", "")),
            *(facts.get("place", ""), facts.get("failure", False), DETECTED.get(facts["what"], "")),
            *(facts.get("repeat", False), facts.get("note", ""), facts.get("ref", ""), self.batch.pk),
        )

    def _works_of(
        self, unit: At, on: date, facts: Facts, kinds: Sequence[str], *, part_id: int | None, noted: bool
    ) -> list[Cells]:
        """Work done of a row; the minutes go to the first, so that they are counted once.

        Maintenance belongs to the whole unit, other work to the part with the fault. Maintenance without a
        description is the whole usual maintenance: a piece of work for each kind that the maintenance rules
        of the parts ask for, so that each of those rules finds it.
        """
        usual = USUAL_MAINTENANCE if _is_usual_maintenance(facts) else ""
        first = ". ".join(filter(None, [usual, "" if noted else _note_of(facts)]))
        at_part = None if facts["what"] == "care" else part_id
        ref, batch_id, replaced = facts.get("ref", ""), self.batch.pk, WorkKind.REPLACED.value
        return [
            (
                *(unit.pk, at_part, kind, on, None if number else facts.get("minutes")),
                *(int(kind == replaced), usual if number else first, ref, batch_id),
            )
            for number, kind in enumerate(kinds)
        ]

    def _usual_kinds(self, parts: Sequence[Part], on: date) -> list[str]:
        """Kinds of work that the maintenance rules ask for on the parts of that day; at least a check."""
        required = {
            work for part in parts if part.was_there(on) for work in self.maintenance_of[part.type_id]
        }
        return [kind.value for kind in MAINTENANCE_WORK if kind in required] or [WorkKind.CHECKED.value]


@lru_cache(maxsize=10_000)
def noon_of(on: date) -> datetime:
    """Noon of a day in the company's time zone."""
    return timezone.make_aware(datetime.combine(on, NOON)).astimezone(UTC)


def _is_usual_maintenance(facts: Facts) -> bool:
    return facts.get("what") == "care" and "work" not in facts


def _note_of(facts: Facts) -> str:
    """Notes and place of a row that makes no finding."""
    place = facts.get("place") or (f"panel {facts['panel']}" if "panel" in facts else "")
    corner = f"corner {facts['corner']}" if "corner" in facts else ""
    where = " ".join(filter(None, [place, corner]))
    return " · ".join(filter(None, [facts.get("note", ""), where]))
