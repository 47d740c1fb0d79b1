"""Validation of the columns passed to the estimators: bad records raise a ValueError in plain words."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]
BoolArray = NDArray[np.bool_]
AnyArray = NDArray[Any]

DENSE_CODES = 1 << 22
"""Integer labels spread over fewer values than this are used as codes directly; others are ranked."""


BLOCK = 1 << 15
"""Records processed together: as many as stay in a processor's cache."""


class Codes(NamedTuple):
    """Labels encoded as small integers in the order of the labels, equal labels sharing one code."""

    values: IntArray
    size: int


class Spans(NamedTuple):
    """Both ends of spans at risk, which of the spans have a length, and the greatest end."""

    first: AnyArray
    last: AnyArray
    real: BoolArray
    longest: float


def blocks(size: int, *, least: int = 0) -> Iterator[slice]:
    """Iterate over slices that cut ``size`` records into blocks of at least ``least`` records."""
    length = max(BLOCK, least)
    for begin in range(0, size, length):
        yield slice(begin, begin + length)


def column(values: ArrayLike, *, name: str) -> AnyArray:
    """Return values as a one-dimensional array, or raise a ValueError."""
    array = np.asarray(values)
    if array.ndim != 1:
        raise ValueError(f"{name} must be one column of values, but it has {array.ndim} dimensions.")
    return array


def same_length(**columns: AnyArray) -> None:
    """Raise a ValueError unless all columns have the same length."""
    lengths = {name: array.shape[0] for name, array in columns.items()}
    if len(set(lengths.values())) > 1:
        listed = ", ".join(f"{name} has {length}" for name, length in lengths.items())
        raise ValueError(f"Every column needs one value for each record: {listed}.")


def times(values: ArrayLike, *, name: str) -> AnyArray:
    """Return a column of ages or times: finite, none below zero, whole numbers kept whole."""
    return _times_and_greatest(values, name=name)[0]


def _times_and_greatest(values: ArrayLike, *, name: str) -> tuple[AnyArray, float]:
    array = column(values, name=name)
    array = array.astype(np.int64, copy=False) if array.dtype.kind in "bui" else as_float(array, name=name)
    # Minimum and maximum carry a NaN through, so two passes over a block in the cache check all of it.
    ends = [(array[rows].min(), array[rows].max()) for rows in blocks(array.shape[0])]
    if not ends:
        return array, 0.0
    least, greatest = float(np.min(ends)), float(np.max(ends))
    if np.isnan(least):
        raise ValueError(f"{name} holds a time that is not a number; leave out or mend that record.")
    if least < 0:
        raise ValueError(
            f"{name} holds a negative time ({least:g}); ages are counted from the day of fitting."
        )
    if np.isinf(greatest):
        raise ValueError(f"{name} holds an infinite time; use the last age at which the item was watched.")
    return array, greatest


def spans(entry: ArrayLike, exit: ArrayLike, *, names: tuple[str, str]) -> Spans:
    """Return the two ends of spans at risk, each span ending no earlier than it began."""
    first, _ = _times_and_greatest(entry, name=names[0])
    last, longest = _times_and_greatest(exit, name=names[1])
    same_length(**{names[0]: first, names[1]: last})
    real = first < last
    backwards = last < first if not real.all() else ~real
    if backwards.any():
        row = int(np.argmax(backwards))
        raise ValueError(
            f"{names[1]} comes before {names[0]} in record {row} ({last[row]:g} before {first[row]:g}); "
            "an item cannot leave the watch before it came under it."
        )
    return Spans(first, last, real, longest)


def flags(values: ArrayLike, *, name: str) -> BoolArray:
    """Return a boolean column, given as booleans or as 0 and 1."""
    array = column(values, name=name)
    if array.dtype.kind == "b":
        return array
    if array.dtype.kind not in "uif":
        raise ValueError(f"{name} must hold yes or no (true, false, 1 or 0) for each record.")
    truth: BoolArray = array != 0
    if not np.array_equal(truth, array):
        raise ValueError(f"{name} must hold yes or no (true, false, 1 or 0) for each record.")
    return truth


def whole_counts(values: ArrayLike, *, name: str) -> IntArray:
    """Return a column of event counts: integers, none below zero."""
    array = column(values, name=name)
    if array.dtype.kind == "f":
        whole = np.nan_to_num(array, nan=-1.0, posinf=-1.0, neginf=-1.0).astype(np.int64)
        if not np.array_equal(whole, array):
            raise ValueError(f"{name} must hold whole numbers of events.")
        array = whole
    elif array.dtype.kind not in "bui":
        raise ValueError(f"{name} must hold whole numbers of events.")
    counts = array.astype(np.int64, copy=False)
    if counts.size and counts.min() < 0:
        raise ValueError(f"{name} holds a negative number of events.")
    return counts


def amounts(values: ArrayLike, *, name: str) -> FloatArray:
    """Return a column of amounts (events, time at risk, expected events): finite and none below zero."""
    array = as_float(column(values, name=name), name=name)
    if array.size == 0:
        return array
    if not np.isfinite(array).all():
        raise ValueError(f"{name} holds a value that is not a number or not finite.")
    if array.min() < 0:
        raise ValueError(f"{name} holds a negative value ({array.min():g}).")
    return array


def amount(value: float, *, name: str) -> float:
    """Return one finite amount that is not below zero."""
    number = _as_number(value, name=name)
    if not np.isfinite(number):
        raise ValueError(f"{name} is not a finite number.")
    if number < 0:
        raise ValueError(f"{name} cannot be negative ({number:g}).")
    return number


def positive(value: float, *, name: str) -> float:
    """Return one finite amount above zero."""
    number = amount(value, name=name)
    if number == 0:
        raise ValueError(f"{name} must be above zero.")
    return number


def share(value: float, *, name: str) -> float:
    """Return a proportion strictly between 0 and 1, such as a confidence of 0.95."""
    number = _as_number(value, name=name)
    if not 0 < number < 1:
        raise ValueError(f"{name} must lie between 0 and 1, for example 0.95, not {number:g}.")
    return number


def inflation(value: float, *, name: str = "design_effect") -> float:
    """Return a design effect: the factor by which sharing sites inflates the variance, at least one."""
    number = _as_number(value, name=name)
    if not 1 <= number < np.inf:
        raise ValueError(
            f"{name} must be 1 or more, not {number:g}; where it cannot be estimated, borrow the fleet's."
        )
    return number


def codes(labels: ArrayLike, *, name: str) -> Codes:
    """Encode labels of sites, items or groups as small integers.

    Integers in a narrow range keep their spacing (some codes are then unused), because ranking a
    million of them would cost more than all the rest of an estimate.
    """
    array = column(labels, name=name)
    if array.dtype.kind == "f" and np.isnan(array).any():
        raise ValueError(f"{name} is missing for some records; say which {name} each record belongs to.")
    if array.size == 0:
        return Codes(np.zeros(0, dtype=np.int64), 0)
    if array.dtype.kind in "bui":
        lowest, highest = int(array.min()), int(array.max())
        if highest - lowest < DENSE_CODES:
            whole = array.astype(np.int64, copy=False)
            return Codes(whole if lowest == 0 else whole - lowest, highest - lowest + 1)
    try:
        distinct, inverse = np.unique(array, return_inverse=True)
    except TypeError as error:
        raise ValueError(
            f"{name} mixes labels that cannot be put in order; use one kind of label."
        ) from error
    return Codes(inverse.astype(np.int64, copy=False), int(distinct.size))


def sums(places: IntArray, *, weights: AnyArray, size: int = 0) -> FloatArray:
    """Sum a column by code, one sum for each of at least ``size`` codes."""
    return np.bincount(places, weights=weights, minlength=size).astype(np.float64, copy=False)


def as_float(array: AnyArray, *, name: str) -> FloatArray:
    """Return a column in double precision, or raise a ValueError if it is not numeric."""
    if array.dtype.kind not in "fbuiO":
        raise ValueError(f"{name} must hold numbers, not {array.dtype.name}; count dates in days first.")
    try:
        return array.astype(np.float64, copy=False)
    except (TypeError, ValueError) as error:
        raise ValueError(f"{name} must hold numbers.") from error


def _as_number(value: float, *, name: str) -> float:
    try:
        return float(value)
    except (TypeError, ValueError) as error:
        raise ValueError(f"{name} must be a number.") from error
