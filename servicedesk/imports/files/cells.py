"""Readers of single cells: what each may contain, and the sentence for what it may not.

This module imports no Django.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Callable, Collection
from datetime import date
from decimal import Decimal
from typing import Final, TypeVar

from servicedesk.imports.files.reading import Fault, Row, shown
from units.lengths import LengthError, LengthUnit, parse_length
from units.names import plain_name

T = TypeVar("T")

EARLIEST: Final = date(1950, 1, 1)
LATEST: Final = date(2200, 12, 31)
_ISO_DAY: Final = re.compile(r"[0-9]{4}-[0-9]{2}-[0-9]{2}", re.ASCII)
_WHOLE: Final = re.compile(r"[0-9]{1,6}", re.ASCII)
_DEGREES: Final = re.compile(r"[+-]?[0-9]{1,3}(?:\.[0-9]{1,20})?", re.ASCII)
_PANEL: Final = re.compile(r"panel\s*([0-9]{1,4})(?:[\s,]+corner\s*(.*))?", re.ASCII | re.IGNORECASE)
_WORK_GAPS: Final = re.compile(r"[;,+/&]|\band\b", re.IGNORECASE)

_POINTS: Final = (
    *("n", "nne", "ne", "ene", "e", "ese", "se", "sse"),
    *("s", "ssw", "sw", "wsw", "w", "wnw", "nw", "nnw"),
)
_WINDS: Final = {"north": "n", "east": "e", "south": "s", "west": "w"}
_YES_NO: Final = {
    **dict.fromkeys(("yes", "y", "true", "1"), True),
    **dict.fromkeys(("no", "n", "false", "0"), False),
}
LONGEST_TEXT: Final = 4_000
REMEMBERED: Final = 1_000
"""Number of distinct texts of a column whose parsed values are cached; most recur."""
CORNERS: Final = ("UL", "UR", "LL", "LR")

_WORK_WORDS: Final = {
    "cleaned": "clean cleaned cleaning washed washing wash wiped wiping wipe vacuumed vacuuming vacuum",
    "lubricated": "lubricate lubricated lubricating lubrication oiled oiling oil lube lubed",
    "checked": "check checked checking inspect inspected inspection tested test",
    "adjusted": "adjust adjusted adjusting adjustment",
    "repaired": "repair repaired repairing fixed fix",
    "replaced": "replace replaced replacing replacement renewed exchanged",
}
_WORK_BY_WORD: Final = {word: work for work, words in _WORK_WORDS.items() for word in words.split()}


class CellError(ValueError):
    """Raised for a cell that can't be read; the text is the sentence the user reads."""


class CellReader:
    """Reader of the cells of one row; what can't be read becomes a fault of the row."""

    def __init__(self, row: Row, required: frozenset[str]) -> None:
        self.row = row
        self._broken = {fault.column for fault in row.faults}
        for column in sorted(required - row.cells.keys()):
            if column not in self._broken:
                self.fault(column, "The cell is empty, and every row needs it. Fill it in.")

    def take(self, column: str, read: Callable[[str], T]) -> T | None:
        """Read one cell; an empty one is None, and so is one that can't be read."""
        text = self.row.cells.get(column)
        if text is None:
            return None
        try:
            return read(text)
        except CellError as error:
            self.fault(column, str(error))
            return None

    def fault(self, column: str, reason: str) -> None:
        """Record what is wrong with a cell."""
        self._broken.add(column)
        self.row.faults.append(Fault(column, shown(self.row.cells.get(column, "")), reason))

    def is_broken(self, column: str) -> bool:
        """Return whether a cell already has a fault."""
        return column in self._broken


def words(limit: int) -> Callable[[str], str]:
    """Read one line of words."""

    def read(text: str) -> str:
        line = " ".join(_printing(text).split())
        if len(line) > limit:
            raise CellError(f"This has {len(line)} characters; {limit} are the most here. Shorten it.")
        return line

    return read


def lines(text: str) -> str:
    """Read free text, which may run over several lines."""
    cleaned = "\n".join(line.rstrip() for line in _printing(text).splitlines()).strip()
    if len(cleaned) > LONGEST_TEXT:
        raise CellError(
            f"This has {len(cleaned):,} characters; {LONGEST_TEXT:,} are the most here. Shorten it."
        )
    return cleaned


def _printing(text: str) -> str:
    """Refuse control characters, which no page, calendar or file of ours could show."""
    if text.isprintable():
        return text
    control = next((sign for sign in text if unicodedata.category(sign) == "Cc" and not sign.isspace()), None)
    if control is not None:
        raise CellError(f"The cell holds a control character (number {ord(control)}). Type the words again.")
    return text


def day(today: date) -> Callable[[str], date]:
    """Read a day that is not in the future."""

    def read(text: str) -> date:
        value = any_day(text)
        if value > today:
            raise CellError(f"This day is still to come (today is {today}). Check the year.")
        return value

    return read


def any_day(text: str) -> date:
    """Read a day written year-month-day; any other way of writing it could mean two days."""
    if not _ISO_DAY.fullmatch(text):
        raise CellError("This is no day as it is written here. Write year-month-day, such as 2019-04-30.")
    try:
        value = date.fromisoformat(text)
    except ValueError:
        raise CellError("There is no such day in the calendar. Check month and day.") from None
    if not EARLIEST <= value <= LATEST:
        raise CellError(f"Days run from {EARLIEST} to {LATEST}. Check the year.")
    return value


def whole(low: int, high: int, what: str) -> Callable[[str], int]:
    """Read a whole number within bounds."""

    def read(text: str) -> int:
        if not _WHOLE.fullmatch(text) or not low <= int(text) <= high:
            raise CellError(f"{what} is a whole number from {low} to {high:,}. Correct it or leave it empty.")
        return int(text)

    return read


def coordinate(limit: int) -> Callable[[str], Decimal]:
    """Read a latitude or longitude in degrees; six decimals (a hand's breadth) are kept."""

    def read(text: str) -> Decimal:
        if not _DEGREES.fullmatch(text):
            raise CellError("Write decimal degrees with a point, such as 35.912400 or -79.055800.")
        degrees = Decimal(text)
        if abs(degrees) > limit:
            raise CellError(f"This runs from -{limit} to {limit} degrees. Look for a missing point.")
        return round(degrees, 6)

    return read


def facing(text: str) -> int:
    """Read the way a window faces, as a compass point or in degrees clockwise from north."""
    plain = text.strip().rstrip("°").strip()
    if _DEGREES.fullmatch(plain):
        degrees = Decimal(plain)
        if 0 <= degrees <= 360:
            return round(degrees) % 360
        raise CellError("Degrees run from 0 (north) to 360. Correct it or leave it empty.")
    point = "".join(_WINDS.get(word, word) for word in plain_name(plain).split())
    point = _compound(point)
    if point not in _POINTS:
        raise CellError(
            "This is no compass point. Write N, NNE, NE, ENE, E and so on, words such as south-east, "
            "or degrees."
        )
    # Half degrees round to even, as Python does; a compass point is no more exact than that.
    return round(22.5 * _POINTS.index(point))


def _compound(point: str) -> str:
    """Read compass points written as one word, such as northeast."""
    for name, notification in _WINDS.items():
        point = point.replace(name, notification)
    return point


def choice(values: Collection[str]) -> Callable[[str], str]:
    """Read one of a few words."""

    def read(text: str) -> str:
        word = plain_name(text)
        if word not in values:
            raise CellError(f"This is one of {', '.join(values)}, or empty if nobody knows.")
        return word

    return read


def yes_no(text: str) -> bool:
    """Read yes or no."""
    answer = _YES_NO.get(text.lower())
    if answer is None:
        raise CellError("Write yes or no; an empty cell is no.")
    return answer


def length(unit: LengthUnit, *, may_be_zero: bool) -> Callable[[str], Decimal]:
    """Read a length into millimeters."""

    def read(text: str) -> Decimal:
        try:
            mm = parse_length(text, unit=unit)
        except LengthError as error:
            raise CellError(str(error)) from error
        if not mm and not may_be_zero:
            raise CellError("A size is more than nothing. Correct it, or leave it empty if nobody measured.")
        return mm

    return read


def works(text: str) -> list[str]:
    """Read the work done, one kind or several with commas between."""
    done: list[str] = []
    for word in _WORK_GAPS.split(text):
        name = " ".join(word.split()).lower()
        if not name:
            continue
        if name not in _WORK_BY_WORD:
            raise CellError(
                f"“{shown(name)}” is no work known here. Write {', '.join(_WORK_WORDS)}, "
                "or several with commas between."
            )
        if _WORK_BY_WORD[name] not in done:
            done.append(_WORK_BY_WORD[name])
    return done


def place(text: str) -> tuple[int | None, str, str]:
    """Read where on a unit: a panel, a corner of it, or free words."""
    line = words(120)(text)
    match = _PANEL.fullmatch(line)
    if match is None:
        return None, "", line
    panel, corner = int(match[1]), (match[2] or "").upper()
    if panel < 1:
        raise CellError("Panels are numbered from 1, the one on the inside.")
    if "corner" in line.lower() and corner not in CORNERS:
        raise CellError("A corner is UL, UR, LL or LR (upper or lower, left or right, seen from inside).")
    return panel, corner, ""
