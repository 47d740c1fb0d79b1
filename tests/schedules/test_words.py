"""The one line that says why a task is there, and lengths of time in words."""

from __future__ import annotations

from datetime import date

import pytest

from schedules.words import maintenance_reason, span
from servicedesk.core.values.words import count


@pytest.mark.parametrize(
    ("name", "panel", "last", "expected"),
    [
        ("lubricate the track", 0, date(2025, 4, 2), "Lubricate the track: last done Apr 2, 2025"),
        ("Lubricate the track", 0, None, "Lubricate the track: never recorded as done"),
        ("flex the corners", 2, date(2024, 12, 31), "Flex the corners, panel 2: last done Dec 31, 2024"),
    ],
)
def test_a_reason_says_what_and_since_when(name: str, panel: int, last: date | None, expected: str) -> None:
    assert maintenance_reason(name, panel=panel, last_done_on=last) == expected


@pytest.mark.parametrize(
    ("minutes", "expected"), [(0, "0 min"), (45, "45 min"), (60, "1 h"), (85, "1 h 25 min"), (600, "10 h")]
)
def test_minutes_in_words(minutes: int, expected: str) -> None:
    assert span(minutes) == expected


def test_things_counted_in_words() -> None:
    assert [count(1, "task"), count(3, "task"), count(0, "entry", "entries")] == [
        "1 task",
        "3 tasks",
        "0 entries",
    ]
