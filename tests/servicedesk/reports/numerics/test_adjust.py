"""Adjusted rate ratios, held against the published regression, plain sums and statsmodels."""

from __future__ import annotations

import itertools
import math

import numpy as np
import pytest
import statsmodels.api as sm
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray

from servicedesk.reports.numerics.counts.adjust import rate_regression
from servicedesk.reports.numerics.counts.rates import event_rate
from tests.servicedesk.reports.numerics.fleets import unhurried
from tests.servicedesk.reports.numerics.published import Check, data_set

Columns = tuple[NDArray[np.int64], NDArray[np.float64], NDArray[np.float64], NDArray[np.int64]]
NAMES = ["all", "dark", "age"]


def fleet_rows(seed: int, *, rows: int = 400, sites: int = 50) -> Columns:
    """Make rows of items and age bands: failures, exposure, design, site."""
    rng = np.random.default_rng(seed)
    site = rng.integers(0, sites, rows)
    exposure = rng.uniform(0.2, 3, rows)
    design = np.column_stack([np.ones(rows), rng.integers(0, 2, rows), rng.uniform(-1, 1, rows)])
    mean = exposure * np.exp(design @ [-0.5, 0.7, 0.4]) * rng.gamma(2, 0.5, sites)[site]
    return rng.poisson(mean), exposure, design, site


def test_doctors() -> None:
    check = Check("doll_hill_poisson")
    deaths = check.input["smokers_deaths"] + check.input["nonsmokers_deaths"]
    years = check.input["smokers_py"] + check.input["nonsmokers_py"]
    design = np.column_stack([np.tile(np.eye(5), (2, 1)), np.repeat([1, 0], 5)])
    fit = rate_regression(deaths, years, design, None, names=[*check.input["strata"], "smoking"])
    check.holds("irr_smoke", fit.ratio[-1])
    check.holds("lower", fit.low[-1])
    check.holds("upper", fit.high[-1])
    check.holds("deviance", fit.deviance)
    assert fit.clusters is None
    assert fit.names[-1] == "smoking"


def test_like_the_plain_score_and_sandwich() -> None:
    events, exposure, design, site = fleet_rows(1, rows=60, sites=8)
    fit = rate_regression(events, exposure, design, site, names=NAMES)
    mean = [t * math.exp(sum(x * b for x, b in zip(row, fit.coefficient, strict=True)))
            for t, row in zip(exposure, design, strict=True)]  # fmt: skip
    information, scores = np.zeros((3, 3)), {each: np.zeros(3) for each in set(site.tolist())}
    for n, m, row, each in zip(events, mean, design, site.tolist(), strict=True):
        information += m * np.outer(row, row)
        scores[each] += (n - m) * row
    assert sum(scores.values()) == pytest.approx(np.zeros(3), abs=1e-8)
    middle = sum(np.outer(score, score) for score in scores.values())
    inverse, k = np.linalg.inv(information), len(scores)
    np.testing.assert_allclose(fit.std_error, np.sqrt(np.diag(inverse @ middle @ inverse) * k / (k - 1)))
    t = 2.3646242515927844  # 97.5% point on 7 degrees of freedom (any t table)
    np.testing.assert_allclose(fit.low, np.exp(fit.coefficient - t * fit.std_error))
    np.testing.assert_allclose(fit.high, fit.ratio * np.exp(t * fit.std_error))
    pearson = sum((n - m) ** 2 / m for n, m in zip(events, mean, strict=True))
    assert (fit.dispersion, fit.clusters) == (pytest.approx(pearson / 57), 8)


def test_like_statsmodels() -> None:
    events, exposure, design, site = fleet_rows(2)
    fit = rate_regression(events, exposure, design, site, names=NAMES)
    model = sm.GLM(events, design, family=sm.families.Poisson(), exposure=exposure)
    peer = model.fit(cov_type="cluster", cov_kwds={"groups": site}, tol=1e-12)
    np.testing.assert_allclose(fit.coefficient, peer.params, rtol=1e-8)
    # statsmodels corrects for rows and coefficients on top of k / (k - 1), as R's vcovCL of type HC1 does.
    rows, width = design.shape
    np.testing.assert_allclose(fit.std_error * math.sqrt((rows - 1) / (rows - width)), peer.bse, rtol=1e-8)
    assert fit.deviance == pytest.approx(peer.deviance)
    independent = rate_regression(events, exposure, design, None, names=NAMES)
    np.testing.assert_allclose(independent.std_error, model.fit(tol=1e-12).bse, rtol=1e-8)


def test_leaving_out_each_row_is_statsmodels_one_step_influence() -> None:
    events, exposure, design, _ = fleet_rows(6, rows=60)
    fit = rate_regression(events, exposure, design, np.arange(60), names=NAMES, left_out=True)
    peer = sm.GLM(events, design, family=sm.families.Poisson(), exposure=exposure).fit(tol=1e-12)
    changes = peer.get_influence().d_params  # by one Newton step, as is ours
    np.testing.assert_allclose(fit.std_error, np.sqrt(59 / 60 * (changes**2).sum(axis=0)), rtol=1e-6)


def test_leaving_out_each_site_is_near_fitting_without_it() -> None:
    events, exposure, design, site = fleet_rows(7, rows=300, sites=12)
    fit = rate_regression(events, exposure, design, site, names=NAMES, left_out=True)
    refits = []
    for each in np.unique(site):
        mask = site != each
        refits.append(
            rate_regression(events[mask], exposure[mask], design[mask], None, names=NAMES).coefficient
        )
    changes = np.stack(refits) - fit.coefficient
    # Cameron and Miller (2015), VI.B: the cluster jackknife about the full fit. The fits without a site are
    # worked out to their end there, by one step here.
    jackknife = np.sqrt(11 / 12 * (changes**2).sum(axis=0))
    np.testing.assert_allclose(fit.std_error, jackknife, rtol=0.05)
    assert (fit.std_error > rate_regression(events, exposure, design, site, names=NAMES).std_error).all()


def test_leaving_out_sites_has_a_closed_form_for_one_rate() -> None:
    events, exposure = np.array([3, 0, 4, 1, 7]), np.array([2.0, 3.0, 1.5, 2.5, 4.0])
    fit = rate_regression(
        events, exposure, np.ones((5, 1)), range(5), names=["rate"], left_out=True, degrees=3
    )
    share = exposure / exposure.sum()
    changes = (events - 15 * share) / (15 * (1 - share))  # residual over one less its leverage: CR3
    assert fit.std_error[0] == pytest.approx(math.sqrt(4 / 5 * (changes**2).sum()))
    t = 3.182446305284263  # 97.5% point on 3 degrees of freedom (any t table)
    assert fit.high[0] == pytest.approx(15 / exposure.sum() * math.exp(t * fit.std_error[0]))


def test_what_only_one_site_tells_has_no_error_and_disturbs_no_other() -> None:
    events, exposure, design, site = fleet_rows(8, rows=200, sites=20)
    alone = (site == 3).astype(float)
    fit = rate_regression(
        events, exposure, np.column_stack([design, alone]), site, names=[*NAMES, "alone"], left_out=True
    )
    assert math.isinf(fit.std_error[-1])
    assert (fit.low[-1], fit.high[-1]) == (0, math.inf)
    changes = []
    for each in range(20):
        mask = site != each
        columns = design if each == 3 else np.column_stack([design, alone])
        without = rate_regression(
            events[mask], exposure[mask], columns[mask], None, names=[*NAMES, "alone"][: columns.shape[1]]
        )
        changes.append(without.coefficient[:3] - fit.coefficient[:3])
    jackknife = np.sqrt(19 / 20 * (np.stack(changes) ** 2).sum(axis=0))
    np.testing.assert_allclose(fit.std_error[:3], jackknife, rtol=0.1)  # one step against all


def test_near_the_andersen_gill_model_of_bladder_recurrences() -> None:
    # With a level for every risk set Poisson regression is the Andersen-Gill model with Breslow's ties; the
    # printed figures have Efron's, a few per cent away.
    check, rows = Check("bladder_ag"), data_set("bladder2")
    months = np.unique(rows["stop"][rows["event"] == 1])
    sets = (rows["start"][:, np.newaxis] < months) & (months <= rows["stop"][:, np.newaxis])
    row, level = np.nonzero(sets)
    failed = (rows["stop"][row] == months[level]) & (rows["event"][row] == 1)
    covariates = np.column_stack([rows[name][row] for name in ("rx", "size", "number")])
    robust, independent = (
        rate_regression(
            failed.astype(int),
            np.ones(row.size),
            np.hstack([np.eye(months.size)[level], covariates]),
            site,
            names=[*(f"month {month:g}" for month in months), "rx", "size", "number"],
        )
        for site in (rows["id"][row].astype(int), None)
    )
    assert robust.coefficient[-3] == pytest.approx(check.value("rx_coef"), rel=0.03)
    assert robust.std_error[-3] == pytest.approx(check.value("robust_se"), rel=0.03)
    assert independent.std_error[-3] == pytest.approx(check.value("model_se"), rel=0.03)


def test_a_column_of_ones_alone_is_the_rate() -> None:
    fit = rate_regression([3, 0, 4], [2.0, 3.0, 1.5], np.ones((3, 1)), ["a", "b", "c"], names=["rate"])
    assert fit.ratio[0] == pytest.approx(event_rate(7, 6.5).rate)


def test_as_many_coefficients_as_rows_leave_no_dispersion() -> None:
    fit = rate_regression([3, 4], [1, 2], np.eye(2), None, names=["a", "b"])
    assert fit.ratio.tolist() == pytest.approx([3, 2])
    assert math.isnan(fit.dispersion)
    assert fit.deviance == pytest.approx(0, abs=1e-9)


def test_rows_nobody_watched_do_not_count() -> None:
    events, exposure, design, site = fleet_rows(3, rows=80)
    more = rate_regression(
        np.append(events, 0),
        np.append(exposure, 0.0),
        np.vstack([design, [1, 1, 9]]),
        np.append(site, 777),
        names=NAMES,
    )
    plain = rate_regression(events, exposure, design, site, names=NAMES)
    np.testing.assert_allclose(more.std_error, plain.std_error)
    assert more.clusters == plain.clusters


@unhurried
@given(st.integers(0, 500), st.floats(0.01, 100))
def test_unit_order_and_splitting_rows_do_not_matter(seed: int, unit: float) -> None:
    events, exposure, design, site = fleet_rows(seed, rows=120)
    plain = rate_regression(events, exposure, design, site, names=NAMES)
    order = np.random.default_rng(seed).permutation(240)
    half = events // 2
    split = rate_regression(
        np.concatenate([half, events - half])[order],
        np.tile(exposure / 2, 2)[order] * unit,
        np.tile(design, (2, 1))[order],
        np.tile(site, 2)[order],
        names=NAMES,
    )
    np.testing.assert_allclose(split.coefficient[1:], plain.coefficient[1:], atol=1e-8)
    assert split.ratio[0] * unit == pytest.approx(plain.ratio[0])
    np.testing.assert_allclose(split.std_error, plain.std_error, rtol=1e-6)


GOOD = {"events": [3, 4, 1, 2], "exposure": [1, 1, 1, 1], "design": [[1, 0], [1, 0], [1, 1], [1, 1]],
        "cluster": [1, 2, 3, 4], "names": ["all", "dark"]}  # fmt: skip


@pytest.mark.parametrize(
    ("bad", "words"),
    [
        ({"events": [3, 4, 0, 0]}, "the coefficient of dark runs away"),
        ({"events": [3, 4, 1]}, "events has 3"),
        ({"exposure": [0, 0, 0, 0], "events": [0, 0, 0, 0]}, "nothing was watched"),
        ({"cluster": [1, 2, 3]}, "cluster has 3"),
        ({"cluster": [1, 1, 1, 1]}, "cluster names only one site"),
        ({"design": [[1, 0, 0]] * 4}, "one column for each of the 2 names"),
        ({"design": [1, 1, 1, 1]}, "its shape is"),
        ({"design": [[1, 0], [1, 0], [1, math.nan], [1, 1]]}, "missing or infinite value under dark"),
        ({"design": [[1, 0]] * 4}, "says nothing under dark"),
        ({"design": [["a", "b"]] * 4}, "design must hold numbers"),
        ({"exposure": [1, 0, 0, 0], "events": [1, 0, 0, 0], "design": [[1, 1]] * 4}, "2 columns for only 1"),
        (
            {"design": [[1, 1, 0], [1, 1, 0], [1, 0, 1], [1, 0, 1]], "names": ["all", "light", "dark"]},
            "same thing",
        ),
    ],
)
def test_bad_input_is_answered_by_a_sentence(bad: dict[str, object], words: str) -> None:
    with pytest.raises(ValueError, match=words):
        rate_regression(**{**GOOD, **bad})  # type: ignore[arg-type]


def test_every_column_of_an_overlap_is_named() -> None:
    design = [[1, 1, 0, 5], [1, 1, 0, 2], [1, 0, 1, 7], [1, 0, 1, 1], [1, 0, 1, 0]]
    with pytest.raises(ValueError, match="leave one out") as caught:
        rate_regression([1, 2, 3, 4, 5], [1] * 5, design, None, names=["every", "light", "dark", "age"])
    assert all(name in str(caught.value) for name in ("every", "light", "dark"))
    assert "age" not in str(caught.value)
    for pair in itertools.combinations(range(3), 2):
        rate_regression(
            [1, 2, 3, 4, 5], [1] * 5, np.array(design)[:, [*pair, 3]], None, names=["a", "b", "c"]
        )
