"""Planner statistics of the tables that an import fills."""

from __future__ import annotations

from django.db import connection
from django.db.models import Model

from servicedesk.core.database.planner_statistics import renew_statistics

FIRST_LOOK = 1_000
TIMES_MORE = 8


class Growth:
    """Tables whose statistics PostgreSQL renews each time their rows have multiplied.

    Otherwise each chunk would be looked up by a full scan of all rows before it. SQLite plans well without.
    """

    def __init__(self, *models: type[Model]) -> None:
        self.models, self.rows, self.next_look = models, 0, FIRST_LOOK

    def by(self, rows: int) -> None:
        """Count rows written, and renew the planner's statistics once the rows have multiplied.

        Call it between transactions, so that nobody waits for it.
        """
        self.rows += rows
        if self.rows < self.next_look:
            return
        self.next_look = self.rows * TIMES_MORE
        if connection.vendor == "postgresql":
            renew_statistics(*self.models)
