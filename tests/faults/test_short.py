"""A few rounds of every fault, on the database that the suite runs on; `make faults` does two hundred."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest
from django.db import connection

from tests.faults.kinds import KINDS, ONLY_ON
from tests.schedules.installation import ROOT

PATIENCE = 1800
WHOLE = "the whole ledger at the end"


@pytest.fixture(scope="module")
def results(tmp_path_factory: pytest.TempPathFactory) -> dict[str, dict[str, Any]]:
    """Run one round of each kind in a process of its own, with a desk and servers of its own."""
    path: Path = tmp_path_factory.mktemp("faults") / "results.json"
    database = "sqlite" if connection.vendor == "sqlite" else "postgres"
    command = [sys.executable, "tests/faults/run.py", "--each", "1", "--database", database]
    answer = subprocess.run(
        [*command, "--json", str(path)],
        cwd=ROOT,
        env={"PATH": "/usr/local/bin:/usr/bin:/bin:/usr/sbin:/sbin", "PYTHONPATH": "."},
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
        timeout=PATIENCE,
    )
    if not path.exists():
        if "left out: " in answer.stdout:
            pytest.skip(answer.stdout.split("left out: ", 1)[1].splitlines()[0])
        pytest.fail(answer.stdout[-4000:])
    outcomes: dict[str, dict[str, Any]] = json.loads(path.read_text())
    return outcomes


@pytest.mark.broker
@pytest.mark.each_database
@pytest.mark.parametrize(
    "kind",
    [
        pytest.param(kind, marks=getattr(pytest.mark, ONLY_ON[kind]) if kind in ONLY_ON else ())
        for kind in [*KINDS, WHOLE]
    ],
)
def test_nothing_acknowledged_is_missing_doubled_or_half(
    kind: str, results: dict[str, dict[str, Any]]
) -> None:
    row = results[kind]
    if row["left out"]:
        pytest.skip(row["left out"])
    assert row["told"] == []
    assert row["rounds"] == 1
    if kind == WHOLE:
        assert sum(each["acknowledged"] for each in results.values()) > 20
