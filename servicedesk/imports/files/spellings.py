"""Codes that differ only by case: one unit, or one site, must not have two spellings."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable

from servicedesk.imports.files.reading import Fault, shown


class Spellings:
    """Codes of the register, and those read so far, by their casefolded form."""

    def __init__(self, column: str, codes: Iterable[str]) -> None:
        self.column = column
        self._written: defaultdict[str, list[str]] = defaultdict(list)
        for code in codes:
            self._written[code.casefold()].append(code)

    def fault(self, code: str) -> Fault | None:
        """Fault that names the other spelling of a code; a new code is recorded."""
        written = self._written[code.casefold()]
        if code in written:
            return None
        if not written:
            written.append(code)
            return None
        return Fault(
            self.column,
            shown(code),
            f"This {self.column} stands elsewhere as “{shown(written[0])}”, and capitals don't tell two "
            "apart. Write it the same way, or give another code.",
        )
