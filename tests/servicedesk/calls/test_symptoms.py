"""What a symptom is taken to come from, checked against the reference data of the trade."""

from __future__ import annotations

from pathlib import Path

import pytest
from django.conf import settings
from django.utils import timezone

from schedules.maintenance.reference import load_all
from servicedesk.calls.models.calls import Symptom
from servicedesk.calls.symptoms import ANSWERED_BY, MODES_BEHIND, Effort, usual_effort
from units.models import FailureMode

pytestmark = pytest.mark.django_db


def test_every_symptom_but_something_else_leads_to_known_faults() -> None:
    folder = Path(settings.BASE_DIR) / "fixtures" / "reference"
    load_all(folder, by=None, at=timezone.now())
    assert set(MODES_BEHIND) == set(Symptom.values) - {"other"}
    named = {code for codes in MODES_BEHIND.values() for code in codes}
    assert named == set(FailureMode.objects.filter(code__in=named).values_list("code", flat=True))


def test_what_drops_or_breaks_names_a_danger() -> None:
    """A panel that does not stay up may drop, loose glass may let fall: common practice, no source."""
    assert set(ANSWERED_BY) == {"wont_stay_up", "falls_out", "glass"}


def test_an_unknown_effort_is_half_an_hour_for_one() -> None:
    assert usual_effort("other") == usual_effort("stiff") == Effort(minutes=30, persons=1)
