"""Parser of the JSON that phones send, without what no database stores.

References
----------
RFC 8259, The JavaScript Object Notation (JSON) Data Interchange Format: a sender may escape lone surrogates
(section 8.2) and a reader may limit depth (section 9); NaN and Infinity are no numbers of it (section 6).
"""

from __future__ import annotations

import json
from math import isfinite
from typing import Any

MOST_BYTES = 64 * 1024
MOST_DEEP = 8
HALF = "\N{REPLACEMENT CHARACTER}"


class Unreadable(Exception):  # noqa: N818  (it is an answer, not a fault)
    """Raised for a record that can't be parsed."""


def read_json(body: bytes) -> dict[str, Any]:
    """Parse a JSON object whose texts and numbers can all be stored.

    Zero characters are taken out, and halves of characters (lone surrogates), which a text that was cut off
    can hold, are replaced.

    Raises
    ------
    Unreadable
        When it is too long or too deep, is no object, names a thing twice, or holds a number without a value.
    """
    if len(body) > MOST_BYTES:
        raise Unreadable("This record is too long.")
    try:
        data = json.loads(body, parse_constant=_refuse, object_pairs_hook=_without_doubles)
    except (ValueError, RecursionError) as error:
        raise Unreadable("This is no record of a phone.") from error
    if not isinstance(data, dict):
        raise Unreadable("This is no record of a phone.")
    return {str(name): value for name, value in _mended(data, MOST_DEEP).items()}


def shown_on_one_line(words: str) -> str:
    """Sentence for a phone's screen, without characters that no screen shows: it may quote what was sent."""
    return " ".join("".join(one if one.isprintable() else " " for one in words).split())


def _refuse(constant: str) -> None:
    raise ValueError(f"{constant} is no number")


def _without_doubles(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    data = dict(pairs)
    if len(data) < len(pairs):
        raise ValueError("a name comes twice")
    return data


def _mended(data: Any, deep: int) -> Any:
    """Copy of the data without characters that can't be stored, so that the rest isn't lost."""
    if deep == 0:
        raise Unreadable("This is no record of a phone.")
    if isinstance(data, dict):
        return {_storable(name): _mended(value, deep - 1) for name, value in data.items()}
    if isinstance(data, list):
        return [_mended(value, deep - 1) for value in data]
    if isinstance(data, float) and not isfinite(data):  # 1e999 is parsed as infinity
        raise Unreadable("This record holds a number that is too large.")
    return _storable(data) if isinstance(data, str) else data


def _storable(text: str) -> str:
    return "".join(HALF if "\ud800" <= one <= "\udfff" else one for one in text if one != "\0")
