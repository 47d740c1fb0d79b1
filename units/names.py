"""Names as people spell them: two spellings of one name compare as equal.

This module imports no Django.
"""

from __future__ import annotations

import re
import unicodedata

_GAPS = re.compile(r"[\s\-\u2010-\u2015]+")


def plain_name(text: str) -> str:
    """Bring a name to the form in which names are compared: case, hyphens and extra spaces don't count."""
    return _GAPS.sub(" ", unicodedata.normalize("NFKC", text)).strip().casefold()
