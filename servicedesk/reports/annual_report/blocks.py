"""Blocks of a printed document. This module imports no Django."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import ClassVar


@dataclass(frozen=True)
class Heading:
    """Heading of a section; ``address`` is the URL of the page with the same figure."""

    kind: ClassVar[str] = "heading"
    words: str
    address: str = ""


@dataclass(frozen=True)
class Words:
    """Paragraph; ``lead`` marks the sentence that answers the question of a section."""

    kind: ClassVar[str] = "words"
    words: str
    lead: bool = False


@dataclass(frozen=True)
class Points:
    """Bulleted list of short sentences."""

    kind: ClassVar[str] = "points"
    words: Sequence[str]


@dataclass(frozen=True)
class Pictures:
    """Row of charts, as SVG."""

    kind: ClassVar[str] = "pictures"
    svgs: Sequence[str]


@dataclass(frozen=True)
class Table:
    """Table of text cells below a header; ``numbers`` are the right-aligned columns."""

    kind: ClassVar[str] = "table"
    header: Sequence[str]
    rows: Sequence[Sequence[str]]
    numbers: frozenset[int] = field(default_factory=frozenset)

    @property
    def labeled(self) -> list[list[tuple[str, str, bool]]]:
        """Rows of cells, each with its column header and whether it is a number."""
        return [
            [
                (head, cell, place in self.numbers)
                for place, (head, cell) in enumerate(zip(self.header, row, strict=True))
            ]
            for row in self.rows
        ]


Block = Heading | Words | Points | Pictures | Table


@dataclass(frozen=True)
class Paper:
    """Document: its title, subject, and blocks in order."""

    title: str
    about: str
    blocks: Sequence[Block]
