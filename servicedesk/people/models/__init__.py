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
from .changes import Change, ChangedField
from .receipts import Receipt
from .sign_ins import FailedSignIn
from .touches import Touch
from .users import Role, User

__all__ = [
    "Batch",
    "BatchFile",
    "Change",
    "ChangedField",
    "FailedSignIn",
    "InputFile",
    "Receipt",
    "Role",
    "StagedCustomer",
    "StagedProblem",
    "StagedRow",
    "StagedSite",
    "Touch",
    "User",
]
