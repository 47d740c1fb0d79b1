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
from .browsers import SignedIn
from .changes import Change, ChangedField, Erasure
from .idempotency_keys import IdempotencyKey
from .second_steps import SecondStep
from .sign_ins import FailedSignIn
from .touches import Touch
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
    "Role",
    "SecondStep",
    "SignedIn",
    "StagedCustomer",
    "StagedProblem",
    "StagedRow",
    "StagedSite",
    "Touch",
    "User",
]
