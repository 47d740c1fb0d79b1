"""The range that is printed holds the true rate, however the records came about."""

from __future__ import annotations

from pathlib import Path

import pytest
from django.db import transaction
from scipy.stats import binom

from servicedesk.reports.questions.exclusion_words import exclusion_sentences
from tests.kept_values import forget_all
from tests.servicedesk.reports.known_truth import CASES, Case, printed_range

FLEETS = 12
"""Fleets by which each case is tried here; `make bench` tries three hundred."""

FEWEST = int(binom.ppf(0.001, FLEETS, 0.93))
"""Of ranges that hold the truth 93 times in a hundred, fewer than this do once in a thousand tries."""


@pytest.mark.long
@pytest.mark.django_db
@pytest.mark.parametrize("case", CASES, ids=lambda case: case.name)
def test_the_printed_range_holds_the_truth_and_says_what_was_assumed(case: Case, tmp_path: Path) -> None:
    covered = said = 0
    for seed in range(FLEETS):
        low, high, left_out, import_output = printed_alone(case, seed, tmp_path)
        covered += low <= case.truth <= high
        said += left_out[case.said]
        assert (case.said in dict(exclusion_sentences(left_out))) == (left_out[case.said] > 0)
        assert ("60 units do not say in observed_from" in import_output) == (case.said == "start_not_said")
    assert covered >= FEWEST
    assert said > 0


def printed_alone(case: Case, seed: int, folder: Path) -> tuple[float, float, dict[str, int], str]:
    """Read what is printed of one fleet, and leave nothing of it behind."""
    forget_all()  # a fleet that was rolled back has the same version as the next
    with transaction.atomic():
        printed = printed_range(case, seed, folder)
        transaction.set_rollback(True)
    return printed
