"""Multiplicity adjustment of p-values and intervals: Holm, Benjamini-Hochberg and Bonferroni."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from servicedesk.reports.numerics import columns
from servicedesk.reports.numerics.columns import FloatArray, IntArray


def holm(p_values: ArrayLike) -> FloatArray:
    """Holm's adjusted p-values of a few comparisons planned beforehand (family-wise error).

    Parameters
    ----------
    p_values : array_like
        One a comparison; NaN where none was made.

    Returns
    -------
    ndarray
        Adjusted p-values: calling those below 0.05 different makes any error among them at most one time in
        twenty. NaN stays NaN and does not count.

    Raises
    ------
    ValueError
        If a p-value lies outside 0 to 1.

    Notes
    -----
    Needs no assumption about how the comparisons depend on each other.

    References
    ----------
    .. [1] Holm, S. (1979). A simple sequentially rejective multiple test procedure. Scandinavian Journal of
       Statistics 6.
    """
    p, order = _in_order(p_values)
    adjusted = np.maximum.accumulate(p[order] * np.arange(order.size, 0, -1))
    return _put_back(adjusted, p=p, order=order)


def benjamini_hochberg(p_values: ArrayLike) -> FloatArray:
    """Benjamini-Hochberg q-values of a screening (false discovery rate).

    Parameters
    ----------
    p_values : array_like
        One a comparison; NaN where none was made.

    Returns
    -------
    ndarray
        Adjusted p-values (q-values): among those below 0.10 about one in ten is a false alarm. NaN stays NaN
        and does not count.

    Raises
    ------
    ValueError
        If a p-value lies outside 0 to 1.

    Notes
    -----
    Assumes that comparisons are independent or depend on each other positively.

    References
    ----------
    .. [1] Benjamini, Y. and Hochberg, Y. (1995). Controlling the false discovery rate. JRSS B 57.
    """
    p, order = _in_order(p_values)
    scaled = p[order] * order.size / np.arange(1, order.size + 1)
    adjusted = np.minimum.accumulate(scaled[::-1])[::-1]
    return _put_back(adjusted, p=p, order=order)


def widened_confidence(confidence: float, *, intervals: int) -> float:
    """Bonferroni-corrected confidence of each of several intervals shown together.

    Parameters
    ----------
    confidence : float
        Confidence that all of them hold.
    intervals : int
        Number of intervals shown together.

    Returns
    -------
    float

    Raises
    ------
    ValueError
        If there is not at least one interval.

    Notes
    -----
    Bonferroni's inequality: it needs no assumption and is a little too wide.
    """
    if intervals < 1:
        raise ValueError("intervals must be at least 1.")
    return 1 - (1 - columns.share(confidence, name="confidence")) / intervals


def _in_order(p_values: ArrayLike) -> tuple[FloatArray, IntArray]:
    p = columns.as_float(columns.column(p_values, name="p_values"), name="p_values")
    made = np.flatnonzero(~np.isnan(p))
    if ((p[made] < 0) | (p[made] > 1)).any():
        raise ValueError("p_values must lie between 0 and 1.")
    return p, made[np.argsort(p[made], kind="stable")]


def _put_back(adjusted: FloatArray, *, p: FloatArray, order: IntArray) -> FloatArray:
    result = np.full(p.shape[0], np.nan)
    result[order] = np.minimum(adjusted, 1.0)
    return result
