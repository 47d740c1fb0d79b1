"""A forecast held against what came, late records, and pieces a failure: on page, file and command alike."""

from __future__ import annotations

import io
import json
from datetime import UTC, datetime, timedelta
from typing import Any

import numpy as np
import pytest
import time_machine
from django.core.management import call_command
from django.test import Client
from scipy import stats

from servicedesk.calls.models import Finding
from servicedesk.reports.forecast.figure import Assumptions, forecast_figure
from servicedesk.reports.forecast.year import as_of
from servicedesk.reports.histories import Window
from servicedesk.reports.numerics.prediction.forecast import predict_count
from servicedesk.reports.queries.lifetimes import read_histories
from servicedesk.reports.queries.scope import Scope
from servicedesk.reports.queries.standing import pieces_used
from tests.factories import SiteFactory, WorkFactory
from tests.servicedesk.reports.pages import csv_rows, open_page, plain
from tests.servicedesk.reports.small_fleets import Fleet, day, up_to

pytestmark = pytest.mark.django_db

DAYS = 1826
NOON = datetime(2024, 12, 31, 17, 0, tzinfo=UTC)


@pytest.fixture(autouse=True)
def _today() -> Any:
    with time_machine.travel(NOON, tick=False):
        yield


@pytest.fixture
def fleet() -> Fleet:
    """Forty tracks at ten sites, each failing once, and a failure taking one piece or six."""
    fleet = Fleet()
    sites = [SiteFactory() for _ in range(10)]
    for number in range(40):
        part = fleet.watched_part(site=sites[number % 10])
        finding = fleet.find(part, 100 + 42 * number)
        if number % 4 < 2:
            for _ in range(1 + number % 2):
                pieces = 3 if number % 2 else 1
                WorkFactory(
                    unit=part.unit,
                    installed_part=part,
                    finding=finding,
                    kind="replaced",
                    pieces=pieces,
                    done_on=finding.found_on,
                )
    return fleet


def test_histories_as_of_an_earlier_day_are_those_read_then(fleet: Fleet) -> None:
    late = fleet.unit()
    fleet.watch(late, 1500)
    fleet.find(fleet.fit(late), 1700)
    then = up_to(1460)
    read = read_histories(then, by="component").counting_rows(Window(0, then.last.toordinal()))
    cut = as_of(read_histories(up_to(DAYS), by="component"), then.last.toordinal())
    rows = cut.counting_rows(Window(0, then.last.toordinal()))
    for name in ("start", "stop", "event", "item", "site"):
        assert getattr(rows, name).tolist() == getattr(read, name).tolist()


def test_what_a_forecast_of_a_year_ago_would_have_said_stands_everywhere(
    as_owner: Client, fleet: Fleet
) -> None:
    (row,) = forecast_figure(up_to(DAYS), Assumptions()).rows
    then = row.year_ago
    assert then is not None
    a_year_ago = day(DAYS).toordinal() - 365.25
    assert then.came == sum(
        on.toordinal() > int(a_year_ago) for on in Finding.objects.values_list("found_on", flat=True)
    )
    assert then.low <= then.came <= then.high
    words = f"asked a year ago it would have said {then.low} to {then.high}; it was {then.came}"
    assert words in plain(open_page(as_owner, "/figures/forecast/"))
    assert words in csv_rows(as_owner, "/figures/forecast/?csv=1")[0]["what to know"]
    out = io.StringIO()
    call_command("figures", "forecast", "--json", stdout=out)
    document = json.loads(out.getvalue())
    assert words in document["rows"][0]["remarks"]
    assert document["rows"][0]["year_ago"] == {"low": then.low, "high": then.high, "came": then.came}
    paper = plain(open_page(as_owner, "/figures/year/"))
    assert words in paper
    assert document["late"] in paper


def test_the_newest_weeks_are_completed_by_what_is_usually_known_by_then(fleet: Fleet) -> None:
    before = forecast_figure(up_to(DAYS), Assumptions())
    assert "not known: it takes 30 written down" in before.late
    parts = [fleet.watched_part(of=fleet.liner, site=SiteFactory()) for _ in range(40)]
    for number, part in enumerate(parts):
        finding = fleet.find(part, DAYS - 100 - 12 * number)
        written = datetime.combine(finding.found_on, datetime.min.time(), UTC) + timedelta(days=60, hours=12)
        Finding.objects.filter(pk=finding.pk).update(recorded_at=written)
    after = forecast_figure(up_to(DAYS), Assumptions())
    assert "Nine in ten failures are written down within 60 days" in after.late
    row = next(row for row in after.rows if row.name == "nylon liner")
    # Of the last 60 of 1826 days nothing can be known; the stretches begin at 56 and 91 days.
    assert any("of the time so far has failures nobody wrote down yet" in note for note in row.notes)


def test_pieces_are_counted_by_failure(fleet: Fleet) -> None:
    # Twenty of forty failures took pieces: ten took one, ten took twice three.
    assert pieces_used(Scope(up_to(DAYS), "component")) == {fleet.track.pk: {1: 10, 6: 10}}
    (row,) = forecast_figure(up_to(DAYS), Assumptions()).rows
    assert row.pieces_each == pytest.approx(70 / 40)


def test_stock_of_pieces_is_the_quantile_of_the_compound_count() -> None:
    # A Poisson number of failures, each of one or six pieces as likely: the sum of two Poisson counts.
    pieces = predict_count(12.0, 12.0).pieces_for(0.95, {1: 30, 6: 30})
    ones, sixes = (stats.poisson.pmf(np.arange(60), 6) for _ in range(2))
    total = np.zeros(60 + 6 * 60)
    for number, chance in enumerate(sixes):
        total[6 * number : 6 * number + 60] += chance * ones
    exact = int(np.argmax(np.cumsum(total) >= 0.95))
    assert abs(pieces - exact) <= 2
    assert predict_count(12.0, 12.0).pieces_for(0.95, {2: 9}) == 2 * stats.poisson.ppf(0.95, 12)
    with pytest.raises(ValueError, match="no failure has taken any piece"):
        predict_count(12.0, 12.0).pieces_for(0.95, {})
