"""Removal of somebody's names, numbers and addresses from free text. Pure."""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass
from functools import cached_property
from typing import Any

MARK = "(erased)"
SHORTEST_PART = 3
NUMBER = re.compile(r"[\d\s().+/-]{5,}")


@dataclass(frozen=True)
class Scrubber:
    """What is to be removed: names with their parts, and numbers and mail addresses.

    A full name is removed however it is written; of its parts those of three letters and more, where they
    stand as a capitalized word. A telephone number is removed however its digits are grouped.
    """

    names: frozenset[str]
    contacts: frozenset[str]

    @cached_property
    def _plain(self) -> re.Pattern[str] | None:
        texts = sorted({*self.names, *self.contacts}, key=len, reverse=True)
        return _one_of((rf"(?<!\w){re.escape(text)}(?!\w)" for text in texts), flags=re.IGNORECASE)

    @cached_property
    def _parts(self) -> re.Pattern[str] | None:
        parts = {part for name in self.names for part in re.findall(r"[^\W\d_]+", name)}
        wanted = sorted(part for part in parts if len(part) >= SHORTEST_PART and part[0].isupper())
        return _one_of(rf"\b{re.escape(part)}\b" for part in wanted)

    @cached_property
    def _numbers(self) -> frozenset[str]:
        return frozenset(digits for text in self.contacts if len(digits := _digits(text)) >= 5)

    def text(self, text: str) -> str:
        """Text without what is to be removed."""
        for pattern in (self._plain, self._parts):
            if pattern is not None:
                text = pattern.sub(MARK, text)
        if self._numbers:
            text = NUMBER.sub(self._number, text)
        return text

    def tree(self, value: Any) -> Any:
        """JSON value without what is to be removed from its texts."""
        if isinstance(value, str):
            return self.text(value)
        if isinstance(value, list):
            return [self.tree(each) for each in value]
        if isinstance(value, dict):
            return {name: self.tree(each) for name, each in value.items()}
        return value

    def _number(self, match: re.Match[str]) -> str:
        text = match[0]
        if _digits(text) not in self._numbers:
            return text
        number = text.strip()
        return text.replace(number, MARK)


def _digits(text: str) -> str:
    return "".join(each for each in text if each.isdigit())


def _one_of(patterns: Iterable[str], *, flags: int = 0) -> re.Pattern[str] | None:
    joined = "|".join(patterns)
    return re.compile(joined, flags) if joined else None
