"""Failure modes behind each symptom, and the usual effort of the repair.

The modes behind each symptom are a starting point from common practice, no source; the minutes and people
come from the failure modes themselves, which the owner maintains.
"""

from __future__ import annotations

from dataclasses import dataclass

from servicedesk.calls.models import SafetyAnswer
from servicedesk.calls.models.calls import Symptom
from units.models import FailureMode

MODES_BEHIND: dict[str, tuple[str, ...]] = {
    Symptom.STIFF: ("TRK-01", "TRK-03", "LIN-04", "SSH-01", "FRM-01"),
    Symptom.STIFF_HOT: ("LIN-01",),
    Symptom.STIFF_HUMID: ("LIN-05",),
    Symptom.STIFF_COLD: ("DRN-01", "LIN-02"),
    Symptom.WONT_STAY_UP: ("PIN-01", "PIN-02"),
    Symptom.FALLS_OUT: ("PIN-03", "KEY-01"),
    Symptom.WATER: ("DRN-01", "SEA-01", "FAS-01"),
    Symptom.FILM: ("FLM-01", "FLM-02", "FLM-04", "SPL-01"),
    Symptom.SCREEN: ("SCR-01", "SCR-02"),
    Symptom.GLASS: ("LIT-01", "LIT-02"),
}

# A caller who reports one of these has answered the question already.
ANSWERED_BY: dict[str, str] = {
    Symptom.WONT_STAY_UP: SafetyAnswer.Question.WONT_STAY_UP,
    Symptom.FALLS_OUT: SafetyAnswer.Question.WONT_STAY_UP,
    Symptom.GLASS: SafetyAnswer.Question.GUARD_GLASS,
}

MINUTES_IF_UNKNOWN = 30
MOST_PERSONS = 2


@dataclass(frozen=True)
class Effort:
    """Planned effort of a repair before any inspection."""

    minutes: int
    persons: int


def usual_effort(symptom: str) -> Effort:
    """Usual minutes and people of a symptom's repair.

    The maximum over the failure modes behind it, so that the day has room for any of them.
    """
    codes = MODES_BEHIND.get(symptom, ())
    known = list(FailureMode.objects.filter(code__in=codes).values_list("minutes", "persons"))
    if not known:
        return Effort(MINUTES_IF_UNKNOWN, 1)
    return Effort(
        minutes=max(minutes for minutes, _ in known),
        persons=min(MOST_PERSONS, max(persons for _, persons in known)),
    )
