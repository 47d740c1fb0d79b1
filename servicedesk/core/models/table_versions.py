"""Model of the version of the records that figures are computed from."""

from __future__ import annotations

from django.db import models

from servicedesk.core.querysets import TableVersionQuerySet


class TableVersion(models.Model):
    """One write to a table that bumps the version (`servicedesk.core.rules.constraints.BumpsVersion`).

    The database itself adds these rows, in the transaction of the write, so they come and go with it.
    """

    id = models.BigAutoField(primary_key=True)

    objects = TableVersionQuerySet.as_manager()

    def __str__(self) -> str:
        return str(self.pk)
