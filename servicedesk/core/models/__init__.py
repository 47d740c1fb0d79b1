"""Models of history, idempotency keys, the version of the records, and imports."""

from .batches import Batch
from .changes import Change, ChangedField, Erasure
from .idempotency_keys import IdempotencyKey
from .table_versions import TableVersion

__all__ = ["Batch", "Change", "ChangedField", "Erasure", "IdempotencyKey", "TableVersion"]
