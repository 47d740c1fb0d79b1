"""Parsing of values in addresses and forms, where anybody can write anything."""

from __future__ import annotations

import json
from base64 import urlsafe_b64decode, urlsafe_b64encode
from collections.abc import Iterable
from datetime import date
from typing import Final

FIRST_DAY: Final = date(1900, 1, 1)
LAST_DAY: Final = date(2199, 12, 31)
"""Last day that records can be about. Weeks and intervals computed from it stay within the calendar."""

LONGEST_SCRAP: Final = 120
"""Most characters of a search text."""

LARGEST_KEY: Final = 2**63 - 1
"""Largest primary key that the databases store."""


def read_key(value: object) -> int | None:
    """Parse a primary key; None where it is not a valid one."""
    text = str(value)
    if isinstance(value, bool) or len(text) > len(str(LARGEST_KEY)) or not text.isdecimal():
        return None
    return key if (key := int(text)) <= LARGEST_KEY else None


def read_scrap(value: str | None) -> str:
    """Parse a search text: without surrounding spaces, and without NUL, which no record contains.

    A longer text is cut.
    """
    return (value or "").replace("\0", "").strip()[:LONGEST_SCRAP]


def read_day(value: object) -> date | None:
    """Parse a day written as 2026-03-31; None where it is not a day that a record can be about."""
    try:
        day = date.fromisoformat(str(value).strip())
    except ValueError:
        return None
    return day if FIRST_DAY <= day <= LAST_DAY else None


def write_token(values: Iterable[object]) -> str:
    """Encode values as a URL-safe token."""
    text = json.dumps([str(value) for value in values])
    return urlsafe_b64encode(text.encode()).decode().rstrip("=")


def read_token(token: str) -> list[str] | None:
    """Decode the values of a token; None where it is malformed or has a value no database takes."""
    try:
        values = json.loads(urlsafe_b64decode(token + "=" * (-len(token) % 4)))
        text = "".join(values) if isinstance(values, list) else "\0"
        text.encode()
    except (ValueError, TypeError, RecursionError):
        return None
    return None if "\0" in text else values
