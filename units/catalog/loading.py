"""Loader of component types, constructions and failure modes from files the owner can extend.

A row that is in the register already stays as the owner changed it, whatever the file says. A row is there
already when a record has its key now or had it earlier: a type or construction that the owner gave another
name is not added again under the old one.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import TypeVar

from django.db.models import Model

from servicedesk.accounts.models import User
from servicedesk.core.models import ChangedField
from servicedesk.core.rules.refusals import atomic_operation
from units.catalog.files import ReferenceRow, read_rows, refuse_shared_names
from units.models import ComponentType, Construction, ConstructionPart, FailureMode, Kind
from units.names import plain_name
from units.operations import save_new

Record = TypeVar("Record", bound=Model)

ACTION = "added from the reference files"

TYPE_FIELDS = frozenset({"name", "kind", "aliases", "note", "source"})
CONSTRUCTION_FIELDS = frozenset(
    {
        "code",
        "name",
        "aliases",
        "panel_order",
        "release",
        "step",
        "inside_edge",
        "note",
        "source",
        "parts",
    }
)
PART_FIELDS = frozenset({"component_type", "pieces", "each_panel", "optional"})
MODE_WORDS = ("mechanism", "cause", "detection", "effect", "first_aid", "spares")
MODE_FIELDS = frozenset(
    {
        "code",
        "kind",
        "name",
        *MODE_WORDS,
        "only_at_look",
        "skill",
        "persons",
        "minutes",
        "hazards",
        "expected_on",
        "source",
    }
)


@dataclass(frozen=True, slots=True)
class Loaded:
    """How many rows of a reference file were new, and how many were in the register already."""

    added: int = 0
    unchanged: int = 0


def load_reference(folder: Path, *, by: User | None, at: datetime) -> dict[str, Loaded]:
    """Load component types, constructions and failure modes: all three files, or none of them.

    Raises
    ------
    RuleViolation
        When a file is missing or says something impossible; the sentence names file, row and field.
    """
    with atomic_operation():
        return {
            "component types": load_component_types(folder / "component_types.json", by=by, at=at),
            "constructions": load_constructions(folder / "constructions.json", by=by, at=at),
            "failure modes": load_failure_modes(folder / "failure_modes.json", by=by, at=at),
        }


class KnownTypes:
    """Index of the component types of the register by their present and former names."""

    def __init__(self) -> None:
        types = list(ComponentType.objects.order_by("pk"))
        self._named = {
            former: component_type for component_type, former in former_values(types, field="name")
        }
        self._claimed: dict[tuple[str, str], ComponentType] = {}
        # Present names take precedence over former ones.
        for component_type in types:
            self.note(component_type)

    def note(self, component_type: ComponentType) -> None:
        """Add a type to the index with all its names."""
        self._named[plain_name(component_type.name)] = component_type
        for name in component_type.names():
            self._claimed.setdefault((component_type.kind, plain_name(name)), component_type)

    def find(self, name: str, *, kind: str) -> ComponentType | None:
        """Look up a type by its own name, of any kind, or by an alias within a kind."""
        return self._named.get(plain_name(name)) or self._claimed.get((kind, plain_name(name)))

    def claimant(self, alias: str, *, kind: str) -> ComponentType | None:
        """Look up the type of a kind that has a name or alias at present."""
        return self._claimed.get((kind, plain_name(alias)))

    def named_in(self, row: ReferenceRow) -> ComponentType:
        """Look up the type that a row of a construction's part or a maintenance rule names."""
        name = row.text("component_type")
        matches = {match for kind in Kind.values if (match := self.find(name, kind=kind))}
        if not matches:
            raise row.refusal(
                "component_type",
                f"“{name}” is no known component type. Mend the spelling, or add it to component_types.json.",
            )
        if len(matches) > 1:
            meant = " or ".join(sorted(f"“{component_type}”" for component_type in matches))
            raise row.refusal("component_type", f"“{name}” could be {meant}. Write the whole name.")
        return matches.pop()


def load_component_types(path: Path, *, by: User | None, at: datetime) -> Loaded:
    """Add the component types that the register does not have yet."""
    rows = read_rows(path, key=("name",), fields=TYPE_FIELDS)
    refuse_shared_names(
        (row, row.choice("kind", Kind.values), [row.text("name"), *row.texts("aliases", apart=";")])
        for row in rows
    )
    known = KnownTypes()
    added = existing = 0
    with atomic_operation():
        for row in rows:
            record = ComponentType(
                name=row.text("name"),
                kind=row.choice("kind", Kind.values),
                aliases="; ".join(row.texts("aliases", apart=";")),
                note=note_with_source(row),
            )
            if known.find(record.name, kind=record.kind):
                existing += 1
                continue
            for name in record.names():
                if other := known.claimant(name, kind=record.kind):
                    raise row.refusal(row.field_of(name), _taken(name, other))
            with row.within_rules():
                save_new(record, action=ACTION, by=by, at=at)
            known.note(record)
            added += 1
    return Loaded(added, existing)


def load_constructions(path: Path, *, by: User | None, at: datetime) -> Loaded:
    """Add the constructions that the register does not have yet, with their parts."""
    rows = read_rows(path, key=("code",), fields=CONSTRUCTION_FIELDS)
    records = [_construction(row) for row in rows]
    refuse_shared_names((row, "", record.names()) for row, record in zip(rows, records, strict=True))
    known, types = known_constructions(), KnownTypes()
    added = existing = 0
    with atomic_operation():
        for row, record in zip(rows, records, strict=True):
            parts = [(inner, _part(inner, types)) for inner in row.rows("parts", fields=PART_FIELDS)]
            _refuse_two_of_a_kind(parts)
            if plain_name(record.code) in known:
                existing += 1
                continue
            for name in record.names():
                if other := known.get(plain_name(name)):
                    raise row.refusal(row.field_of(name), _taken(name, other))
            with row.within_rules():
                save_new(record, action=ACTION, by=by, at=at)
            for inner, part in parts:
                part.construction = record
                with inner.within_rules():
                    part.full_clean()
                part.save()
            known |= {plain_name(name): record for name in record.names()}
            added += 1
    return Loaded(added, existing)


def load_failure_modes(path: Path, *, by: User | None, at: datetime) -> Loaded:
    """Add the failure modes that the register does not have yet."""
    rows = read_rows(path, key=("code",), fields=MODE_FIELDS)
    modes = list(FailureMode.objects.order_by("pk"))
    known = {code for _, code in former_values(modes, field="code")} | {plain_name(m.code) for m in modes}
    constructions = known_constructions()
    added = existing = 0
    with atomic_operation():
        for row in rows:
            record = _mode(row)
            expected = list(_expected_on(row, constructions))
            if plain_name(record.code) in known:
                existing += 1
                continue
            with row.within_rules():
                save_new(record, action=ACTION, by=by, at=at)
            record.expected_on.set(expected)
            added += 1
    return Loaded(added, existing)


def known_constructions() -> dict[str, Construction]:
    """Constructions by each of their present and former names and codes."""
    constructions = list(Construction.objects.order_by("pk"))
    named = [*former_values(constructions, field="name"), *former_values(constructions, field="code")]
    known = {former: construction for construction, former in named}
    # Present names take precedence over former ones.
    known |= {plain_name(name): record for record in constructions for name in record.names()}
    return known


def former_values(records: list[Record], *, field: str) -> Iterator[tuple[Record, str]]:
    """Former values of a field of these records from their history, as plain names."""
    if not records:
        return
    meta = records[0]._meta
    by_key = {record.pk: record for record in records}
    shown_as = next(
        str(model_field.verbose_name) for model_field in meta.concrete_fields if model_field.name == field
    )
    changes = ChangedField.objects.filter(change__subject=meta.label_lower, field=shown_as).exclude(before="")
    for key, before in changes.values_list("change__subject_id", "before"):
        if key in by_key:
            yield by_key[key], plain_name(before)


def note_with_source(row: ReferenceRow) -> str:
    """Join a row's note and its source, for records that keep both in one place."""
    return "\n".join(filter(None, (row.text_or_blank("note"), f"Source: {row.text('source')}")))


def _construction(row: ReferenceRow) -> Construction:
    return Construction(
        code=row.text("code"),
        name=row.text("name"),
        aliases="; ".join(row.texts("aliases", apart=";")),
        panel_order=row.choice("panel_order", Construction.PanelOrder.values),
        release=row.text_or_blank("release") and row.choice("release", Construction.Release.values),
        step_mm=row.length("step"),
        inside_edge_mm=row.length("inside_edge"),
        note=note_with_source(row),
    )


def _part(row: ReferenceRow, types: KnownTypes) -> ConstructionPart:
    return ConstructionPart(
        component_type=types.named_in(row),
        pieces=row.whole("pieces", otherwise=1),
        each_panel=row.yes("each_panel"),
        optional=row.yes("optional"),
    )


def _refuse_two_of_a_kind(parts: list[tuple[ReferenceRow, ConstructionPart]]) -> None:
    """Refuse two types of one kind: a new unit has one part in each slot."""
    first: dict[str, ConstructionPart] = {}
    for row, part in parts:
        other = first.setdefault(part.component_type.kind, part)
        if other is not part:
            raise row.refusal(
                "component_type",
                f"“{other.component_type}” is of the kind {other.component_type.get_kind_display()} already. "
                "List one type of each kind; others are fitted unit by unit.",
            )


def _mode(row: ReferenceRow) -> FailureMode:
    skills = {skill.name.lower(): skill for skill in FailureMode.Skill}
    return FailureMode(
        code=row.text("code"),
        kind=row.choice("kind", Kind.values),
        name=row.text("name"),
        **{field: row.text_or_blank(field) for field in MODE_WORDS},
        only_at_look=row.yes("only_at_look"),
        skill=skills[row.choice("skill", skills)],
        persons=row.whole("persons", otherwise=1),
        minutes=row.whole("minutes"),
        hazards=" ".join(row.texts("hazards", apart=" ")),
        source=row.text("source"),
    )


def _expected_on(row: ReferenceRow, known: dict[str, Construction]) -> Iterator[Construction]:
    for code in row.texts("expected_on", apart=";"):
        construction = known.get(plain_name(code))
        if construction is None:
            raise row.refusal(
                "expected_on",
                f"“{code}” is no known construction. Mend the code, or add it to constructions.json.",
            )
        yield construction


def _taken(name: str, other: ComponentType | Construction) -> str:
    return f"“{name}” stands for “{other}” already. Take it out of this row, or out of the names of that one."
