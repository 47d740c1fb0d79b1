"""What a printed document is made of. This module imports no Django."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import ClassVar


@dataclass(frozen=True)
class Heading:
    """The heading of a section; ``address`` leads to the page that answers the same question live."""

    kind: ClassVar[str] = "heading"
    words: str
    address: str = ""


@dataclass(frozen=True)
class Words:
    """A paragraph; ``lead`` marks the sentence that answers the question of a section."""

    kind: ClassVar[str] = "words"
    words: str
    lead: bool = False


@dataclass(frozen=True)
class Points:
    """Short sentences below each other."""

    kind: ClassVar[str] = "points"
    words: Sequence[str]


@dataclass(frozen=True)
class Pictures:
    """Pictures side by side, as SVG."""

    kind: ClassVar[str] = "pictures"
    svgs: Sequence[str]


@dataclass(frozen=True)
class Table:
    """Rows of words below a header; ``numbers`` are the columns set to the right."""

    kind: ClassVar[str] = "table"
    header: Sequence[str]
    rows: Sequence[Sequence[str]]
    numbers: frozenset[int] = field(default_factory=frozenset)

    @property
    def labeled(self) -> list[list[tuple[str, str, bool]]]:
        """Every cell with the head of its column and whether it is a number."""
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
    """A document: its title, what it is about, and its blocks in order."""

    title: str
    about: str
    blocks: Sequence[Block]
