"""Fleets of known truth as an owner would bring them in: files, the import, the command that prints rates.

Each case draws sixty sites with one track each whose failures come at a known rate, unlike from site to site
(gamma, coefficient of variation 0.5), and writes them down as the case has it.
"""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import timedelta
from pathlib import Path
from typing import Any

import numpy as np
from django.core.management import call_command
from django.utils import timezone

from units.models import ComponentType, FailureMode

SITES = 60
YEAR = 365.25
LATEST = 40
"""Days by which failures are written down late."""


@dataclass
class Files:
    """The rows of an owner's files, with days counted back from today."""

    units: list[dict[str, Any]] = field(default_factory=list)
    history: list[dict[str, Any]] = field(default_factory=list)

    def unit(self, number: int, *, installed: float, since: float | None) -> str:
        """Add a unit, installed and heard of since so many days ago."""
        code = f"U{number}"
        row = {"unit": code, "site": f"S{number}", "track": "plain track", "installed_on": _day(installed)}
        self.units.append(row | {"observed_from": "" if since is None else _day(since)})
        return code

    def wrote(self, code: str, ago: float, what: str, **facts: str) -> None:
        """Add a row of history."""
        self.history.append({"unit": code, "on": _day(ago), "what": what, **facts})

    def failed(self, code: str, ago: float, *, what: str = "call", mode: str = "binds") -> None:
        """Add a failure, in a place of its own."""
        where = f"place {len(self.history)}"
        self.wrote(code, ago, what, mode=mode, failure="yes", where=where)

    def write(self, folder: Path) -> tuple[Path, Path]:
        """Write the files."""
        paths = []
        for name, rows in (("units", self.units), ("history", self.history)):
            columns = list(dict.fromkeys(column for row in rows for column in row))
            paths.append(folder / f"{name}.csv")
            with paths[-1].open("w", newline="") as file:
                writer = csv.DictWriter(file, columns, restval="")
                writer.writeheader()
                writer.writerows(rows)
        return paths[0], paths[1]


Draw = Callable[[np.random.Generator, Files], None]


@dataclass(frozen=True)
class Case:
    """A way in which records mislead, the true rate in failures per 100 item-years, and what is said.

    ``care_by`` is who does the care at the sites, as the import is told.
    """

    name: str
    truth: float
    draw: Draw
    said: str
    care_by: str = "nobody"


def printed_range(case: Case, seed: int, folder: Path) -> tuple[float, float, dict[str, int], str]:
    """Import a fleet; give the interval printed for its tracks, the exclusions and the import's output."""
    ComponentType.objects.create(name="plain track", kind="track")
    FailureMode.objects.create(code="T-1", kind="track", name="binds")
    FailureMode.objects.create(code="T-2", kind="track", name="worn inside", only_at_look=True)
    files = Files()
    case.draw(np.random.default_rng(seed), files)
    units, history = files.write(folder)
    import_output = io.StringIO()
    call_command(
        "import_fleet",
        units,
        history=history,
        care_by=case.care_by,
        stdout=import_output,
        stderr=io.StringIO(),
    )
    out = io.StringIO()
    call_command("figures", "rates", json=True, stdout=out)
    printed = json.loads(out.getvalue())
    (row,) = printed["rows"]
    return row["low"], row["high"], printed["exclusions"], import_output.getvalue()


def _day(ago: float) -> str:
    return (timezone.localdate() - timedelta(days=round(ago))).isoformat()


def _rates(rng: np.random.Generator, truth: float) -> np.ndarray:
    """Draw failures a day of each site, unlike from site to site."""
    return truth / 100 / YEAR * rng.gamma(4.0, 0.25, SITES)


def _failures(rng: np.random.Generator, rate: float, since: float, until: float = 0.0) -> np.ndarray:
    """Draw on which days, counted back from today, an item failed."""
    return np.sort(rng.uniform(until, since, rng.poisson(rate * (since - until))))[::-1]


def _taken_over(rng: np.random.Generator, files: Files) -> None:
    for number, rate in enumerate(_rates(rng, 20)):
        since = rng.uniform(1, 5) * YEAR
        code = files.unit(number, installed=since + rng.uniform(4, 8) * YEAR, since=since)
        if rng.random() < 0.8:
            files.failed(code, since - 5, what="finding")
        for ago in _failures(rng, rate, since - 30):
            files.failed(code, ago)


def _since_empty(rng: np.random.Generator, files: Files) -> None:
    for number, rate in enumerate(_rates(rng, 20)):
        code = files.unit(number, installed=rng.uniform(11, 18) * YEAR, since=None)
        for ago in _failures(rng, rate, 4 * YEAR):
            files.failed(code, ago)


def _silent_loss(rng: np.random.Generator, files: Files) -> None:
    for number, rate in enumerate(_rates(rng, 20)):
        since = rng.uniform(6, 10) * YEAR
        lost = max(since - rng.exponential(5 * YEAR), 0.0)
        code = files.unit(number, installed=since, since=since)
        for ago in _failures(rng, rate, since, lost):
            files.failed(code, ago)
        for ago in np.arange(since - rng.uniform(0.5, 1) * YEAR, lost, -YEAR):
            files.wrote(code, ago, "care")


def _only_inspections_show(rng: np.random.Generator, files: Files) -> None:
    for number, rate in enumerate(_rates(rng, 30)):
        since = 6 * YEAR
        code = files.unit(number, installed=since, since=since)
        for ago in _failures(rng, rate / 3, since):
            files.failed(code, ago)
        looks = np.arange(since - rng.uniform(0.5, 1) * YEAR, rng.uniform(1, 5) * YEAR, -YEAR)
        for ago in looks:
            files.wrote(code, ago, "care")
        for ago in _failures(rng, rate * 2 / 3, since):
            seen = looks[looks <= ago]
            if seen.size:
                files.failed(code, seen[0], what="care", mode="worn inside")


def _written_late(rng: np.random.Generator, files: Files) -> None:
    for number, rate in enumerate(_rates(rng, 20)):
        since = rng.uniform(2, 4) * YEAR
        code = files.unit(number, installed=since, since=since)
        for ago in _failures(rng, rate, since):
            if ago > rng.uniform(0, LATEST):
                files.failed(code, ago)


def _as_it_should_be(rng: np.random.Generator, files: Files) -> None:
    for number, rate in enumerate(_rates(rng, 20)):
        since = rng.uniform(3, 6) * YEAR
        code = files.unit(number, installed=since, since=since)
        for ago in _failures(rng, rate, since):
            files.failed(code, ago)


CASES = (
    Case("taken over on a call", 20, _taken_over, "found_at_take_over"),
    Case("since when is left empty", 20, _since_empty, "start_not_said"),
    Case("owners silently stop calling", 20, _silent_loss, "lost_units", care_by="us"),
    Case("two failures in three show only at an inspection", 30, _only_inspections_show, "look_events"),
    Case("written down up to 40 days late", 20, _written_late, "newest_events"),
    Case("nothing amiss, owners call only when something fails", 20, _as_it_should_be, "silent_units"),
)
