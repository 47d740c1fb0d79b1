"""Poisson regression of failure rates on covariates (type, sun, color, age), with cluster-robust errors."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy import linalg, special

from servicedesk.reports.numerics import columns
from servicedesk.reports.numerics.columns import FloatArray, IntArray
from servicedesk.reports.numerics.counts.sites import counts_at_risk
from servicedesk.reports.numerics.distributions import normal_quantile, t_quantile

MOST_ROUNDS = 25
"""Most iterations: a regression that converges at all does so in half as many."""

LARGEST_LOG = 300.0
"""Linear predictors are clipped to this size: rates beyond this power of e are no rates."""

SETTLED = 1e-10
"""Convergence tolerance: coefficients that move less than this, relative to their size, have converged."""

OVERLAP = 1e-9
"""Rank tolerance: a column that adds less than this share of itself to the others is collinear with them."""


class OverlapError(ValueError):
    """Collinear columns of a design: ``name`` is a linear combination of ``others``."""

    def __init__(self, name: str, others: Sequence[str]) -> None:
        super().__init__(
            f"design says the same thing under {name} as under {' and '.join(others)}; "
            "the records cannot tell them apart, so leave one out."
        )
        self.name, self.others = name, tuple(others)


@dataclass(frozen=True, kw_only=True, eq=False)
class Regression:
    """Result of a log-linear Poisson regression of failure rates.

    Attributes
    ----------
    names : tuple of str
        Names of the columns of the design.
    coefficient, std_error : ndarray
        Logarithms of the rate ratios, with their standard errors (site-robust where sites were given).
    ratio, low, high : ndarray
        Rate ratios (the rate itself for a column of ones), with limits.
    dispersion : float
        Pearson's chi-square over its degrees of freedom, row by row; NaN when there are as many coefficients
        as rows.
    deviance : float
        Twice the log-likelihood lost against rows that each have their own rate.
    clusters : int or None
        Sites behind the standard errors; None if items counted as independent.
    """

    names: tuple[str, ...]
    coefficient: FloatArray
    std_error: FloatArray
    ratio: FloatArray
    low: FloatArray
    high: FloatArray
    dispersion: float
    deviance: float
    clusters: int | None


def rate_regression(
    events: ArrayLike,
    exposure: ArrayLike,
    design: ArrayLike,
    cluster: ArrayLike | None,
    *,
    names: Sequence[str],
    left_out: bool = False,
    degrees: float | None = None,
    confidence: float = 0.95,
) -> Regression:
    """Poisson regression of failure rates on a design, with cluster-robust standard errors by site.

    Parameters
    ----------
    events, exposure : array_like
        Failures and time at risk, one row an item and age band.
    design : array_like
        One column a covariate, the same rows. A column of ones for the rate of the reference group must be
        among them if wanted: nothing is added.
    cluster : array_like or None
        Site of each row. None treats rows as independent and uses the Poisson model's own errors.
    names : sequence of str
        Names of the columns.
    left_out : bool
        Whether to use jackknife errors, which leave out one site after another (CR3), and not the plain
        sandwich (CR1), which is too small where few sites identify a coefficient.
    degrees : float, optional
        Degrees of freedom of the t quantile; by default one fewer than there are sites.
    confidence : float
        Two-sided confidence of the limits.

    Returns
    -------
    Regression

    Raises
    ------
    ValueError
        If columns differ in length, nothing was at risk, fewer than two sites remain, columns of the design
        are collinear (they are named), or the records drive a coefficient to infinity (a level without
        failures; it is named).

    Notes
    -----
    Poisson regression with the logarithm of the time at risk as offset, by iterated weighted least squares.
    Errors are the sandwich by site, times ``k / (k - 1)`` for ``k`` sites, with the t quantile on ``k - 1``
    degrees of freedom; or the jackknife's, ``(k - 1) / k`` times the sum of the squares of what leaving out
    each site changes, by one step of the fit without it. The error of a coefficient that is not identified
    without one of the sites is infinite. Assumes that covariates multiply the rate and that sites are
    independent; the variance within a site may be anything. What was not recorded is not adjusted for.

    References
    ----------
    .. [1] McCullagh, P. and Nelder, J. A. (1989). Generalized Linear Models.
    .. [2] Liang, K.-Y. and Zeger, S. L. (1986). Longitudinal data analysis using generalized linear models.
       Biometrika 73.
    .. [3] Cameron, A. C. and Miller, D. L. (2015). A practitioner's guide to cluster-robust inference.
       Journal of Human Resources 50.
    .. [4] Bell, R. M. and McCaffrey, D. F. (2002). Bias reduction in standard errors for linear regression
       with multi-stage samples. Survey Methodology 28.
    .. [5] MacKinnon, J. G. and Webb, M. D. (2017). Wild bootstrap inference for wildly different cluster
       sizes. Journal of Applied Econometrics 32.
    """
    level = columns.share(confidence, name="confidence")
    number, time = counts_at_risk(events, exposure, names=("events", "exposure"))
    matrix = _design(design, names=names, rows=number.shape[0])
    site = None if cluster is None else columns.codes(cluster, name="cluster").values
    if site is not None:
        columns.same_length(events=number, cluster=site)
    watched = time > 0
    if not watched.any():
        raise ValueError("exposure is zero in every row: nothing was watched, so there is no rate.")
    number, time, matrix = number[watched], time[watched], matrix[watched]
    _refuse_overlap(matrix, names=names)
    coefficient = _fit(number, time, matrix, names=names)
    mean = _mean(coefficient, time, matrix)
    clusters, std_error = None, _model_errors(mean, matrix)
    if site is not None:
        clusters, std_error = _site_errors(number, mean, matrix, site=site[watched], left_out=left_out)
    upper = (1 + level) / 2
    width = std_error * (
        normal_quantile(upper) if clusters is None else t_quantile(upper, degrees or clusters - 1)
    )
    left = number.shape[0] - coefficient.shape[0]
    return Regression(
        names=tuple(names),
        coefficient=coefficient,
        std_error=std_error,
        ratio=np.exp(coefficient),
        low=np.exp(coefficient - width),
        high=np.exp(coefficient + width),
        dispersion=float(((number - mean) ** 2 / mean).sum() / left) if left else float("nan"),
        deviance=_deviance(number, mean),
        clusters=clusters,
    )


def _design(design: ArrayLike, *, names: Sequence[str], rows: int) -> FloatArray:
    matrix = columns.as_float(np.asarray(design), name="design")
    if matrix.ndim != 2 or matrix.shape != (rows, len(names)):
        raise ValueError(
            f"design must have one row for each of the {rows} records and one column for each of the "
            f"{len(names)} names, but its shape is {matrix.shape}."
        )
    if not np.isfinite(matrix).all():
        column = int(np.argmin(np.isfinite(matrix).all(axis=0)))
        raise ValueError(f"design holds a missing or infinite value under {names[column]}.")
    return matrix


def _refuse_overlap(matrix: FloatArray, *, names: Sequence[str]) -> None:
    """Raise an OverlapError that names the collinear columns, by QR with pivoting."""
    size = np.linalg.norm(matrix, axis=0)
    if (size == 0).any():
        raise ValueError(
            f"design says nothing under {names[int(np.argmin(size))]}: every watched row has zero there."
        )
    if matrix.shape[0] < matrix.shape[1]:
        raise ValueError(f"design has {matrix.shape[1]} columns for only {matrix.shape[0]} watched rows.")
    _, triangle, order = linalg.qr(matrix / size, mode="economic", pivoting=True)
    rank = int((np.abs(np.diag(triangle)) > OVERLAP).sum())
    if rank == matrix.shape[1]:
        return
    mixture = linalg.solve_triangular(triangle[:rank, :rank], triangle[:rank, rank])
    others = [
        names[each] for each, part in zip(order[:rank], mixture, strict=True) if abs(part) > np.sqrt(OVERLAP)
    ]
    raise OverlapError(names[order[rank]], others)


def _fit(number: FloatArray, time: FloatArray, matrix: FloatArray, *, names: Sequence[str]) -> FloatArray:
    """Maximum-likelihood coefficients by iterated weighted least squares, from the rates of the rows."""
    mean = number + 0.5
    coefficient = _weighted_fit(matrix, target=np.log(mean / time), weight=mean)
    for _ in range(MOST_ROUNDS):
        mean = _mean(coefficient, time, matrix)
        step = _weighted_fit(matrix, target=(number - mean) / mean, weight=mean)
        coefficient = coefficient + step
        if (np.abs(step) <= SETTLED * (1 + np.abs(coefficient))).all():
            return coefficient
    runaway = names[int(np.argmax(np.abs(step)))]
    raise ValueError(
        f"The regression does not settle: the coefficient of {runaway} runs away, as when all rows of "
        "one level are without failures. Compare that level by its crude rate, or leave it out."
    )


def _weighted_fit(matrix: FloatArray, *, target: FloatArray, weight: FloatArray) -> FloatArray:
    weighted = matrix.T * weight
    return np.linalg.solve(weighted @ matrix, weighted @ target).astype(np.float64, copy=False)


def _mean(coefficient: FloatArray, time: FloatArray, matrix: FloatArray) -> FloatArray:
    mean: FloatArray = time * np.exp(np.clip(matrix @ coefficient, -LARGEST_LOG, LARGEST_LOG))
    return mean


def _deviance(number: FloatArray, mean: FloatArray) -> float:
    return float(2 * (special.xlogy(number, number / mean) - (number - mean)).sum())


def _model_errors(mean: FloatArray, matrix: FloatArray) -> FloatArray:
    return np.sqrt(np.diag(np.linalg.inv((matrix.T * mean) @ matrix))).astype(np.float64, copy=False)


def _site_errors(
    number: FloatArray, mean: FloatArray, matrix: FloatArray, *, site: IntArray, left_out: bool
) -> tuple[int, FloatArray]:
    """Number of sites, and the cluster-robust standard errors: jackknife (CR3) or sandwich (CR1)."""
    place = np.unique(site, return_inverse=True)[1]
    clusters = int(place.max()) + 1
    if clusters < 2:
        raise ValueError("cluster names only one site with time at risk; its errors need at least two.")
    pulls = np.stack([columns.sums(place, weights=each) for each in matrix.T * (number - mean)], axis=1)
    if left_out:
        changes = _changes_without_each(mean, matrix, pulls, site=place)
        return clusters, np.sqrt((clusters - 1) / clusters * (changes**2).sum(axis=0))
    inverse = np.linalg.inv((matrix.T * mean) @ matrix)
    return clusters, np.sqrt(((pulls @ inverse) ** 2).sum(axis=0) * clusters / (clusters - 1))


def _changes_without_each(
    mean: FloatArray, matrix: FloatArray, pulls: FloatArray, *, site: IntArray
) -> FloatArray:
    """Change of the coefficients when each site is left out, by one Newton step: one row a site.

    Infinite where the coefficient is not identified without that site: then no linear combination of the
    other sites' information is that coefficient alone.
    """
    whole = (matrix.T * mean) @ matrix
    # Scaled by the columns' own sizes, so that what is left of a column does not depend on its unit.
    size = np.sqrt(np.diag(whole))
    width = size.size
    own = np.empty((pulls.shape[0], width, width))
    for row in range(width):
        for column in range(row, width):
            weights = mean * matrix[:, row] * matrix[:, column] / (size[row] * size[column])
            own[:, row, column] = own[:, column, row] = columns.sums(site, weights=weights)
    left = whole / np.outer(size, size) - own
    inverse = np.linalg.pinv(left, rcond=OVERLAP, hermitian=True)
    changes: FloatArray = -np.einsum("sij,sj->si", inverse, pulls / size) / size
    deviation = np.abs(np.einsum("sij,sjk->sik", inverse, left) - np.eye(width)).max(axis=2)
    return np.where(deviation < np.sqrt(OVERLAP), changes, np.inf)
