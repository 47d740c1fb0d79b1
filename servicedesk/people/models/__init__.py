"""What the people app knows."""

from .batches import (
    Batch,
    BatchFile,
    InputFile,
    StagedCustomer,
    StagedProblem,
    StagedRow,
    StagedSite,
)
from .changes import Change, ChangedField, Erasure
from .idempotency_keys import IdempotencyKey
from .mfa_devices import MfaDevice
from .sign_ins import FailedSignIn
from .table_versions import TableVersion
from .user_sessions import UserSession
from .users import Role, User

__all__ = [
    "Batch",
    "BatchFile",
    "Change",
    "ChangedField",
    "Erasure",
    "FailedSignIn",
    "IdempotencyKey",
    "InputFile",
    "MfaDevice",
    "Role",
    "StagedCustomer",
    "StagedProblem",
    "StagedRow",
    "StagedSite",
    "TableVersion",
    "User",
    "UserSession",
]
