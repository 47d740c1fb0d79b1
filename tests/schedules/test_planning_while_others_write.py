"""New parts come under their care rules while others write, on SQLite with its one writer at a time."""

from __future__ import annotations

import sqlite3
from contextlib import closing
from datetime import UTC, date, datetime
from typing import Any

import pytest
from django.db import connection
from django.utils import timezone

from schedules.models import NextDue
from schedules.operations import next_dues
from tests.factories import MaintenanceRuleFactory, SiteFactory
from units.models import InstalledPart, Unit

pytestmark = [pytest.mark.django_db(transaction=True), pytest.mark.sqlite]

MORE_THAN_ONE_READ = 2100  # Django reads rows from an open cursor two thousand at a time


def test_somebody_who_writes_between_two_chunks_does_not_stop_the_planning(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    rule, site = MaintenanceRuleFactory(), SiteFactory()
    units = Unit.objects.bulk_create(
        Unit(site=site, code=f"M{number}", installed_on=date(2024, 1, 1))
        for number in range(MORE_THAN_ONE_READ)
    )
    InstalledPart.objects.bulk_create(
        InstalledPart(
            unit=unit,
            component_type=rule.component_type,
            kind=rule.component_type.kind,
            fitted_on=date(2024, 1, 1),
        )
        for unit in units
    )
    plan = next_dues.add_missing_dues

    def somebody_writes_first(*args: Any, **more: Any) -> int:
        with closing(sqlite3.connect(connection.settings_dict["NAME"], timeout=20)) as other, other:
            other.execute("UPDATE units_site SET year_built = 1960")
        return plan(*args, **more)

    monkeypatch.setattr(next_dues, "add_missing_dues", somebody_writes_first)
    # A rule that was planned before: else all units would be walked over, in another way.
    type(rule).objects.update(planned_at=timezone.now())
    assert next_dues.plan_next_dues(datetime(2020, 1, 1, tzinfo=UTC)) == MORE_THAN_ONE_READ
    assert NextDue.objects.count() == MORE_THAN_ONE_READ
