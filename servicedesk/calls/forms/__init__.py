"""Forms of calls, findings and work done."""

from .calls import (
    AnswerForm,
    CallSearchForm,
    CancelForm,
    ChangeCallForm,
    ChoiceForm,
    LogForm,
    MadeSafeForm,
    SiteSearchForm,
    UnitForm,
    WaitForm,
)
from .findings import ChangeFindingForm, FindingForm
from .finishing import FinishForm
from .works import WorkForm

__all__ = [
    "AnswerForm",
    "CallSearchForm",
    "CancelForm",
    "ChangeCallForm",
    "ChangeFindingForm",
    "ChoiceForm",
    "FindingForm",
    "FinishForm",
    "LogForm",
    "MadeSafeForm",
    "SiteSearchForm",
    "UnitForm",
    "WaitForm",
    "WorkForm",
]
