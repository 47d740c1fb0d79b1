"""What a value looks like in a SQLite file, in Python, and as text that is the same on both databases.

Values are read from the file as SQLite holds them, not through Django, which turns what it can't read (a day
that is none, say) into nothing. What isn't a value of its column's kind raises `ValueError` here.
"""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, date, datetime, time
from decimal import Context, Decimal
from typing import Any
from uuid import UUID

from django.db.models import DecimalField, Field

AS_DJANGO_READS = Context(prec=15)  # the digits a SQLite number of 8 bytes is good for
EXACT = Context(prec=100_000)


@dataclass(frozen=True)
class Kind:
    """How values of one kind of column are read from SQLite and written down for comparing.

    ``read`` takes what SQLite gives (never None) and answers what PostgreSQL is given. ``plain`` takes a
    value that was read, on either side, and answers a text, number or truth value that says the same on both.
    """

    read: Callable[[Any], Any]
    plain: Callable[[Any], Any] | None = None


def kind_of(field: Field[Any, Any]) -> Kind:
    """Find the kind of a field's column; a key into another table is of the kind of what it points at.

    Raises
    ------
    LookupError
        When no kind is written down here for this type of field.
    """
    while field.remote_field:
        field = field.target_field  # type: ignore[attr-defined]  # fields with a remote one have it
    if field.generated:
        field = field.output_field  # type: ignore[attr-defined]
    if isinstance(field, DecimalField):
        return _decimals(field.decimal_places)
    name = field.get_internal_type()
    if name not in KINDS:
        raise LookupError(f"{field.model._meta.label}.{field.name} is a {name}, which no kind is known for.")
    return KINDS[name]


def _whole(raw: Any) -> int:
    if not isinstance(raw, int):
        raise ValueError(f"{raw!r:.60} is no whole number")
    return raw


def _text(raw: Any) -> str:
    if not isinstance(raw, str):
        raise ValueError(f"{raw!r:.60} is no text")
    return raw


def _truth(raw: Any) -> bool:
    if raw not in (0, 1):
        raise ValueError(f"{raw!r:.60} is neither true (1) nor false (0)")
    return bool(raw)


def _fraction(raw: Any) -> float:
    if not isinstance(raw, int | float):
        raise ValueError(f"{raw!r:.60} is no number")
    return float(raw)


def _decimals(places: int) -> Kind:
    step = Decimal(1).scaleb(-places)

    def read(raw: Any) -> Decimal:
        if not isinstance(raw, int | float):
            raise ValueError(f"{raw!r:.60} is no number")
        value = AS_DJANGO_READS.create_decimal_from_float(raw) if isinstance(raw, float) else Decimal(raw)
        if not value.is_finite():
            raise ValueError(f"{raw!r:.60} is no number with an end")
        return value.quantize(step, context=EXACT) + 0  # and no zero below zero

    return Kind(read, str)


def _moment(raw: Any) -> datetime:
    at = datetime.fromisoformat(_text(raw))
    return at.replace(tzinfo=UTC) if at.tzinfo is None else at.astimezone(UTC)


def _json(raw: Any) -> str:
    _plain_json(_text(raw))
    return str(raw)


def _plain_json(text: str) -> str:
    """Write JSON with its keys in order and its numbers in one way: PostgreSQL keeps 1e2 as 100."""
    loaded = json.loads(text, parse_int=Decimal, parse_float=Decimal, parse_constant=_no_json)
    return json.dumps(loaded, sort_keys=True, default=_plain_number)


def _plain_number(number: Decimal) -> str:
    # Behind a NUL, which PostgreSQL takes into no text, so that no text looks like a number.
    return f"\0{number.normalize(EXACT)}" if number else "\0" + "0"


def _no_json(word: str) -> None:
    raise ValueError(f"{word} is no number in JSON")


WHOLE = Kind(_whole)
TEXT = Kind(_text)
KINDS = {
    **dict.fromkeys(
        ("AutoField", "BigAutoField", "SmallAutoField", "IntegerField", "BigIntegerField"), WHOLE
    ),
    **dict.fromkeys(("SmallIntegerField", "PositiveIntegerField", "PositiveBigIntegerField"), WHOLE),
    "PositiveSmallIntegerField": WHOLE,
    **dict.fromkeys(("CharField", "TextField", "SlugField", "URLField", "EmailField", "FileField"), TEXT),
    "BooleanField": Kind(_truth),
    "FloatField": Kind(_fraction),
    "DateField": Kind(lambda raw: date.fromisoformat(_text(raw)), date.isoformat),
    "TimeField": Kind(lambda raw: time.fromisoformat(_text(raw)), time.isoformat),
    "DateTimeField": Kind(_moment, lambda at: at.astimezone(UTC).isoformat()),
    "UUIDField": Kind(lambda raw: UUID(_text(raw)), str),
    "JSONField": Kind(_json, _plain_json),
    "BinaryField": Kind(lambda raw: bytes(memoryview(raw)), lambda raw: bytes(raw).hex()),
}
