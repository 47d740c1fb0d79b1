"""Normalization of names, so that two spellings of one name compare as equal.

This module imports no Django.
"""

from __future__ import annotations

import re
import unicodedata

_GAPS = re.compile(r"[\s\-\u2010-\u2015]+")


def plain_name(text: str) -> str:
    """Normalize a name for comparison: case, hyphens and extra spaces don't count."""
    return _GAPS.sub(" ", unicodedata.normalize("NFKC", text)).strip().casefold()
