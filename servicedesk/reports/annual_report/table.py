"""CSV rows and JSON of the annual report: one row a cell of its tables."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any, Final

from servicedesk.reports.annual_report.blocks import Heading, Paper, Points, Table, Words

PAPER_HEADER: Final = ["section", "row", "column", "value"]


def paper_rows(paper: Paper) -> Iterator[list[Any]]:
    """Iterate over the cells of the tables, each with its section, row and column."""
    section = ""
    for block in paper.blocks:
        if isinstance(block, Heading):
            section = block.words
        elif isinstance(block, Table):
            for row in block.rows:
                for column, cell in zip(block.header[1:], row[1:], strict=True):
                    yield [section, row[0], column, cell]


def paper_json(paper: Paper) -> dict[str, Any]:
    """JSON of the annual report, without its charts."""
    sections: list[dict[str, Any]] = []
    for block in paper.blocks:
        if isinstance(block, Heading):
            sections.append({"section": block.words, "words": [], "tables": []})
        elif isinstance(block, Words):
            sections[-1]["words"].append(block.words)
        elif isinstance(block, Points):
            sections[-1]["words"] += block.words
        elif isinstance(block, Table):
            rows = [dict(zip(block.header, row, strict=True)) for row in block.rows]
            sections[-1]["tables"].append(rows)
    return {
        "figure": "year",
        "title": paper.title,
        "about": paper.about,
        "rows": sections,
        "exclusions": {},
    }
