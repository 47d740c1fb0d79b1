"""The demo company's planted truths, as the figures find them: sun, keys, care, lots and confounding."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator
from datetime import date
from typing import Any

import pytest
from django.conf import settings
from django.core.management import call_command
from django.db import connection, transaction
from scipy.stats import binom

from schedules.models import MaintenanceRule
from servicedesk.demo.hazards import true_integrated_hazard
from servicedesk.demo.scenario import build_fleet
from servicedesk.demo.sources import Scenario, read_scenario
from servicedesk.reports.comparison.figure import compare_figure, comparison_sentence
from servicedesk.reports.comparison.verdicts import Word
from servicedesk.reports.forecast.figure import Assumptions, forecast_figure
from servicedesk.reports.maintenance.figure import maintenance_figure, maintenance_sentence
from servicedesk.reports.questions.selection import Selection
from servicedesk.reports.rates.figure import rates_figure
from servicedesk.reports.surveillance.lots import survey_lots
from units.models import ComponentType

pytestmark = pytest.mark.django_db

TODAY = date(2026, 11, 25)


@pytest.fixture(scope="module")
def scenario(django_db_setup: None, django_db_blocker: Any, tmp_path_factory: Any) -> Iterator[Scenario]:
    """The demo company, and what it is made from."""
    with django_db_blocker.unblock(), transaction.atomic():
        call_command("load_reference", verbosity=0)
        call_command("load_demo", today=TODAY, folder=tmp_path_factory.mktemp("files"), verbosity=0)
        connection.check_constraints()  # else every test would check all these rows again at its end
        yield read_scenario(settings.BASE_DIR / "fixtures")
        transaction.set_rollback(True)


def selection() -> Selection:
    """Everything, as of the day."""
    return Selection(as_of=TODAY)


def test_the_intervals_of_the_rates_hold_the_true_hazards(scenario: Scenario) -> None:
    fleet = build_fleet(scenario, today=TODAY)
    truth: dict[str, float] = defaultdict(float)
    for (name, _), expected in true_integrated_hazard(fleet).items():
        truth[name] += expected
    rows = [row for row in rates_figure(selection()).rows if row.judged.rate is not None]
    covered = 0
    for row in rows:
        assert row.judged.wide_low is not None
        assert row.judged.wide_high is not None
        covered += row.judged.wide_low <= 100 * truth[row.name] / row.years <= row.judged.wide_high
    assert len(rows) > 20
    # 95 % intervals: fewer than this hold the truth once in a thousand fleets.
    assert covered >= binom.ppf(0.001, len(rows), 0.95)


@pytest.mark.parametrize("name", ["flexible plastic liner", "clear vinyl film"])
def test_what_the_sun_shortens_fails_clearly_more_often_in_full_sun(scenario: Scenario, name: str) -> None:
    part = ComponentType.objects.get(name=name)
    rows = {
        row.name: row.verdict for row in rates_figure(selection().only("component", part.pk), by="sun").rows
    }
    assert rows["full sun"].word == Word.HIGHER
    assert rows["full sun"].sentence.startswith("clearly higher than the rest")
    assert Word.HIGHER not in {rows["some sun"].word, rows["little sun"].word}


def test_plastic_corner_keys_fail_clearly_more_often_than_other_corners(scenario: Scenario) -> None:
    corners = {name for name, kind in scenario.kinds.items() if kind == "corner"}
    rows = {row.name: row.verdict.word for row in rates_figure(selection()).rows if row.name in corners}
    assert [name for name, word in rows.items() if word == Word.HIGHER] == ["plastic corner key"]
    one = ComponentType.objects.get(name="plastic corner key")
    other = ComponentType.objects.get(name="corner joint, type not recorded")
    sentence = comparison_sentence(compare_figure(selection(), one=one.pk, other=other.pk))
    assert "plastic corner key fails clearly more often than corner joint" in sentence


def test_tracks_fail_faster_the_longer_they_were_not_lubricated(scenario: Scenario) -> None:
    rule = MaintenanceRule.objects.get(component_type__name="bare aluminum stepped track", work="lubricated")
    figure = maintenance_figure(selection(), rule)
    planted = {
        each.maintenance_shape for each in scenario.hazards if each.component_type == rule.component_type.name
    }
    assert len(planted) == 1
    assert figure.shape is not None
    assert figure.shape[1] > 1
    # Calls come some days after a failure, and such days after a round count to it: flatter than planted.
    assert figure.shape[0] <= max(planted)
    assert figure.best is not None
    assert maintenance_sentence(figure).startswith("The usual interval of 12 months is as good as any")
    late = [row.ratio for row in figure.bands if row.place > 1]
    assert any(ratio is not None and ratio[1] > 1 for ratio in late)


def test_the_bad_lot_is_flagged_before_any_other(scenario: Scenario) -> None:
    flagged = [each for each in survey_lots(TODAY).charts if each.flagged and each.lot]
    worst = min(flagged, key=lambda each: each.q_value or 0.0)
    assert (worst.name, worst.lot) == (scenario.bad_lot.component_type, scenario.bad_lot.lot)
    assert worst.times is not None
    assert worst.times[1] > 1
    # One in ten flags may be false (Benjamini and Hochberg 1995); `make bench` counts them over 200 fleets.
    assert len(flagged) <= 2


def test_the_planted_confounding_turns_the_comparison_round(scenario: Scenario) -> None:
    # One construction hangs dark on sunny walls, where any track fails more often; in like sun, color and
    # age its liner fails less often than the bare track it seems to be worse than.
    one = ComponentType.objects.get(name="flexible plastic liner")
    other = ComponentType.objects.get(name="bare aluminum stepped track")
    figure = compare_figure(selection(), one=one.pk, other=other.pk)
    crude, alike, adjusted = figure.ratios
    assert crude.ratio is not None
    assert alike.ratio is not None
    assert adjusted.ratio is not None
    assert crude.ratio > 1.1
    assert alike.ratio < 0.9
    assert adjusted.ratio < 0.9
    assert figure.confounding[-1].endswith("adjusted, it is the other way around.")
    assert any("dark" in line for line in figure.confounding)
    assert any("sun" in line for line in figure.confounding)
    assert "less often" in comparison_sentence(figure) or "cannot tell yet" in comparison_sentence(figure)


def test_the_forecast_of_a_year_ago_held_what_came(scenario: Scenario) -> None:
    before = date(2025, 11, 25)
    figure = forecast_figure(Selection(as_of=before, dated=True), Assumptions())
    came = {
        row.key: row.events for row in rates_figure(Selection(as_of=TODAY, from_on=date(2025, 11, 26))).rows
    }
    predicted = [row for row in figure.rows if row.year.mean is not None]
    covered = 0
    for row in predicted:
        assert row.year.low is not None
        assert row.year.high is not None
        # Units put up or lost since are in what came and not in the forecast: a failure or two.
        covered += row.year.low - 1 <= came.get(row.key, 0) <= row.year.high + 1
    assert len(predicted) > 15
    assert covered >= binom.ppf(0.001, len(predicted), 0.95)
