"""Writer of the demo fleet and its records as the three import files.

This module imports no Django.
"""

from __future__ import annotations

import csv
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import date
from pathlib import Path

from servicedesk.demo.fleet import Fleet, PlannedUnit, inches
from servicedesk.demo.histories import Entry, Records

UNIT_COLUMNS = (
    *("unit", "site", "customer", "address", "postcode", "latitude", "longitude", "year_built", "place"),
    *("construction", "track", "sash", "corner", "release", "panels", "width", "height", "facing", "shade"),
    *("finish", "above_grade", "installed_on", "observed_from", "observed_until", "removed_on", "lot"),
)
HISTORY_COLUMNS = (
    *("unit", "on", "what", "mode", "where", "failure", "repeat", "work", "minutes", "note", "ref"),
)
PERIOD_COLUMNS = ("unit", "from", "until")
COMPASS = dict(zip(range(0, 360, 45), ("N", "NE", "E", "SE", "S", "SW", "W", "NW"), strict=True))


@dataclass(frozen=True, slots=True)
class DemoFiles:
    """Paths of the three files."""

    units: Path
    history: Path
    periods: Path


def write_files(fleet: Fleet, records: Records, *, folder: Path) -> DemoFiles:
    """Write UNITS, HISTORY and PERIODS into a folder, which is created if missing."""
    folder.mkdir(parents=True, exist_ok=True)
    files = DemoFiles(folder / "UNITS.csv", folder / "HISTORY.csv", folder / "PERIODS.csv")
    _write(files.units, UNIT_COLUMNS, map(_unit_row, fleet.units))
    _write(files.history, HISTORY_COLUMNS, map(_history_row, records.entries))
    _write(files.periods, PERIOD_COLUMNS, (row for unit in fleet.units for row in _period_rows(unit)))
    return files


def _write(path: Path, columns: tuple[str, ...], rows: Iterable[Mapping[str, object]]) -> None:
    with path.open("w", encoding="utf-8", newline="") as file:
        writer = csv.DictWriter(file, columns, restval="")
        writer.writeheader()
        writer.writerows(rows)


def _unit_row(unit: PlannedUnit) -> dict[str, object]:
    """Row of one unit; what the importer assumes by default stays empty."""
    site = unit.site
    return {
        "unit": unit.code,
        "site": site.code,
        "customer": site.customer.name,
        "address": site.address,
        "postcode": site.postcode,
        "latitude": f"{site.latitude:.6f}",
        "longitude": f"{site.longitude:.6f}",
        "year_built": site.year_built or "",
        "place": unit.place,
        "construction": unit.construction,
        "corner": unit.corner,
        "panels": unit.panels or "",
        "width": inches(unit.width),
        "height": inches(unit.height),
        "facing": COMPASS.get(unit.facing, unit.facing),
        "shade": unit.shade,
        "finish": unit.finish,
        "above_grade": unit.above_grade,
        "installed_on": unit.installed_on,
        "observed_from": unit.observed_from,
        "observed_until": _lapsed_for_good(unit) or "",
        "removed_on": unit.removed_on or "",
        "lot": unit.lot,
    }


def _lapsed_for_good(unit: PlannedUnit) -> date | None:
    fate = unit.site.fate
    return fate.on if fate.what == "lapsed" and fate.back_on is None else None


def _period_rows(unit: PlannedUnit) -> Iterable[dict[str, object]]:
    """Rows for each period of a unit with several follow-ups; one period is in UNITS."""
    periods = unit.periods()
    if len(periods) > 1:
        for begins, ends in periods:
            yield {"unit": unit.code, "from": begins, "until": ends or ""}


def _history_row(entry: Entry) -> dict[str, object]:
    return {
        "unit": entry.unit,
        "on": entry.on,
        "what": entry.what,
        "mode": entry.mode,
        "where": entry.where,
        "failure": _yes(entry.failure),
        "repeat": _yes(entry.repeat),
        "work": entry.work,
        "minutes": "" if entry.minutes is None else entry.minutes,
        "note": entry.note,
        "ref": entry.ref,
    }


def _yes(said: bool) -> str:
    return "yes" if said else ""
