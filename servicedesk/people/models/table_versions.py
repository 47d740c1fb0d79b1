"""The version of the records that figures are made of."""

from __future__ import annotations

from django.db import models

from servicedesk.people.querysets import TableVersionQuerySet


class TableVersion(models.Model):
    """One write to a table that tells of its changes (`servicedesk.constraints.BumpsVersion`).

    The database itself adds these rows, in the transaction of the write, so they come and go with it.
    """

    BLOCKS = 64
    """Sites are told apart in so many blocks, by the remainder of their keys."""

    id = models.BigAutoField(primary_key=True)
    block = models.PositiveSmallIntegerField(
        null=True, help_text="The block of the site that was written about; empty: all of them."
    )

    objects = TableVersionQuerySet.as_manager()

    def __str__(self) -> str:
        return str(self.pk)
