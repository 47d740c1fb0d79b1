"""Two types held against each other: as they are, like with like, and adjusted; refusals and words."""

from __future__ import annotations

import io
import json
from datetime import UTC, datetime
from math import exp, log, sqrt
from typing import Any

import numpy as np
import pytest
import statsmodels.api as sm
import time_machine
from django.core.management import CommandError, call_command
from django.test import Client
from pytest_django import DjangoAssertNumQueries
from scipy.stats import t

from servicedesk.reports.annual_report.blocks import Points
from servicedesk.reports.annual_report.document import year_report
from servicedesk.reports.comparison.figure import CompareFigure, compare_figure, comparison_sentence
from tests.factories import ComponentTypeFactory, SiteFactory
from tests.servicedesk.reports.pages import csv_rows, link_of, link_saying, open_page, plain, rows
from tests.servicedesk.reports.small_fleets import Fleet, up_to

pytestmark = pytest.mark.django_db

NOON = datetime(2024, 12, 31, 17, 0, tzinfo=UTC)
LAST = 1826
PLACES = {
    "sunny": {"facing": 180, "shade": "none", "finish": "white"},
    "shady": {"facing": 0, "shade": "full", "finish": "white"},
    "shady dark": {"facing": 0, "shade": "full", "finish": "dark"},
}

SITES_OF_ALL_SORTS = [
    (0, 1, 1, 40),
    (0, 1, 0, 40),
    (0, 0, 1, 1),
    (0, 0, 0, 19),
    (1, 1, 1, 14),
    (1, 1, 0, 6),
    (1, 0, 1, 12),
    (1, 0, 0, 68),
]
"""Type, in the sun or not, failures, and number of such sites of the confounded fleet."""


@pytest.fixture(autouse=True)
def _today() -> Any:
    with time_machine.travel(NOON, tick=False):
        yield


def put_up(fleet: Fleet, of: Any, place: str, *, units: int, failing: int) -> None:
    """Fit parts of a type at sites of their own in one sort of place; some fail once."""
    for number in range(units):
        unit = fleet.unit(SiteFactory(), **PLACES[place])
        fleet.watch(unit, 0)
        part = fleet.fit(unit, of=of)
        if number < failing:
            fleet.find(part, 100 + 7 * number)


@pytest.fixture
def confounded() -> Fleet:
    """Bare tracks mostly in the sun, liners mostly in the shade; in each place the liner fails more often."""
    fleet = Fleet()
    put_up(fleet, fleet.track, "sunny", units=80, failing=40)
    put_up(fleet, fleet.track, "shady", units=20, failing=1)
    put_up(fleet, fleet.liner, "sunny", units=20, failing=14)
    put_up(fleet, fleet.liner, "shady", units=80, failing=12)
    return fleet


def figure_of(fleet: Fleet, **fields: Any) -> CompareFigure:
    return compare_figure(up_to(LAST, **fields), one=fleet.track.pk, other=fleet.liner.pk)


def test_what_sun_does_is_not_put_down_to_the_type(confounded: Fleet) -> None:
    """Simpson's reversal: worse as they are, better like with like."""
    figure = figure_of(confounded)
    crude, stratified, adjusted = figure.ratios
    assert crude.ratio == pytest.approx(41 / 26)
    # Mantel and Haenszel by hand: all parts were watched equally long, so time goes by numbers. All failures
    # came in the first two years; the older ages have time and no failures and add nothing.
    above = 40 * 20 / 100 + 1 * 80 / 100
    below = 14 * 80 / 100 + 12 * 20 / 100
    assert stratified.ratio == pytest.approx(above / below)
    assert stratified.low is not None
    assert stratified.high is not None
    # Leaving out a site that failed, or one that did not, of each type and place, by hand.
    changes = []
    for type_failed, place_sunny, failed, times in SITES_OF_ALL_SORTS:
        left = {(0, 1): [40, 80], (0, 0): [1, 20], (1, 1): [14, 20], (1, 0): [12, 80]}
        left[type_failed, place_sunny][0] -= failed
        left[type_failed, place_sunny][1] -= 1
        up = down = 0.0
        for sunny in (1, 0):
            (a, m), (b, n) = left[0, sunny], left[1, sunny]
            up, down = up + a * n / (m + n), down + b * m / (m + n)
        changes += [log(up / down) - log(above / below)] * times
    half = t.ppf(0.975, 99) * sqrt(199 / 200 * sum(change**2 for change in changes))
    assert (log(stratified.low), log(stratified.high)) == pytest.approx(
        (log(above / below) - half, log(above / below) + half)
    )
    assert adjusted.ratio is not None
    assert adjusted.ratio < 1
    text = " ".join(figure.confounding)
    assert "Of the time bare track was watched, 80 % was full sun; of nylon liner, 20 %." in text
    assert "adjusted, it is the other way around" in text


def test_the_limits_of_the_crude_ratio_are_those_of_leaving_out_each_site(confounded: Fleet) -> None:
    crude = figure_of(confounded).ratios[0]
    assert crude.low is not None
    assert crude.high is not None
    # 100 sites of each type, equally long watched: the logarithm of what is left of each rate without one.
    squares = 0.0
    for failures in (41, 26):
        for failed, times in ((1, failures), (0, 100 - failures)):
            squares += times * log((failures - failed) / 99 / (failures / 100)) ** 2
    half = t.ppf(0.975, 99) * sqrt(199 / 200 * squares)
    assert (log(crude.low), log(crude.high)) == pytest.approx((log(41 / 26) - half, log(41 / 26) + half))


def test_the_adjusted_ratio_is_that_of_statsmodels(confounded: Fleet) -> None:
    adjusted = figure_of(confounded).ratios[2]
    # One row a type, place and age band; only the first two years hold failures.
    cells = [(1, 1, 40, 80), (1, 0, 1, 20), (0, 1, 14, 20), (0, 0, 12, 80)]
    design = np.array([[1, one, sunny] for one, sunny, _, _ in cells])
    fit = sm.GLM(
        np.array([events for *_, events, _ in cells]),
        design,
        family=sm.families.Poisson(),
        offset=np.log([units * LAST for *_, units in cells]),
    ).fit()
    assert adjusted.ratio == pytest.approx(exp(fit.params[1]))


@pytest.mark.parametrize(
    ("failing", "sentence"),
    [
        (
            (30, 8),
            (
                "Adjusted for age, sun and color, bare track fails clearly more often than nylon liner: "
                "3.8 times as often"
            ),
        ),
        (
            (8, 30),
            (
                "Adjusted for age, sun and color, bare track fails clearly less often than nylon liner: "
                "0.27 times as often"
            ),
        ),
        (
            (14, 12),
            (
                "Adjusted for age, sun and color, the records cannot tell yet whether bare track or nylon "
                "liner fails more"
            ),
        ),
        ((1, 1), "The records cannot tell yet whether bare track fails more often than nylon liner: with 2"),
    ],
)
def test_the_answer_is_one_sentence(failing: tuple[int, int], sentence: str) -> None:
    fleet = Fleet()
    for of, number in zip((fleet.track, fleet.liner), failing, strict=True):
        put_up(fleet, of, "sunny", units=40, failing=number)
    figure = figure_of(fleet)
    text = comparison_sentence(figure)
    if figure.ratios[2].known:  # the regression allows for most and leads where it can be had
        sentence = sentence.replace("Adjusted for age, sun and color", "Adjusted by regression")
    assert text.startswith(sentence)


def test_sun_and_color_that_go_together_are_named() -> None:
    fleet = Fleet()
    for of in (fleet.track, fleet.liner):
        put_up(fleet, of, "sunny", units=20, failing=14)
        put_up(fleet, of, "shady dark", units=20, failing=14)
    reason = figure_of(fleet).ratios[2].reason
    assert reason.endswith("go together in these records, so they cannot be told apart")
    assert reason.startswith("“dark and little sun”")


def test_types_that_never_stood_in_like_places_can_not_be_compared_alike() -> None:
    fleet = Fleet()
    put_up(fleet, fleet.track, "sunny", units=30, failing=12)
    put_up(fleet, fleet.liner, "shady", units=30, failing=12)
    figure = figure_of(fleet)
    assert figure.ratios[1].reason == "the two were never watched in the same sun, of the same color and age"
    assert not figure.ratios[2].known
    assert figure.best.name == "unadjusted"


def test_thin_records_give_reasons_and_no_ratio() -> None:
    fleet = Fleet()
    put_up(fleet, fleet.track, "sunny", units=2, failing=2)
    put_up(fleet, fleet.liner, "sunny", units=30, failing=0)
    figure = figure_of(fleet)
    crude, stratified, adjusted = figure.ratios
    assert crude.reason == "it takes 5 sites of each type, and bare track stands at 2"
    assert stratified.reason == adjusted.reason == crude.reason
    text = comparison_sentence(figure)
    assert (
        "fails more often than nylon liner: it takes 5 sites of each type, and bare track stands at 2."
        in text
    )
    assert "Bare track: 2 failures in 10 part-years; no rate, because watched at 2 sites only" in text
    assert (
        "Nylon liner: No failure in 150 part-years: the rate may be nothing, or up to 2.5 per 100 a year."
        in text
    )
    assert figure.p_value is None
    assert figure.test_reason == "bare track: 2 failures at 2 sites; the test takes 5 at 5"


def test_allowing_for_more_does_not_make_more_sites_of_four() -> None:
    fleet = Fleet()
    for number in range(4):
        unit = fleet.unit(SiteFactory(), **PLACES["sunny"])
        fleet.watch(unit, 0)
        part = fleet.fit(unit, of=fleet.track)
        for again in range(12):
            fleet.find(part, 100 + 40 * again + number)
    put_up(fleet, fleet.liner, "sunny", units=40, failing=20)
    figure = figure_of(fleet)
    assert [ratio.known for ratio in figure.ratios] == [False, False, False]
    assert "clearly" not in comparison_sentence(figure)


def test_five_sites_that_never_stood_in_like_places_are_too_few_there() -> None:
    fleet = Fleet()
    put_up(fleet, fleet.track, "sunny", units=12, failing=9)
    put_up(fleet, fleet.liner, "shady", units=12, failing=9)
    put_up(fleet, fleet.liner, "sunny", units=4, failing=3)
    crude, stratified, _ = figure_of(fleet).ratios
    assert crude.known
    assert stratified.reason == (
        "it takes 5 sites of each type in the same sun, of the same color and age, and nylon liner "
        "stands at 4"
    )


def test_failures_of_one_site_alone_give_no_ratio() -> None:
    fleet = Fleet()
    unit = fleet.unit(SiteFactory(), **PLACES["sunny"])
    fleet.watch(unit, 0)
    part = fleet.fit(unit, of=fleet.track)
    for again in range(12):
        fleet.find(part, 100 + 40 * again)
    put_up(fleet, fleet.track, "sunny", units=9, failing=0)
    put_up(fleet, fleet.liner, "sunny", units=10, failing=4)
    figure = figure_of(fleet)
    assert figure.ratios[0].reason == "it would rest on the failures of one site"
    assert comparison_sentence(figure).startswith("The records cannot tell yet")


def test_nothing_watched_gives_reasons_too() -> None:
    fleet = Fleet()
    figure = figure_of(fleet)
    assert [ratio.known for ratio in figure.ratios] == [False, False, False]
    assert figure.strata == []
    assert comparison_sentence(figure).startswith("The records cannot tell yet")


def test_page_file_and_command_say_the_same(as_owner: Client, confounded: Fleet) -> None:
    address = f"/figures/compare/?one={confounded.track.pk}&other={confounded.liner.pk}"
    page = open_page(as_owner, address)
    assert "adjusted, it is the other way around" in plain(page)
    assert [row[:2] for row in rows(page)] == [["Bare track", "41"], ["Nylon liner", "26"]]
    assert len(rows(open_page(as_owner, link_of(page, "Nylon liner")))) == 26
    out = io.StringIO()
    call_command("figures", "compare", "--of", "bare track", "--with", "nylon liner", "--json", stdout=out)
    document = json.loads(out.getvalue())
    file = csv_rows(as_owner, "/figures/compare/" + link_saying(page, "Download CSV file"))
    ratios = rows(page, table=1)
    for ratio, cells, shown in zip(document["ratios"], file, ratios, strict=False):
        assert ratio["reckoned"] == cells["what"]
        assert float(cells["times as often"]) == ratio["ratio"]
        assert (float(cells["from (95 %)"]), float(cells["to (95 %)"])) == (ratio["low"], ratio["high"])
        assert shown[1:] == [f"{ratio['ratio']:.2f}", f"{ratio['low']:.2f} – {ratio['high']:.2f}"]
    strata = rows(page, table=2)
    assert len(strata) == len(document["strata"]) == len(file) - 3
    assert sum(stratum["events"][0] for stratum in document["strata"]) == 41


def test_until_two_types_are_chosen_the_pairs_are_offered(as_owner: Client) -> None:
    page = open_page(as_owner, "/figures/compare/")
    assert "Nothing to compare" in page
    fleet = Fleet()
    page = open_page(as_owner, "/figures/compare/")
    address = link_saying(page, "Bare track against nylon liner")
    assert f"one={fleet.track.pk}" in address
    assert "cannot tell yet" in plain(open_page(as_owner, address))


def test_what_can_not_be_compared_is_refused(as_owner: Client) -> None:
    fleet = Fleet()
    corner = ComponentTypeFactory(name="key", kind="corner")
    same = f"/figures/compare/?one={fleet.track.pk}&other={fleet.track.pk}"
    assert "Choose another type than the first." in open_page(as_owner, same, status=422)
    odd = f"/figures/compare/?one={fleet.track.pk}&other={corner.pk}"
    assert "only those do the same job" in open_page(as_owner, odd, status=422)
    for arguments, sentence in (
        (["--of", "bare track"], "--with: say which type of part to compare."),
        (["--of", "bare track", "--with", "key"], "--with: take another track or liner than bare track"),
        (
            ["--of", "rope", "--with", "key"],
            "--of: “rope” is no known type of part. There are bare track, key",
        ),
    ):
        with pytest.raises(CommandError) as refused:
            call_command("figures", "compare", *arguments)
        assert str(refused.value).startswith(sentence)


@pytest.mark.parametrize("many", [3, 30])
def test_the_page_takes_the_same_few_queries_however_many_items(
    as_owner: Client, many: int, django_assert_max_num_queries: DjangoAssertNumQueries
) -> None:
    fleet = Fleet()
    for of in (fleet.track, fleet.liner):
        put_up(fleet, of, "sunny", units=many, failing=many // 2)
    with django_assert_max_num_queries(35):
        open_page(as_owner, f"/figures/compare/?one={fleet.track.pk}&other={fleet.liner.pk}")


def test_page_file_command_and_report_of_the_year_refuse_alike(as_owner: Client) -> None:
    fleet = Fleet()
    put_up(fleet, fleet.liner, "sunny", units=20, failing=10)
    for number in range(3):
        unit = fleet.unit(SiteFactory(), **PLACES["sunny"])
        fleet.watch(unit, 0)
        part = fleet.fit(unit, of=fleet.track)
        for again in range(4):
            fleet.find(part, 100 + 40 * again + number)
    reason = "it takes 5 sites of each type, and bare track stands at 3"
    sentence = comparison_sentence(figure_of(fleet))
    assert reason in sentence
    page = open_page(as_owner, f"/figures/compare/?one={fleet.track.pk}&other={fleet.liner.pk}")
    assert sentence in plain(page)
    assert [row[1] for row in rows(page, table=1)] == [f"cannot tell yet: {reason}"] * 3
    file = csv_rows(as_owner, "/figures/compare/" + link_saying(page, "Download CSV file"))
    assert [row["why none"] for row in file[:3]] == [reason] * 3
    out = io.StringIO()
    call_command("figures", "compare", "--of", "bare track", "--with", "nylon liner", "--json", stdout=out)
    assert [ratio.get("reason") for ratio in json.loads(out.getvalue())["ratios"]] == [reason] * 3
    blocks = year_report(up_to(LAST)).blocks
    assert sentence in [words for block in blocks if isinstance(block, Points) for words in block.words]
