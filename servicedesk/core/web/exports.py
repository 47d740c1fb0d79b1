"""Tables as CSV files that a spreadsheet can open without running anything in them."""

from __future__ import annotations

import csv
from collections.abc import Iterable, Iterator, Sequence
from itertools import chain
from typing import Any, Protocol

from django.http import HttpResponse

RISKY_STARTS = ("=", "+", "-", "@", "\t", "\r")


class Writable(Protocol):
    """Anything text can be written to."""

    def write(self, text: str, /) -> Any: ...


def defuse(cell: object) -> object:
    """Put an apostrophe before text that a spreadsheet would take for a formula; numbers stay numbers."""
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
    """Hands each written line straight on."""

    def write(self, text: str, /) -> str:
        return text


def csv_lines(header: Sequence[str], rows: Iterable[Sequence[object]]) -> Iterator[bytes]:
    """Give a table line by line, for answers too long to hold; bytes that were no text stay as they came."""
    writer = csv.writer(_Line())
    for row in chain([header], rows):
        yield writer.writerow([defuse(cell) for cell in row]).encode("utf-8", "surrogateescape")


def csv_response(name: str, header: Sequence[str], rows: Iterable[Sequence[object]]) -> HttpResponse:
    """Answer with a table as a download called ``name``."""
    answer = HttpResponse(content_type="text/csv; charset=utf-8")
    answer["Content-Disposition"] = f'attachment; filename="{name}"'
    write_table(answer, header, rows)
    return answer
