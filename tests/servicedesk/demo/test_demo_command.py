"""The command that loads the demo company refuses what it should, and leaves no half of it behind."""

from __future__ import annotations

from datetime import timedelta
from pathlib import Path

import pytest
from django.core.management import CommandError, call_command
from django.test import override_settings
from django.utils import timezone

from servicedesk.accounts.models import User
from servicedesk.core.rules.refusals import RuleViolation
from servicedesk.demo.loading import import_files
from servicedesk.imports.models import InputFile
from tests.factories import SiteFactory, UserFactory
from units.models import ComponentType, Site

pytestmark = pytest.mark.django_db


def test_a_desk_with_other_sites_is_left_alone(tmp_path: Path) -> None:
    SiteFactory()
    with pytest.raises(CommandError, match="has other records"):
        call_command("load_demo", folder=tmp_path)
    assert Site.objects.count() == 1
    assert not User.objects.exists()


def test_a_desk_where_a_demo_name_is_taken_is_left_alone(tmp_path: Path) -> None:
    UserFactory(username="tess")
    with pytest.raises(CommandError, match="has other records"):
        call_command("load_demo", folder=tmp_path)
    assert User.objects.count() == 1


def test_a_day_to_come_is_refused(tmp_path: Path) -> None:
    tomorrow = timezone.localdate() + timedelta(days=1)
    with pytest.raises(CommandError, match="still to come"):
        call_command("load_demo", today=tomorrow, folder=tmp_path)
    assert not User.objects.exists()


def test_no_day_is_refused_with_an_example(capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(CommandError, match=r"Write it like 2026-07-29\."):
        call_command("load_demo", "--today", "29/07/2026")


def test_a_load_that_breaks_off_leaves_nothing_behind(tmp_path: Path) -> None:
    """The people are in the desk already when the import finds no room for its files."""
    (tmp_path / "full").write_text("no folder")
    full = override_settings(INCOMING_DIR=tmp_path / "full" / "incoming")
    with full, pytest.raises(CommandError, match="can't be saved"):
        call_command("load_demo", folder=tmp_path / "files")
    assert not User.objects.exists()
    assert not Site.objects.exists()
    assert not ComponentType.objects.exists()


def test_a_bad_row_is_named_with_its_file_and_line(tmp_path: Path) -> None:
    """Whoever changes the scenario learns which row the import would not take."""
    units = tmp_path / "UNITS.csv"
    units.write_text("unit,site,installed_on\nU1,S1,2020-02-30\n", encoding="utf-8")
    with (
        override_settings(INCOMING_DIR=tmp_path / "incoming"),
        pytest.raises(RuleViolation, match="line 2, installed_on “2020-02-30”: There is no such day"),
    ):
        import_files({InputFile.UNITS: units}, by=UserFactory(), at=timezone.now())
