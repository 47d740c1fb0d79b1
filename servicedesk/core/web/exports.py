"""CSV exports that a spreadsheet can open without executing anything in them."""

from __future__ import annotations

import csv
from collections.abc import Iterable, Iterator, Sequence
from itertools import chain
from typing import Any, Protocol

from django.http import HttpResponse

RISKY_STARTS = ("=", "+", "-", "@", "\t", "\r")


class Writable(Protocol):
    """Protocol of anything text can be written to."""

    def write(self, text: str, /) -> Any: ...


def defuse(cell: object) -> object:
    """Prefix text that a spreadsheet would take for a formula with an apostrophe; numbers stay numbers."""
    if isinstance(cell, str) and cell.startswith(RISKY_STARTS):
        return f"'{cell}"
    return "" if cell is None else cell


def write_table(out: Writable, header: Sequence[str], rows: Iterable[Sequence[object]]) -> None:
    """Write a header and rows as RFC 4180 CSV."""
    writer = csv.writer(out)
    writer.writerow(header)
    for row in rows:
        writer.writerow([defuse(cell) for cell in row])


class _Line:
    """Writer that returns each written line."""

    def write(self, text: str, /) -> str:
        return text


def csv_lines(header: Sequence[str], rows: Iterable[Sequence[object]]) -> Iterator[bytes]:
    """Generate a table line by line, for streamed responses; undecodable bytes are passed through."""
    writer = csv.writer(_Line())
    for row in chain([header], rows):
        yield writer.writerow([defuse(cell) for cell in row]).encode("utf-8", "surrogateescape")


def csv_response(name: str, header: Sequence[str], rows: Iterable[Sequence[object]]) -> HttpResponse:
    """Streaming CSV response, downloaded as ``name``."""
    answer = HttpResponse(content_type="text/csv; charset=utf-8")
    answer["Content-Disposition"] = f'attachment; filename="{name}"'
    write_table(answer, header, rows)
    return answer
