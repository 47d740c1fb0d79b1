"""Estimated text widths and line breaking for drawings.

An SVG breaks no lines of its own and a server knows no fonts, so widths are estimated, a little on the wide
side.
"""

from __future__ import annotations

import re
import unicodedata
from functools import lru_cache
from typing import Final

# Shares of the font size, from common sans-serif faces with room to spare.
_NARROW: Final = frozenset(" .,:;'!|ijl()[]/-")
_BROAD: Final = frozenset("mwMW@%")
_ROOMY: Final = frozenset("&+=<>~#^")
# Characters that XML 1.0 cannot carry (section 2.2 of the recommendation).
_NOT_XML: Final = re.compile("[^\t\n\r\x20-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")


def printable(words: str) -> str:
    """Join words into one line, and replace what XML cannot carry by the replacement character."""
    return " ".join(_NOT_XML.sub("\ufffd", words).split())


def text_width(words: str, *, size: float, bold: bool = False) -> float:
    """Estimated width of words at a font size, in the same unit as the size."""
    return sum(map(_share, words)) * size * (1.12 if bold else 1)


def wrap(words: str, *, width: float, size: float, bold: bool = False, most: int = 99) -> list[str]:
    """Break words into lines of at most this width; more than ``most`` lines end in an ellipsis."""
    lines: list[str] = []
    line = ""
    for word in _pieces(printable(words), width=width, size=size, bold=bold):
        longer = f"{line} {word}" if line else word
        if line and text_width(longer, size=size, bold=bold) > width:
            lines.append(line)
            line = word
        else:
            line = longer
    lines = [*lines, line] if line else lines
    if len(lines) > most:
        last = lines[most - 1]
        while last and text_width(last + "\u2026", size=size, bold=bold) > width:
            last = last[:-1]
        lines = [*lines[: most - 1], last.rstrip() + "\u2026"]
    return lines


def _pieces(words: str, *, width: float, size: float, bold: bool) -> list[str]:
    """Split at spaces, and cut a word that is wider than a whole line."""
    pieces = []
    for word in words.split(" "):
        if text_width(word, size=size, bold=bold) <= width:
            pieces.append(word)
            continue
        piece = ""
        for character in word:
            if piece and text_width(piece + character, size=size, bold=bold) > width:
                pieces.append(piece)
                piece = ""
            piece += character
        pieces.append(piece)
    return [piece for piece in pieces if piece]


@lru_cache(maxsize=4096)
def _share(character: str) -> float:
    if unicodedata.combining(character):
        return 0.0
    if unicodedata.east_asian_width(character) in "WF" or ord(character) > 0x2FFF:
        return 1.3
    base = unicodedata.normalize("NFD", character)[0]
    if base in _NARROW:
        return 0.4
    if base in _BROAD or not base.isascii():
        return 1.05
    if base.isupper() or base in _ROOMY:
        return 0.86
    return 0.64
