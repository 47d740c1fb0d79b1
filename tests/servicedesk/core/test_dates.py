"""Days and times in words, both ways that LOCALE has: in Python, in SQL and in a process of its own.

American: month, day, year and a twelve-hour clock; British: day, month, year and twenty-four hours (CLDR, the
long and short formats of en and en-GB, apart from the comma that stands before a time here; from memory).
"""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Callable
from datetime import date, datetime
from typing import Any

import pytest
from django.conf import settings
from django.utils.translation import override

from schedules.models import MaintenanceTask
from schedules.operations import raise_due
from schedules.words import maintenance_reason
from servicedesk.core.values import dates
from tests.factories import NextDueFactory
from tests.schedules.installation import ROOT

MOMENT = datetime(2026, 5, 8, 20, 5)  # noqa: DTZ001 - as a wall clock shows it


@pytest.mark.parametrize(
    ("write", "american", "british"),
    [
        (dates.long_date, "May 8, 2026", "8 May 2026"),
        (dates.short_date, "May 8, 2026", "8 May 2026"),
        (dates.month_day, "May 8", "8 May"),
        (dates.weekday_date, "Friday, May 8", "Friday 8 May"),
        (dates.full_date, "Friday, May 8, 2026", "Friday 8 May 2026"),
        (dates.clock_time, "8:05 PM", "20:05"),
        (dates.date_time, "May 8, 2026, 8:05 PM", "8 May 2026, 20:05"),
        (dates.short_moment, "May 8, 8:05 PM", "8 May, 20:05"),
        (dates.month_day_time, "May 8, 8:05 PM", "8 May, 20:05"),
        (dates.weekday_time, "Friday, May 8, 8:05 PM", "Friday 8 May, 20:05"),
        (dates.year_month, "May 2026", "May 2026"),
    ],
)
def test_each_way_of_writing(write: Callable[[Any], str], american: str, british: str) -> None:
    assert write(MOMENT) == american
    with override("en-gb"):
        assert write(MOMENT) == british


@pytest.mark.django_db
@pytest.mark.parametrize("locale", ["en-us", "en-gb"])
@pytest.mark.parametrize("month", range(1, 13))
def test_the_database_writes_a_day_as_python_does(locale: str, month: int) -> None:
    last = date(2025, month, 9)
    due = NextDueFactory(
        installed_part__unit__site__care_by="us",
        rule__name="wash the film",
        last_done_on=last,
        next_due_on=date(2026, 1, 2),
    )
    with override(locale):
        assert raise_due(date(2026, 1, 2)) == 1
        words = maintenance_reason(due.rule.name, panel=due.installed_part.panel or 0, last_done_on=last)
    assert MaintenanceTask.objects.get().reason == words


@pytest.mark.parametrize(
    ("locale", "words"),
    [
        ("en-us", "May 8, 2026, 8:05 PM"),
        ("EN-GB", "8 May 2026, 20:05"),
        ("fr", "LOCALE is en-us or en-gb, not fr."),
    ],
)
def test_a_process_writes_days_as_its_setting_says(locale: str, words: str, tmp_path: Any) -> None:
    script = (
        "import django; django.setup(); from datetime import datetime;"
        "from servicedesk.core.values.dates import date_time; print(date_time(datetime(2026, 5, 8, 20, 5)))"
    )
    done = subprocess.run(
        [sys.executable, "-c", script],
        cwd=ROOT,
        env={
            "DJANGO_SETTINGS_MODULE": "servicedesk.settings",
            "SECRET_KEY": settings.SECRET_KEY,
            "DATA_DIR": str(tmp_path),
            "LOCALE": locale,
        },
        capture_output=True,
        text=True,
    )
    assert words in done.stdout + done.stderr
