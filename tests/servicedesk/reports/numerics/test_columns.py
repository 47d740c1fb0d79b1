"""Checks of incoming columns, the ruler they are put on, and the figures that come out."""

from __future__ import annotations

import copy
import pickle
import subprocess
import sys
from pathlib import Path
from pkgutil import walk_packages

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from servicedesk.reports import numerics
from servicedesk.reports.numerics import columns
from servicedesk.reports.numerics.estimate import Estimate
from servicedesk.reports.numerics.survival.ages import SHORTEST_DIRECT, put_on_ruler
from tests.servicedesk.reports.numerics.fleets import unhurried

MODULES = sorted(each.name for each in walk_packages(numerics.__path__, f"{numerics.__name__}."))


class TestRuler:
    """Ages on a short ruler."""

    @unhurried
    @given(
        st.lists(st.lists(st.floats(0, 1e6), max_size=8), min_size=1, max_size=4),
        st.sampled_from([1, 0.5, 0.37]),
    )
    def test_every_age_stands_at_its_mark(self, ages: list[list[float]], unit: float) -> None:
        given_ages = [np.round(np.array(each)) * unit for each in [[0.0], *ages]]
        ruler = put_on_ruler(*given_ages, longest=max(each.max() for each in given_ages if each.size))
        assert (np.diff(ruler.marks) > 0).all()
        for each, placed in zip(given_ages, ruler.columns, strict=True):
            np.testing.assert_array_equal(ruler.marks[placed.places], each)

    @pytest.mark.parametrize(
        ("ages", "marks"),
        [
            ([0, 3, 7], range(8)),
            ([0.0, 3.0, 7.0], range(8)),
            ([0.5, 3.0], [0, 0.5, 1, 1.5, 2, 2.5, 3]),
            ([0.25, 3.0], [0.25, 3.0]),
            ([5, 10 * SHORTEST_DIRECT], [5, 10 * SHORTEST_DIRECT]),
        ],
    )
    def test_whole_and_half_units_need_no_sorting(self, ages: list[float], marks: list[float]) -> None:
        assert put_on_ruler(np.array(ages), longest=ages[-1]).marks.tolist() == list(marks)

    def test_whole_and_half_columns_share_a_ruler(self) -> None:
        ruler = put_on_ruler(np.array([0, 1, 2]), np.array([0.5, 2.0, 2.5]), longest=2.5)
        assert [placed.places.tolist() for placed in ruler.columns] == [[0, 2, 4], [1, 4, 5]]


class TestColumns:
    """What a column may hold."""

    @pytest.mark.parametrize(
        ("labels", "size"),
        [
            (["b", "a", "b"], 2),
            ([7, 5, 7], 3),
            ([0, 10**9, 0], 2),
            ([1.5, 2.5, 1.5], 2),
            ([True, False, True], 2),
        ],
    )
    def test_equal_labels_share_a_code_in_the_order_of_labels(self, labels: list[object], size: int) -> None:
        codes = columns.codes(np.array(labels), name="cluster")
        assert codes.size == size
        assert codes.values[0] == codes.values[2] != codes.values[1]
        assert (codes.values[0] < codes.values[1]) == (labels[0] < labels[1])  # type: ignore[operator]

    def test_no_labels(self) -> None:
        assert columns.codes([], name="cluster").size == 0

    @pytest.mark.parametrize(
        ("values", "words"),
        [
            ([1.0, np.nan], "not a number or not finite"),
            ([1.0, -2.0], "negative value"),
            (["many"], "must hold numbers"),
            (["3"], "must hold numbers, not str"),
            ([object()], "must hold numbers"),
            (np.array(["2024-05-01"], dtype="datetime64[D]"), "count dates in days first"),
            ([[1.0]], "must be one column"),
        ],
    )
    def test_amounts(self, values: list[object], words: str) -> None:
        with pytest.raises(ValueError, match=words):
            columns.amounts(values, name="exposure")  # type: ignore[arg-type]
        assert columns.amounts([], name="exposure").size == 0

    @pytest.mark.parametrize("values", [[1, 0], [True, False], [1.0, 0.0], np.array([1, 0], dtype=np.uint8)])
    def test_flags(self, values: list[float]) -> None:
        assert columns.flags(values, name="failed").tolist() == [True, False]


class TestEstimate:
    """A figure with its limits."""

    figure = Estimate(2.5, low=1.0, high=4.0)

    def test_is_the_number_it_stands_for(self) -> None:
        assert self.figure == 2.5
        assert self.figure * 2 == 5
        assert repr(self.figure) == "Estimate(2.5, low=1.0, high=4.0)"

    def test_keeps_its_limits_in_copies(self) -> None:
        for again in (copy.deepcopy(self.figure), pickle.loads(pickle.dumps(self.figure))):  # noqa: S301 (just made)
            assert (again, again.low, again.high) == (2.5, 1.0, 4.0)

    def test_cannot_be_changed(self) -> None:
        with pytest.raises(AttributeError, match="cannot be changed"):
            self.figure.low = 0.0


def test_the_package_knows_no_django() -> None:
    """Import every module in a fresh interpreter, where nothing else can have brought Django in."""
    imports = "".join(f"import {module}\n" for module in MODULES)
    code = f"{imports}import sys\nprint('django' in sys.modules)"
    root = Path(numerics.__path__[0]).parents[2]
    done = subprocess.run([sys.executable, "-c", code], cwd=root, check=True, capture_output=True, text=True)
    assert (len(MODULES) > 30, done.stdout.strip()) == (True, "False")
