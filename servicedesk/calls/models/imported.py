"""Model of the history rows that were imported already."""

from __future__ import annotations

from django.db import models


class ImportedEntry(models.Model):
    """Natural key of an imported history row, so that the same file imported twice changes nothing."""

    unit = models.ForeignKey("units.Unit", on_delete=models.PROTECT, related_name="+", db_index=False)
    key = models.CharField(max_length=64)
    content = models.CharField(max_length=64)
    batch = models.ForeignKey("core.Batch", on_delete=models.PROTECT, related_name="+")

    class Meta:
        constraints = [
            models.UniqueConstraint(
                fields=["unit", "key"],
                name="importedentry_once",
                violation_error_message="This row of the older records is already here.",
            ),
        ]

    def __str__(self) -> str:
        return self.key
