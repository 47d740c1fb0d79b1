"""Import of UNITS: writes units, each with its site, owner, parts and periods, in one transaction."""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections import defaultdict
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from datetime import date
from typing import Any, ClassVar, Generic, NamedTuple, Protocol, TypeVar

from django.db.models import Model

from servicedesk.core.models import Batch
from servicedesk.core.rules.refusals import RuleViolation
from servicedesk.imports.applying.bulk import Insert, reserve_keys
from servicedesk.imports.files.names import Names
from servicedesk.imports.files.periods_file import Period, Span, as_periods, cut_at_removal, spans_of
from servicedesk.imports.files.units_file import Facts, number_of, panels_of, single_types
from servicedesk.imports.leases import CHUNK_ROWS, Lease
from servicedesk.imports.models import InputFile, StagedRow
from servicedesk.imports.staging.periods import settle_units
from servicedesk.imports.staging.register import known_units
from servicedesk.imports.staging.site_records import SiteRecord, SiteRecords
from servicedesk.imports.staging.units import Verdict, known_fault
from servicedesk.imports.staging.unsaid_starts import UnsaidStarts
from units.models import (
    ComponentType,
    Construction,
    Customer,
    FailureMode,
    InstalledPart,
    ObservationPeriod,
    Ownership,
    Site,
    Unit,
)
from units.operations import LOT_KINDS, Extras, usual_installed_parts

# Pieces of a part that is named without a construction that has it: common practice, no source.
EACH_PANEL = {"corner": 4, "sash": 1, "release": 1}
WHOLE_UNIT = {"track": 2}

UNIT_FIELDS = (
    *("id", "code", "site_id", "place", "construction_id", "panels", "width_mm", "height_mm", "facing"),
    *("shade", "finish", "above_grade_mm", "installed_on", "removed_on", "batch_id"),
)
INSTALLED_PART_FIELDS = (
    *("unit_id", "component_type_id", "kind", "pieces", "lot", "fitted_on", "removed_on", "batch_id"),
)
PERIOD_FIELDS = ("unit_id", "from_on", "until_on", "began", "ended", "batch_id")
SITE_FIELDS = (
    *("id", "code", "address", "postcode", "latitude", "longitude", "year_built", "care_by", "batch_id"),
)


class Sized(Protocol):
    """Records of a row: how many, and the row's line."""

    line: int

    @property
    def size(self) -> int: ...


Item = TypeVar("Item", bound=Sized)


@dataclass
class Page(Generic[Item]):
    """What is to be written for a page of rows, and which of them turn out otherwise than checked."""

    rows: int
    pieces: list[Item]
    verdicts: list[Verdict]


class Writer(ABC, Generic[Item]):
    """Writer of the good rows of one file; look-ups may run ahead of the writing."""

    models: ClassVar[tuple[type[Model], ...]]

    @abstractmethod
    def prepare(self, pages: Iterable[list[StagedRow]]) -> Iterator[Page[Item]]:
        """Look up what is to be written for each page of rows; this stores nothing."""

    @abstractmethod
    def _write(self, group: Sequence[Item]) -> None:
        """Write the records of a chunk."""

    def write(self, lease: Lease, page: Page[Item]) -> None:
        """Write a page in chunks, after the verdicts on rows that are not written."""
        if page.verdicts:
            with lease.chunk():
                for verdict in page.verdicts:
                    verdict.save()
        for group in in_chunks(page.pieces):
            with lease.chunk(cursor=group[-1].line):
                self._write(group)


class Part(NamedTuple):
    """Part that units of one make have."""

    type_id: int
    kind: str
    pieces: int
    takes_lot: bool


@dataclass
class _Piece:
    """Unit with all that is written along with it."""

    line: int
    code: str
    facts: Facts
    panels: int | None
    parts: Sequence[Part]
    periods: Sequence[Period]
    site: SiteRecord
    beside: int = field(init=False)

    def __post_init__(self) -> None:
        self.beside = self.site.claim_new_records()

    @property
    def size(self) -> int:
        """Number of records."""
        return 1 + len(self.parts) + len(self.periods) + self.beside


class UnitsWriter(Writer[_Piece]):
    """Writer of the good rows of UNITS."""

    models = (Customer, Site, Ownership, Unit, InstalledPart, ObservationPeriod)

    def __init__(self, batch: Batch, names: Names) -> None:
        self.batch, self.names = batch, names
        self._starts = UnsaidStarts(batch)
        self._makes: dict[tuple[Any, ...], list[Part]] = {}
        self._customers = Insert(Customer, "id", "name", "batch_id")
        self._sites = Insert(Site, *SITE_FIELDS)
        self._ownerships = Insert(Ownership, "site_id", "customer_id", "from_on", "batch_id")
        self._units = Insert(Unit, *UNIT_FIELDS)
        self._installed_parts = Insert(InstalledPart, *INSTALLED_PART_FIELDS)
        self._periods = Insert(ObservationPeriod, *PERIOD_FIELDS)

    def prepare(self, pages: Iterable[list[StagedRow]]) -> Iterator[Page[_Piece]]:
        """Look up what is to be written for each page of rows.

        The page before may still be in writing, so its new sites and customers are taken over.
        """
        sites = None
        for rows in pages:
            good, verdicts = self._not_yet_there(rows)
            sites = SiteRecords(self.batch, {row.facts["site"] for row in good}, before=sites)
            spans = self._spans([row.key for row in good])
            pieces = [self._piece(row, sites.record(row.facts["site"]), spans[row.key]) for row in good]
            yield Page(len(rows), pieces, verdicts)

    def _not_yet_there(self, rows: list[StagedRow]) -> tuple[list[StagedRow], list[Verdict]]:
        """Leave out units that somebody else added since the check: known if the same, else bad."""
        existing = known_units([row.key for row in rows])
        if not existing:
            return rows, []
        verdict = Verdict(self.batch)
        with_periods = set(self._spans(list(existing)))
        for row in rows:
            if row.key not in existing:
                continue
            difference = existing[row.key].difference(row.facts, has_periods=row.key in with_periods)
            if difference is None:
                verdict.turned[StagedRow.State.KNOWN].append(row.pk)
            else:
                verdict.blame(row, known_fault(row, difference, self.names))
        periods = settle_units(self.batch, list(existing))
        return [row for row in rows if row.key not in existing], [verdict, periods]

    def _spans(self, codes: list[str]) -> defaultdict[str, list[Span]]:
        """Periods from PERIODS, which replace the pair of days in UNITS."""
        spans: defaultdict[str, list[Span]] = defaultdict(list)
        staged = StagedRow.objects.filter(batch=self.batch, file=InputFile.PERIODS).to_apply()
        for code, facts in staged.of_units(codes).values_list("key", "facts"):
            spans[code].append(Span(facts["from"], facts.get("until", "")))
        return spans

    def _piece(self, row: StagedRow, site: SiteRecord, spans: list[Span]) -> _Piece:
        facts: Facts = row.facts
        unsaid = not spans and self._starts.are_unsaid(facts)
        said = spans or ([self._starts.span(facts)] if unsaid else spans_of(facts))
        periods = as_periods(cut_at_removal(said, facts.get("removed_on")), facts, unsaid=unsaid)
        panels = panels_of(facts)
        return _Piece(row.line, row.key, facts, panels, self._parts(facts, panels), periods, site)

    def _parts(self, facts: Facts, panels: int | None) -> list[Part]:
        """Parts of a unit; units of one make and panel count have the same."""
        types = single_types(facts)
        make = (facts.get("construction"), panels, *types.items())
        if make not in self._makes:
            self._makes[make] = self._parts_of(facts.get("construction"), types, panels)
        return self._makes[make]

    def _parts_of(self, construction_id: int | None, types: dict[str, int], panels: int | None) -> list[Part]:
        """Parts of a make: those of its construction, and those named one by one."""
        named = {kind: still_there(self.names.types, key) for kind, key in types.items()}
        installed_parts: list[InstalledPart] = []
        usual: set[str] = set()
        if construction_id is not None:
            built = still_there(self.names.constructions, construction_id)
            usual = {part.component_type.kind for part in built.parts.all() if not part.optional}
            sample = Unit(panels=panels, installed_on=date.min)
            instead = {kind: row for kind, row in named.items() if kind in usual}
            installed_parts = usual_installed_parts(sample, built, Extras(types=instead))
        parts = [
            Part(row.component_type_id, row.kind, row.pieces, row.kind in LOT_KINDS)
            for row in installed_parts
        ]
        return parts + [_single(row, panels) for kind, row in named.items() if kind not in usual]

    def _write(self, group: Sequence[_Piece]) -> None:
        """Write a group of units with all that belongs to them."""
        self._write_sites([piece.site for piece in group if piece.beside])
        keys = reserve_keys(Unit, len(group))
        self._units.write([self._unit_row(key, piece) for key, piece in zip(keys, group, strict=True)])
        installed_parts, periods, batch_id = [], [], self.batch.pk
        for key, piece in zip(keys, group, strict=True):
            fitted_on, removed_on = day_of(piece.facts, "installed_on"), day_of(piece.facts, "removed_on")
            lot = piece.facts.get("lot", "")
            installed_parts += [
                (key, type_id, kind, pieces, lot if takes_lot else "", fitted_on, removed_on, batch_id)
                for type_id, kind, pieces, takes_lot in piece.parts
            ]
            periods += [(key, *period, batch_id) for period in piece.periods]
        self._installed_parts.write(installed_parts)
        self._periods.write(periods)

    def _write_sites(self, records: Sequence[SiteRecord]) -> None:
        """Write the sites, customers and ownerships that the register does not have yet."""
        customers = list(
            {id(row.owner): row.owner for row in records if row.owner and not row.owner.key}.values()
        )
        for customer, key in zip(customers, reserve_keys(Customer, len(customers)), strict=True):
            customer.key = key
        self._customers.write([(row.key, row.name, self.batch.pk) for row in customers])
        sites = [row for row in records if not row.key]
        for site, key in zip(sites, reserve_keys(Site, len(sites)), strict=True):
            site.key = key
        self._sites.write([self._site_row(site) for site in sites])
        self._ownerships.write(
            [(row.key, row.owner.key, row.owned_from, self.batch.pk) for row in records if row.owner]
        )

    def _site_row(self, site: SiteRecord) -> tuple[Any, ...]:
        facts = site.facts
        return (
            *(site.key, site.code, facts.get("address", ""), facts.get("postcode", "")),
            *(number_of(facts, "latitude"), number_of(facts, "longitude"), facts.get("year_built")),
            *(self.batch.care_by, self.batch.pk),
        )

    def _unit_row(self, key: int, piece: _Piece) -> tuple[Any, ...]:
        facts = piece.facts
        return (
            *(key, piece.code, piece.site.key, facts.get("place", ""), facts.get("construction")),
            *(piece.panels, number_of(facts, "width"), number_of(facts, "height"), facts.get("facing")),
            *(facts.get("shade", ""), facts.get("finish", ""), number_of(facts, "above_grade")),
            *(day_of(facts, "installed_on"), day_of(facts, "removed_on"), self.batch.pk),
        )


def _single(component_type: ComponentType, panels: int | None) -> Part:
    """Part that belongs to no construction."""
    kind = component_type.kind
    each = EACH_PANEL.get(kind)
    pieces = each * (panels or 1) if each else WHOLE_UNIT.get(kind, 1)
    return Part(component_type.pk, kind, pieces, kind in LOT_KINDS)


def day_of(facts: Facts, column: str) -> date | None:
    """Date of a fact."""
    return date.fromisoformat(facts[column]) if column in facts else None


Row = TypeVar("Row", Construction, ComponentType, FailureMode)


def in_chunks(pieces: Sequence[Item]) -> Iterator[list[Item]]:
    """Split pieces into groups of at most a chunk's records, including the batch's own row."""
    group: list[Item] = []
    size = 1
    for piece in pieces:
        if group and size + piece.size > CHUNK_ROWS:
            yield group
            group, size = [], 1
        group.append(piece)
        size += piece.size
    if group:
        yield group


def still_there(by_pk: dict[int, Row], key: int) -> Row:
    """Row of the reference data that the check found; raises where somebody has deleted it since."""
    if key not in by_pk:
        raise RuleViolation(
            "A construction, type of part or failure mode that the files name was deleted since they were "
            "checked. Undo this import, add it again, then import the files again."
        )
    return by_pk[key]
