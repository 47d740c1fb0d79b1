"""Small fleets for trying out the import: names to match, files, and what came of them."""

from __future__ import annotations

import csv
import io
from collections.abc import Mapping, Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from django.core.management import call_command

from schedules.models import MaintenanceRule, NextDue
from servicedesk.calls.models import Call, Finding, ImportedEntry, Work
from servicedesk.core.models import Batch
from servicedesk.imports import operations
from servicedesk.imports.files.columns import HISTORY, PERIODS, UNITS
from servicedesk.imports.models import InputFile
from units.models import (
    ComponentType,
    Construction,
    ConstructionPart,
    Customer,
    FailureMode,
    InstalledPart,
    ObservationPeriod,
    Ownership,
    Site,
    Unit,
)

AT = datetime(2026, 7, 29, 14, 0, tzinfo=UTC)
TODAY = AT.date()

Row = Mapping[str, Any]
COLUMNS = {InputFile.UNITS: UNITS, InputFile.PERIODS: PERIODS, InputFile.HISTORY: HISTORY}

TYPES = {
    "bare aluminum stepped track": "track",
    "flexible plastic liner": "track",
    "rigid nylon liner": "track",
    "open-channel sash": "sash",
    "enclosed sash": "sash",
    "plastic corner key": "corner",
    "metal corner key": "corner",
    "push pins with springs": "release",
    "side spring": "release",
    "clear vinyl film": "film",
    "tempered lower lite": "lite",
}
# Each construction with its types, the pieces of each, and whether so many are in each panel.
CONSTRUCTIONS: dict[tuple[str, str], list[tuple[str, int, bool]]] = {
    ("1", "stepped bare-metal track"): [
        ("bare aluminum stepped track", 2, False),
        ("open-channel sash", 1, True),
        ("push pins with springs", 1, True),
        ("clear vinyl film", 1, True),
    ],
    ("2", "flexible liner"): [
        ("flexible plastic liner", 2, False),
        ("enclosed sash", 1, True),
        ("plastic corner key", 4, True),
        ("side spring", 1, True),
        ("clear vinyl film", 1, True),
    ],
    ("3", "rigid liner"): [
        ("rigid nylon liner", 2, False),
        ("enclosed sash", 1, True),
        ("metal corner key", 4, True),
        ("side spring", 1, True),
    ],
}
MODES = {
    "TRK-01": ("track", "binds / high operating force"),
    "LIN-01": ("track", "warped / bowed"),
    "KEY-01": ("corner", "cracked"),
    "FLM-02": ("film", "clouded / hazed"),
    "FLM-05": ("film", "cracked"),
    "LIT-03": ("lite", "loose"),
    "SCR-02": ("screen", "loose"),
    "OPR-01": ("unit", "excess operating force"),
}
RULES = {
    "bare aluminum stepped track": ("lubricate the track", "lubricated"),
    "flexible plastic liner": ("wipe the liner", "cleaned"),
    "clear vinyl film": ("look over the film", "checked"),
}


def add_reference() -> None:
    """Add constructions, types, modes and care rules, as few as the tests need."""
    types = {
        row.name: row
        for row in ComponentType.objects.bulk_create(
            ComponentType(name=name, kind=kind, aliases="wavy liner; PL" if name.startswith("flex") else "")
            for name, kind in TYPES.items()
        )
    }
    for (code, name), parts in CONSTRUCTIONS.items():
        built = Construction.objects.create(code=code, name=name)
        ConstructionPart.objects.bulk_create(
            ConstructionPart(
                construction=built, component_type=types[part], pieces=pieces, each_panel=each_panel
            )
            for part, pieces, each_panel in parts
        )
    FailureMode.objects.bulk_create(
        FailureMode(code=code, kind=kind, name=name) for code, (kind, name) in MODES.items()
    )
    MaintenanceRule.objects.bulk_create(
        MaintenanceRule(component_type=types[part], name=name, work=work, interval_months=12)
        for part, (name, work) in RULES.items()
    )


def unit(code: str = "U1", **cells: Any) -> dict[str, Any]:
    """Give a row of UNITS."""
    return {
        "unit": code,
        "site": "S1",
        "construction": "2",
        "panels": 4,
        "installed_on": "2020-03-02",
    } | cells


def event(code: str = "U1", on: str = "2024-06-01", what: str = "finding", **cells: Any) -> dict[str, Any]:
    """Give a row of HISTORY."""
    mode = {} if what in ("call", "care") else {"mode": "LIN-01"}
    return {"unit": code, "on": on, "what": what} | mode | cells


def period(code: str = "U1", begins: str = "2020-03-02", ends: str = "") -> dict[str, Any]:
    """Give a row of PERIODS."""
    return {"unit": code, "from": begins, "until": ends}


def as_csv(file: InputFile, rows: Sequence[Row], *, columns: Sequence[str] = ()) -> str:
    """Write rows as a file with the columns that any of them fills, or those asked for."""
    used = columns or [name for name in COLUMNS[file].names if any(name in row for row in rows)]
    used = used or sorted(COLUMNS[file].required)
    out = io.StringIO()
    writer = csv.DictWriter(out, used, restval="")
    writer.writeheader()
    writer.writerows(rows)
    return out.getvalue()


def create_batch(
    units: Sequence[Row] | bytes | str,
    history: Sequence[Row] | bytes | str | None = None,
    periods: Sequence[Row] | bytes | str | None = None,
    **options: Any,
) -> Batch:
    """Open an import batch of these files, without working on it."""
    sent = {InputFile.UNITS: units, InputFile.HISTORY: history, InputFile.PERIODS: periods}
    files = {}
    for file, rows in sent.items():
        if rows is None:
            continue
        text = rows if isinstance(rows, bytes | str) else as_csv(file, rows)
        content = io.BytesIO(text if isinstance(text, bytes) else text.encode())
        files[file] = operations.Incoming(f"{file.value.upper()}.csv", content)
    arguments = {"keep_good": False, "care_by": "nobody", "by": None, "at": AT} | options
    return operations.create_batch(files, **arguments)


def import_files(units: Sequence[Row] | bytes | str, *args: Any, **options: Any) -> Batch:
    """Open an import batch, then stage, check and apply it as far as it goes."""
    return operations.resume(create_batch(units, *args, **options))


def told(batch: Batch) -> list[tuple[str, int, str]]:
    """List where the problems of a batch are: file, line and column."""
    return [
        (row.file.removesuffix(".csv").lower(), row.line, row.column) for row in operations.problems(batch)
    ]


def write_files(folder: Path, **rows: Sequence[Row]) -> dict[str, Path]:
    """Write units, history and periods into a folder."""
    paths = {}
    for name, lines in rows.items():
        paths[name] = folder / f"{name.upper()}.csv"
        paths[name].write_text(as_csv(InputFile(name), lines), encoding="utf-8")
    return paths


def run(paths: Mapping[str, Path], *words: str) -> str:
    """Run the command on files and answer what it printed."""
    out = io.StringIO()
    beside = [f"--{name}={path}" for name, path in paths.items() if name != "units"]
    call_command("import_fleet", str(paths["units"]), *beside, *words, stdout=out, stderr=io.StringIO())
    return out.getvalue()


def some_fleet(units: int, *, first: int = 0) -> tuple[list[Row], list[Row]]:
    """Give a fleet of a few units at a third as many sites, with three rows of history each."""
    unit_rows: list[Row] = []
    history: list[Row] = []
    for number in range(first, first + units):
        code = f"U{number:03d}"
        site = number // 3
        unit_rows.append(
            unit(
                code,
                site=f"S{site:03d}",
                customer=f"Customer Probeson {site // 2}",
                address=f"{site} Testing Lane",
                construction=str(number % 3 + 1),
                installed_on=f"20{10 + number % 10}-04-0{number % 9 + 1}",
            )
        )
        mode = "TRK-01" if number % 3 == 0 else "LIN-01"
        history += [
            event(code, "2023-05-01", "finding", mode=mode, failure="yes", repeat="yes", work="adjusted"),
            event(code, "2022-05-01", "call", mode=mode, where="panel 2", failure="yes", ref=f"c{number}"),
            event(code, "2021-05-01", "care", minutes=30),
        ]
    return unit_rows, history


def everything() -> dict[str, list[tuple[Any, ...]]]:
    """Give the values of all records that an import makes, without keys, to compare two imports."""
    tables = {
        Customer: ("name",),
        Site: ("code", "address", "postcode", "latitude", "longitude", "year_built", "care_by"),
        Ownership: ("site__code", "customer__name", "from_on", "until_on"),
        Unit: ("code", "site__code", "construction__code", "panels", "installed_on", "removed_on"),
        InstalledPart: (
            "unit__code",
            "component_type__name",
            "panel",
            "pieces",
            "lot",
            "fitted_on",
            "removed_on",
        ),
        ObservationPeriod: ("unit__code", "from_on", "until_on", "began", "ended"),
        Call: ("unit__code", "site__code", "reported_at", "state", "words", "ref"),
        Finding: (
            *(
                "unit__code",
                "mode__code",
                "found_on",
                "installed_part__component_type__name",
                "panel",
                "corner",
            ),
            *("place", "is_failure", "repeat", "continues__found_on", "call__ref", "detected", "ref"),
        ),
        Work: ("unit__code", "kind", "done_on", "minutes", "finding__found_on", "call__ref", "note"),
        ImportedEntry: ("unit__code", "key", "content"),
        NextDue: ("installed_part__unit__code", "rule__name", "counted_from", "last_done_on", "next_due_on"),
    }
    return {
        model.__name__: sorted(model._base_manager.values_list(*columns), key=repr)
        for model, columns in tables.items()
    }
