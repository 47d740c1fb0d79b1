"""Safety advice for a caller, given at once when a safety question is answered with yes.

Nothing here is an assessment of a building: every sentence keeps people away until somebody qualified has
looked.
"""

from __future__ import annotations

from servicedesk.calls.models import SafetyAnswer
from units.cautions import DEFERENCE

Question = SafetyAnswer.Question

TELL_THEM: dict[str, str] = {
    Question.WONT_STAY_UP: (
        "Ask them to leave every panel down, to prop none up, and to keep hands and children from under it."
    ),
    Question.GUARD_GLASS: (
        "Ask them to keep people and pets away from that side, inside and below, and not to touch the glass. "
        "If it is what stops a fall, nobody uses that side until it is boarded or a barrier stands."
    ),
    Question.OPEN_TO_WEATHER: (
        "Ask them to leave the panel as it is, to move what water would spoil, and to keep away from any "
        "electric thing that is wet."
    ),
    Question.FALL_RISK: (
        "Ask them to shut the way to that opening and keep everybody out, children and pets first. Screen "
        "and film hold nobody. If somebody is hurt or in peril now, they ring the emergency number first."
    ),
}

AT_THE_SITE = (
    "Make it safe before you repair. Rotted or moving framing, a missing or failed guard, live wiring: stop, "
    "keep people back and refer it."
)

__all__ = ["AT_THE_SITE", "DEFERENCE", "TELL_THEM"]
