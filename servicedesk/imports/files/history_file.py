"""Reader of HISTORY: something reported, found or done at a unit on a day."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import date
from functools import lru_cache
from typing import Any

from servicedesk.core.values.words import count
from servicedesk.imports.files import cells
from servicedesk.imports.files.cells import REMEMBERED, CellReader
from servicedesk.imports.files.columns import HISTORY
from servicedesk.imports.files.names import Names
from servicedesk.imports.files.reading import Row
from servicedesk.imports.files.units_file import Facts

WHAT = ("call", "finding", "care")


@dataclass(frozen=True, slots=True)
class AboutUnit:
    """What a history row must agree with: the days, panels and parts of its unit."""

    installed_on: str
    removed_on: str | None
    panels: int | None
    kinds: Callable[[], set[str]]
    unit_id: int | None = None


def read_code(row: Row) -> str:
    """Read the unit's code of a row; "" where the cell is empty or can't be read."""
    code = " ".join(row.cells.get("unit", "").split())
    return code if len(code) <= 40 else ""


class HistoryReader:
    """Reader of rows of HISTORY into facts."""

    def __init__(self, names: Names, *, today: date) -> None:
        self.names = names
        self._readers = _readers(today)

    def read(self, row: Row, about: AboutUnit | None) -> Facts:
        """Read a row; ``about`` is None where its unit is in question anyway."""
        taker = CellReader(row, HISTORY.required)
        facts: Facts = {}
        for column in HISTORY.names:
            if column not in row.cells:
                continue
            read = (
                self.names.mode(about.kinds if about else set) if column == "mode" else self._readers[column]
            )
            value: Any = taker.take(column, read)
            if column == "where":
                facts |= value or {}
            elif value or (column == "minutes" and value is not None):
                facts[column] = value.pk if column == "mode" else value
        facts.pop("unit", None)
        _check_together(taker, facts)
        if about is not None:
            _check_against_unit(taker, facts, about)
        return facts


def _readers(today: date) -> dict[str, Callable[[str], Any]]:
    """Readers by column, except for the mode; parsed values are cached."""
    day = cells.day(today)
    often: dict[str, Callable[[str], Any]] = {
        "on": lambda text: day(text).isoformat(),
        "what": cells.choice(WHAT),
        "where": _stored_place,
        "minutes": cells.whole(0, 1440, "Minutes"),
    }
    return {
        "unit": cells.words(40),
        **{column: lru_cache(maxsize=REMEMBERED)(read) for column, read in often.items()},
        "failure": cells.yes_no,
        "repeat": cells.yes_no,
        "work": cells.works,
        "note": cells.lines,
        "ref": cells.words(60),
    }


def _stored_place(text: str) -> Facts:
    return {
        name: said for name, said in zip(("panel", "corner", "place"), cells.place(text), strict=True) if said
    }


def _check_together(taker: CellReader, facts: Facts) -> None:
    """Refuse cells that contradict each other."""
    has_mode = "mode" in facts or taker.is_broken("mode")
    if not has_mode and facts.get("failure"):
        taker.fault("mode", "A failure needs its mode. Fill it in, or say no in the column failure.")
    elif not has_mode and facts.get("repeat"):
        taker.fault("mode", "The same fault as before needs its mode. Fill it in, or say no in repeat.")
    elif not has_mode and facts.get("what") == "finding":
        taker.fault("mode", "A finding needs its mode. Fill it in; a unit only looked after is care.")
    has_work = "work" in facts or taker.is_broken("work") or facts.get("what") == "care"
    if facts.get("minutes") and not has_work:
        taker.fault("work", "Say what the minutes went into, such as repaired or checked, or leave them out.")


def _check_against_unit(taker: CellReader, facts: Facts, about: AboutUnit) -> None:
    """Refuse days on which the unit was not there, and panels it does not have."""
    on, most = facts.get("on"), about.panels
    if on is not None and on < about.installed_on:
        taker.fault("on", f"The unit was installed later, on {about.installed_on}. Check the two days.")
    elif on is not None and about.removed_on is not None and on > about.removed_on:
        taker.fault("on", f"The unit was removed before, on {about.removed_on}. Check the two days.")
    if facts.get("panel", 0) > (most or 12):
        has = f"The unit has {count(most, 'panel')}" if most else "A unit has at most 12 panels"
        taker.fault("where", f"{has}; there is no panel {facts['panel']}. Correct the panel.")


def identity_of(code: str, facts: Mapping[str, Any]) -> str:
    """Natural key of a row: its unit's code, with a digest of day, what, mode, where and reference.

    It begins with the unit's code, so that rows of one unit are adjacent in an index, and a file in the
    order of its units is stored sequentially.
    """
    columns = ("on", "what", "mode", "panel", "corner", "place", "ref")
    return f"{code}:{_digest([_folded(facts.get(column)) for column in columns])}"


def content_of(facts: Mapping[str, Any]) -> str:
    """Digest of a row's other columns, to detect the same row with other content."""
    columns = ("failure", "repeat", "work", "minutes", "note")
    return _digest([facts.get(column) for column in columns])


def _folded(value: Any) -> Any:
    return value.casefold() if isinstance(value, str) else value


def _digest(parts: list[Any]) -> str:
    return hashlib.blake2b(json.dumps(parts).encode(), digest_size=10).hexdigest()
