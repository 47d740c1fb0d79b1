"""Telephone numbers: validation, and the digits that a link dials. This module imports no Django."""

from __future__ import annotations

import re
from typing import Final

_NUMBER: Final = r"\+?[0-9(][0-9 \-.()/\u2010-\u2013]*"
_EXTENSION: Final = r"(?:[ ,;]*(?:ext|extension|x)[. ]*([0-9]{1,6}))?"
_WHOLE: Final = re.compile(_NUMBER + _EXTENSION, re.IGNORECASE)
LEAST: Final = 3
"""Fewest digits of a number."""


def phone_fault(text: str) -> str:
    """Fault of a typed number; "" where there is none."""
    typed = " ".join(text.split())
    if not typed or (_WHOLE.fullmatch(typed) and len(_digits(typed)) >= LEAST):
        return ""
    return (
        f"“{typed[:60]}” is not only a number: write it like 555-010-0144 or 555-010-0144 ext. 12, "
        "and put names and words into another field."
    )


def dialed(text: str) -> str:
    """Digits that a link dials (RFC 3966): those of the first number in a text, "" where there is none."""
    for match in _WHOLE.finditer(text):
        digits = _digits(match[0][: match.start(1) - match.start()] if match[1] else match[0])
        if len(digits) >= LEAST:
            plus = "+" if match[0].startswith("+") else ""
            return f"{plus}{digits}{f';ext={match[1]}' if match[1] else ''}"
    return ""


def _digits(text: str) -> str:
    return "".join(sign for sign in text if sign in "0123456789")
