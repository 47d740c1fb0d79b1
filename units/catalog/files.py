"""Reader of reference files: JSON lists of component types, constructions, failure modes and rules.

A file is a JSON list with one object a row. Whatever is wrong in it is refused with the name of the file,
the row (counted from 1, with its key behind it) and the field.
"""

from __future__ import annotations

import json
import re
import unicodedata
from collections.abc import Collection, Iterable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from decimal import Decimal
from pathlib import Path
from typing import Any

from django.core.exceptions import NON_FIELD_ERRORS, ValidationError

from servicedesk.core.rules.refusals import RuleViolation
from units.lengths import LengthError, parse_length
from units.names import plain_name

# Largest value of the columns for counts on every database.
_MOST = 32767
_BARE_NUMBER = re.compile(r"[0-9\s./\u2044-]*")


@dataclass(frozen=True)
class ReferenceRow:
    """One row of a reference file, read field by field."""

    place: str
    values: dict[str, Any]

    def refusal(self, field: str, problem: str) -> RuleViolation:
        """Rule violation about a field of this row ("" for the row as a whole)."""
        return RuleViolation(f"{self.place}, {field}: {problem}" if field else f"{self.place}: {problem}")

    @contextmanager
    def within_rules(self) -> Iterator[None]:
        """Context manager that turns a ValidationError into a rule violation naming row and field."""
        try:
            yield
        except ValidationError as error:
            field, problems = next(iter(error.message_dict.items()))
            shown = "" if field == NON_FIELD_ERRORS else field.removesuffix("_mm")
            raise self.refusal(shown, " ".join(problems)) from error

    def text(self, field: str) -> str:
        """Read a required text."""
        words = self.text_or_blank(field)
        if not words:
            raise self.refusal(field, "is missing. Write it in quotation marks.")
        return words

    def text_or_blank(self, field: str) -> str:
        """Read an optional text; "" where it is left out."""
        value = self.values.get(field)
        if value is None:
            return ""
        if not isinstance(value, str):
            raise self.refusal(field, f"must be words in quotation marks, not {_shown(value)}.")
        if any(unicodedata.category(character) == "Cc" and character != "\n" for character in value):
            raise self.refusal(field, "holds a character that can't be printed. Type the words again.")
        return value.strip()

    def texts(self, field: str, *, apart: str) -> list[str]:
        """Read a list of texts; refuse one that contains their separator in the register, ``apart``."""
        value = self.values.get(field, [])
        if not isinstance(value, list):
            raise self.refusal(field, f"must be a list in square brackets, not {_shown(value)}.")
        for entry in value:
            if not isinstance(entry, str) or not entry.strip():
                raise self.refusal(field, f"must list words in quotation marks, not {_shown(entry)}.")
            if apart in entry.strip():
                mark = "a space" if apart == " " else f"“{apart}”"
                raise self.refusal(field, f"“{entry}” can't hold {mark}: list each on its own.")
        return [entry.strip() for entry in value]

    def whole(self, field: str, *, otherwise: int | None = None) -> int:
        """Read a whole number; ``otherwise`` where the row leaves it out."""
        value = self.values.get(field)
        if value is None and otherwise is not None:
            return otherwise
        if value is None:
            raise self.refusal(field, "is missing. Write a whole number.")
        if not isinstance(value, int) or isinstance(value, bool):
            raise self.refusal(field, f"must be a whole number without quotation marks, not {_shown(value)}.")
        if not 0 <= value <= _MOST:
            raise self.refusal(field, f"must be a number from 0 to {_MOST}, not {_shown(value)}.")
        return value

    def field_of(self, name: str) -> str:
        """Field of this row that holds one of its names."""
        return next((field for field in ("name", "code") if self.text_or_blank(field) == name), "aliases")

    def yes(self, field: str) -> bool:
        """Read a boolean; False where it is left out."""
        value = self.values.get(field, False)
        if not isinstance(value, bool):
            raise self.refusal(field, f"must be true or false, not {_shown(value)}.")
        return value

    def length(self, field: str) -> Decimal | None:
        """Read a length with its unit, in millimeters; None where it is left out."""
        typed = self.text_or_blank(field)
        if not typed:
            return None
        if _BARE_NUMBER.fullmatch(unicodedata.normalize("NFKC", typed)):
            raise self.refusal(field, f"“{typed}” has no unit. Write it like 1/4 in or 9.5 mm.")
        try:
            return parse_length(typed, unit="in")
        except LengthError as error:
            raise self.refusal(field, str(error)) from error

    def choice(self, field: str, choices: Iterable[str]) -> str:
        """Read one of a fixed list of choices."""
        word, offered = self.text(field), list(choices)
        if word not in offered:
            raise self.refusal(field, f"“{word}” is not one of {', '.join(filter(None, offered))}.")
        return word

    def rows(self, field: str, *, fields: Collection[str]) -> list[ReferenceRow]:
        """Read a list of rows within this row."""
        value = self.values.get(field, [])
        if not isinstance(value, list):
            raise self.refusal(field, f"must be a list in square brackets, not {_shown(value)}.")
        inner = [
            ReferenceRow(f"{self.place}, {field}, entry {number}", _object(entry, self, field))
            for number, entry in enumerate(value, start=1)
        ]
        for row in inner:
            _refuse_unknown_fields(row, fields)
        return inner


def read_rows(path: Path, *, key: tuple[str, ...], fields: Collection[str]) -> list[ReferenceRow]:
    """Read the rows of a reference file; ``key`` names the fields that identify a row.

    Raises
    ------
    RuleViolation
        When the file can't be read, is no list of rows, has a field nobody knows, or has a key twice.
    """
    content = _parsed(path)
    if not isinstance(content, list):
        raise RuleViolation(f"{path.name}: must be a list of rows in square brackets, not {_shown(content)}.")
    rows: list[ReferenceRow] = []
    seen: dict[tuple[str, ...], int] = {}
    for number, entry in enumerate(content, start=1):
        unnamed = ReferenceRow(f"{path.name}, row {number}", {})
        unnamed = ReferenceRow(unnamed.place, _object(entry, unnamed, ""))
        named = ReferenceRow(
            f"{unnamed.place} ({', '.join(unnamed.text(field) for field in key)})", unnamed.values
        )
        _refuse_unknown_fields(named, fields)
        marks = tuple(plain_name(named.text(field)) for field in key)
        if marks in seen:
            raise named.refusal(key[-1], f"row {seen[marks]} has the same. Keep one of the two rows.")
        seen[marks] = number
        rows.append(named)
    return rows


def refuse_shared_names(rows: Iterable[tuple[ReferenceRow, str, list[str]]]) -> None:
    """Refuse a file in which two rows share a name; each row comes with its scope and its names."""
    claimed: dict[tuple[str, str], ReferenceRow] = {}
    for row, scope, names in rows:
        for name in names:
            first = claimed.setdefault((scope, plain_name(name)), row)
            if first is not row:
                raise row.refusal(
                    row.field_of(name), f"“{name}” is a name in {first.place} too. Keep it in one row."
                )


def _parsed(path: Path) -> Any:
    """Parse the JSON of a file; refuse what is no JSON, with line and column."""
    try:
        return json.loads(path.read_text(encoding="utf-8-sig"), object_pairs_hook=_without_repeats)
    except FileNotFoundError as error:
        raise RuleViolation(
            f"{path.name} is not in the folder {path.parent}. Put it there, or name another folder."
        ) from error
    except OSError as error:
        raise RuleViolation(f"{path.name} can't be read: {error.strerror}.") from error
    except UnicodeDecodeError as error:
        raise RuleViolation(f"{path.name} is not UTF-8 text. Save it as UTF-8.") from error
    except json.JSONDecodeError as error:
        raise RuleViolation(
            f"{path.name}, line {error.lineno}, column {error.colno}: {error.msg}. Mend the JSON there."
        ) from error
    except _RepeatedFieldError as error:
        raise RuleViolation(
            f"{path.name}: a row has the field “{error}” more than once. Keep one of them."
        ) from error
    except (ValueError, RecursionError) as error:
        raise RuleViolation(f"{path.name} holds a number or a nesting too large to read.") from error


class _RepeatedFieldError(ValueError):
    """A row names one field twice."""


def _without_repeats(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    values = dict(pairs)
    if len(values) < len(pairs):
        names = [name for name, _ in pairs]
        raise _RepeatedFieldError(next(name for name in names if names.count(name) > 1))
    return values


def _object(entry: Any, row: ReferenceRow, field: str) -> dict[str, Any]:
    if not isinstance(entry, dict):
        raise row.refusal(field, f"must be an object in curly brackets, not {_shown(entry)}.")
    return entry


def _refuse_unknown_fields(row: ReferenceRow, fields: Collection[str]) -> None:
    for field in row.values:
        if field not in fields:
            raise row.refusal(field, f"is no field of such rows. They have {', '.join(sorted(fields))}.")


def _shown(value: Any) -> str:
    text = json.dumps(value, ensure_ascii=False)
    return f"{text[:40]}…" if len(text) > 40 else text
