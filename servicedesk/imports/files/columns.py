"""Columns of the three import files, and which of them every row needs.

This module imports no Django.
"""

from __future__ import annotations

from dataclasses import dataclass

REASON = "reason"
"""Column that a file of bad rows has besides its own; it is ignored when the file is imported again."""


@dataclass(frozen=True, slots=True)
class Columns:
    """Columns of one file."""

    file: str
    names: tuple[str, ...]
    required: frozenset[str]

    def known_as(self, typed: str) -> str | None:
        """Column that a header cell means; capitals, spaces and hyphens don't count."""
        plain = "_".join(typed.replace("-", " ").split()).lower()
        plain = "_".join(word for word in plain.split("_") if word)
        return plain if plain in self.names or plain == REASON else None


UNITS = Columns(
    file="UNITS",
    names=(
        *("unit", "site", "customer", "address", "postcode", "latitude", "longitude", "year_built", "place"),
        *("construction", "track", "sash", "corner", "release", "panels", "width", "height", "facing"),
        *("shade", "finish", "above_grade", "installed_on", "observed_from", "observed_until"),
        *("removed_on", "lot"),
    ),
    required=frozenset({"unit", "site", "installed_on"}),
)
PERIODS = Columns(
    file="PERIODS",
    names=("unit", "from", "until"),
    required=frozenset({"unit", "from"}),
)
HISTORY = Columns(
    file="HISTORY",
    names=(*("unit", "on", "what", "mode", "where", "failure", "repeat", "work", "minutes", "note", "ref"),),
    required=frozenset({"unit", "on", "what"}),
)
