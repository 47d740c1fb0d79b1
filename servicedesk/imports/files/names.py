"""Look-up of constructions, component types and failure modes by the names that files use for them."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Iterable, Iterator
from functools import lru_cache
from typing import TypeVar

from servicedesk.imports.files.cells import REMEMBERED, CellError
from units.models import ComponentType, Construction, FailureMode, Kind
from units.names import plain_name

Named = TypeVar("Named", Construction, ComponentType, FailureMode)

TYPE_COLUMNS = ("track", "sash", "corner", "release")
SHOWN = 8
ON_PAGE = "an owner can add it on the page Catalog"


@lru_cache(maxsize=REMEMBERED)
def bare_name(text: str) -> str:
    """Normalized name for comparison: case, punctuation, hyphens and spaces don't count."""
    return "".join(character for character in plain_name(text) if character.isalnum())


class Names:
    """All names of the reference data, as of the start of the reading."""

    def __init__(self) -> None:
        self.constructions = {row.pk: row for row in Construction.objects.with_parts()}
        self.types = {row.pk: row for row in ComponentType.objects.all()}
        self.modes = {row.pk: row for row in FailureMode.objects.all()}
        self._kinds_built: dict[int | None, set[str]] = {
            row.pk: {part.component_type.kind for part in row.parts.all() if not part.optional}
            for row in self.constructions.values()
        }
        self._constructions = _index(
            (name, row) for row in self.constructions.values() for name in row.names()
        )
        self._types = _index((name, row) for row in self.types.values() for name in row.names())
        self._modes = _index((name, row) for row in self.modes.values() for name in _full_names(row))
        self._short_modes = _index((row.name, row) for row in self.modes.values())

    def construction(self, text: str) -> Construction:
        """Find a construction by name, code or other name."""
        matches = self._constructions.get(bare_name(text), [])
        if len(matches) == 1:
            return matches[0]
        raise CellError(_unclear("construction", matches, (row.name for row in self.constructions.values())))

    def component_type(self, kind: str) -> Callable[[str], ComponentType]:
        """Reader of a cell that contains a type of this kind."""

        def read(text: str) -> ComponentType:
            matches = self._types.get(bare_name(text), [])
            of_kind = [row for row in matches if row.kind == kind]
            if len(of_kind) == 1:
                return of_kind[0]
            if matches and not of_kind:
                raise CellError(
                    f"“{matches[0].name}” is of the kind {matches[0].get_kind_display()}, "
                    f"not {Kind(kind).label}. Move it to its own column, or correct it."
                )
            known = (row.name for row in self.types.values() if row.kind == kind)
            raise CellError(_unclear(f"type of {Kind(kind).label}", of_kind, known))

        return read

    def mode(self, kinds: Callable[[], set[str]]) -> Callable[[str], FailureMode]:
        """Reader of a cell that contains a failure mode; ``kinds`` returns which parts the unit has."""

        def read(text: str) -> FailureMode:
            name = bare_name(text)
            matches = self._modes.get(name) or self._short_modes.get(name, [])
            if len(matches) > 1:
                fitted = kinds()
                here = [row for row in matches if row.kind in fitted]
                matches = here or matches
            if len(matches) == 1:
                return matches[0]
            if matches:
                raise CellError(_unclear("failure mode", matches, [], shown=_mode_shown))
            raise CellError(_unclear("failure mode", [], map(_mode_shown, self.modes.values())))

        return read

    def kinds_of(self, construction_id: int | None, types: Iterable[int]) -> set[str]:
        """Kinds of part of a unit of this construction, with these single types."""
        kinds = {self.types[type_id].kind for type_id in types}
        return kinds | self._kinds_built.get(construction_id, set())


def _index(named: Iterable[tuple[str, Named]]) -> dict[str, list[Named]]:
    index: defaultdict[str, list[Named]] = defaultdict(list)
    for name, row in named:
        rows = index[bare_name(name)]
        if row not in rows:
            rows.append(row)
    index.pop("", None)
    return dict(index)


def _full_names(mode: FailureMode) -> Iterator[str]:
    """Names that mean one mode whatever the unit: its code, and its name with its kind."""
    yield mode.code
    yield mode.full_name
    yield f"{mode.kind}: {mode.name}"


def _mode_shown(mode: FailureMode) -> str:
    return f"{mode.code} ({mode.full_name})"


def _unclear(
    what: str, matches: list[Named], known: Iterable[str], *, shown: Callable[[Named], str] = str
) -> str:
    """Sentence for a name that is unknown or ambiguous."""
    if matches:
        return f"This name may mean {' or '.join(shown(row) for row in matches)}. Write which."
    names = sorted(known)
    listed = ", ".join(names[:SHOWN]) + (f" and {len(names) - SHOWN} more" if len(names) > SHOWN else "")
    return (
        f"This is no {what} known here. Known: {listed or 'none yet'}. Correct it; if it is right, "
        f"{ON_PAGE}, or this spelling among its other names."
    )
