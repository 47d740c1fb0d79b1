"""Tables as plain text for a terminal."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Any

from servicedesk.reports.words import amount


def as_text(header: Sequence[str], rows: Iterable[Sequence[Any]]) -> str:
    """Format a table as columns of plain text, numbers right-aligned, without empty columns."""
    table = [[_shown(cell) for cell in row] for row in rows]
    used = [number for number in range(len(header)) if any(row[number] for row in table)]
    header, table = [header[i] for i in used], [[row[i] for i in used] for row in table]
    widths = [max(map(len, column)) for column in zip(header, *table, strict=True)]
    lines = [header, ["-" * width for width in widths], *table]
    return "\n".join(
        "  ".join(
            cell.rjust(width) if _is_number(cell) else cell.ljust(width)
            for cell, width in zip(line, widths, strict=True)
        ).rstrip()
        for line in lines
    )


def _shown(cell: Any) -> str:
    if cell is None:
        return ""
    if isinstance(cell, int):
        return f"{cell:,}"
    return amount(cell) if isinstance(cell, float) else str(cell)


def _is_number(cell: str) -> bool:
    return bool(cell) and cell.replace(",", "").replace(".", "").isdigit()
