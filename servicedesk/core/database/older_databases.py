"""Check that refuses to migrate a database of a version before its apps were divided anew.

Such a migration would end half-way.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from django.core.checks import CheckMessage, Error, Tags, register
from django.db import connections
from django.db.migrations.recorder import MigrationRecorder

GONE = "people"
"""An app that every database of those versions has migrations of, and none made since."""


@register(Tags.database)
def refuse_older_databases(*, databases: Sequence[str] | None, **_: Any) -> list[CheckMessage]:
    """Refuse, before migrations are applied, a database that was made by such a version."""
    return [
        Error(
            f"The database “{alias}” was made by an older version and can't be read by this one.",
            hint="Start the demo company over with make demo-fresh, or name an empty database and import "
            "your files into it.",
            id="servicedesk.E010",
        )
        for alias in databases or ()
        if any(app == GONE for app, _ in MigrationRecorder(connections[alias]).applied_migrations())
    ]
