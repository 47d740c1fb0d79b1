"""Published inputs and answers, read from the files that name their sources."""

from __future__ import annotations

import csv
import json
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

FOLDER = Path(__file__).parents[3] / "published"
CHECKS: dict[str, Any] = json.loads((FOLDER / "lifetimes.json").read_text())["checks"]


class Check:
    """One published example: its input, and a comparison of what was computed with what was printed."""

    def __init__(self, name: str) -> None:
        """Find the example by its name in the file."""
        self.input: dict[str, Any] = CHECKS[name]["input"]
        self._expected: dict[str, Any] = CHECKS[name]["expected"]

    def value(self, figure: str) -> float:
        """Give a printed figure as it is printed."""
        return float(self._expected[figure]["value"])

    def holds(self, figure: str, computed: object) -> None:
        """Assert that a computed figure is the printed one, to the precision it is printed with."""
        printed = self._expected[figure]
        tolerance = max(printed["tol"], 1e-15)
        np.testing.assert_allclose(
            np.asarray(computed, dtype=float), printed["value"], rtol=0, atol=tolerance
        )


def data_set(name: str) -> dict[str, NDArray[Any]]:
    """Read a published data set into columns of numbers."""
    with (FOLDER / f"{name}.csv").open() as lines:
        rows = list(csv.DictReader(lines))
    return {key: np.array([float(row[key]) for row in rows]) for key in rows[0]}
