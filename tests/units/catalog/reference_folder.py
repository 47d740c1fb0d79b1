"""A small folder of reference files that loads, for tests to change and to break."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any


def write_small_folder(folder: Path) -> Path:
    """Write the register's three files with a row or two each."""
    files: dict[str, list[dict[str, Any]]] = {
        "component_types.json": [
            {"name": "plain track", "kind": "track", "aliases": ["bare"], "source": "made up"},
            {"name": "test key", "kind": "corner", "source": "made up"},
        ],
        "constructions.json": [
            {
                "code": "9",
                "name": "test build",
                "panel_order": "stepped",
                "release": "pins",
                "step": "3/8 in",
                "inside_edge": "9.5 mm",
                "source": "made up",
                "parts": [{"component_type": "Bare", "pieces": 2}],
            }
        ],
        "failure_modes.json": [
            {
                "code": "TST-01",
                "kind": "track",
                "name": "binds",
                "skill": "helper",
                "minutes": 10,
                "hazards": ["ladder", "dust"],
                "expected_on": ["9"],
                "source": "made up",
            }
        ],
    }
    for name, rows in files.items():
        (folder / name).write_text(json.dumps(rows), encoding="utf-8")
    return folder


def change(folder: Path, file: str, *, row: int = 0, **values: Any) -> None:
    """Put other values into one row of a file."""
    path = folder / file
    rows = json.loads(path.read_text(encoding="utf-8"))
    rows[row] |= values
    path.write_text(json.dumps(rows), encoding="utf-8")
