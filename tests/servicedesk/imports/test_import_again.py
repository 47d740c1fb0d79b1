"""Bringing files in twice, partly, on trial, and taking them back, mostly through the command."""

from __future__ import annotations

import csv
from datetime import date
from pathlib import Path

import pytest
from django.conf import settings
from django.core.management import CommandError, call_command

from schedules.models import MaintenanceTask, NextDue
from schedules.operations import raise_due
from servicedesk.accounts.models import User
from servicedesk.calls.models import Finding
from servicedesk.core.models import Batch, Change
from servicedesk.core.rules.refusals import RuleViolation
from servicedesk.imports import operations
from servicedesk.imports.models import StagedCustomer, StagedRow, StagedSite
from tests.factories import CallFactory, FindingFactory, TaskFactory
from tests.servicedesk.imports.fleet_files import (
    AT,
    TODAY,
    add_reference,
    create_batch,
    event,
    everything,
    import_files,
    period,
    run,
    some_fleet,
    told,
    unit,
    write_files,
)
from units.models import (
    ComponentType,
    ConstructionPart,
    InstalledPart,
    Site,
    Unit,
)
from units.operations import change_unit

pytestmark = pytest.mark.django_db


@pytest.fixture(autouse=True)
def reference(db: None) -> None:
    """Names that files can use."""
    add_reference()


def test_the_same_files_twice_change_nothing(tmp_path: Path) -> None:
    units, history = some_fleet(9)
    paths = write_files(tmp_path, units=units, history=history, periods=[period("U000", "2010-04-01")])
    run(paths)
    first = everything()
    printed = run(paths)
    assert everything() == first
    assert "UNITS.csv: 0 added, 9 known already, 0 bad" in printed
    assert "HISTORY.csv: 0 added, 27 known already, 0 bad" in printed
    assert "PERIODS.csv: 0 added, 1 known already, 0 bad" in printed


def test_nothing_is_applied_while_a_row_is_bad(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    paths = write_files(tmp_path, units=[unit(), unit("U2", panels="many")])
    with pytest.raises(CommandError, match="Nothing was applied: 1 cell can") as caught:
        run(paths)
    assert caught.value.returncode == 1
    assert not Unit.objects.exists()
    assert not (tmp_path / "UNITS.bad.csv").exists()


def test_the_good_rows_go_in_and_the_mended_ones_follow(tmp_path: Path) -> None:
    units, history = some_fleet(6)
    for row in units:
        row["observed_from"] = row["installed_on"]  # left empty, it goes by the history of the whole import
    good = everything_of(tmp_path, units, history)
    broken = [dict(row) for row in units]
    broken[2]["panels"] = "many"
    bad_history = [dict(row) for row in history]
    bad_history[0]["on"] = "May 2023"
    paths = write_files(tmp_path, units=broken, history=bad_history)
    printed = run(paths, "--keep-good", f"--bad-rows={tmp_path / 'bad'}")
    assert "UNITS.csv: 5 added, 0 known already, 1 bad" in printed
    assert "HISTORY.csv: 14 added, 0 known already, 4 bad" in printed
    mended = {"units": tmp_path / "bad" / "UNITS.bad.csv", "history": tmp_path / "bad" / "HISTORY.bad.csv"}
    for path in mended.values():
        text = path.read_text(encoding="utf-8")
        path.write_text(text.replace("many", "4").replace("May 2023", "2023-05-01"), encoding="utf-8")
    assert "UNITS.bad.csv: 1 added" in run(mended)
    assert everything() == good


def everything_of(tmp_path: Path, units: list, history: list) -> dict:  # type: ignore[type-arg]
    """Bring files in whole, take down what came of them, and take them out again."""
    batch = import_files(units, history)
    whole = everything()
    operations.revert(batch, by=None, at=AT)
    return whole


def test_bad_rows_go_beside_the_input_unless_a_folder_is_named(tmp_path: Path) -> None:
    paths = write_files(tmp_path, units=[unit(), unit("U2", panels="many")])
    printed = run(paths, "--keep-good")
    assert f"Bad rows with their reasons: {tmp_path / 'UNITS.bad.csv'}" in printed
    with (tmp_path / "UNITS.bad.csv").open(newline="", encoding="utf-8") as file:
        assert [row["unit"] for row in csv.DictReader(file)] == ["U2"]


def test_beyond_fifty_problems_the_list_says_where_the_rest_is(tmp_path: Path) -> None:
    paths = write_files(tmp_path, units=[unit(f"U{n}", panels="many") for n in range(60)])
    with pytest.raises(CommandError):
        run(paths)
    with (tmp_path / "UNITS.problems.csv").open(newline="", encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    assert len(rows) == 60
    assert (rows[59]["file"], rows[59]["line"], rows[59]["column"]) == ("UNITS.csv", "61", "panels")


def test_a_folder_that_can_not_be_written_is_told(tmp_path: Path) -> None:
    paths = write_files(tmp_path, units=[unit(), unit("U2", panels="many")])
    (tmp_path / "taken").write_text("", encoding="utf-8")
    with pytest.raises(CommandError, match="can't be written"):
        run(paths, "--keep-good", f"--bad-rows={tmp_path / 'taken'}")
    assert Unit.objects.count() == 1


def test_a_dry_run_leaves_nothing_behind(tmp_path: Path, settings: object) -> None:
    units, history = some_fleet(3)
    paths = write_files(tmp_path, units=[*units, unit("bad", panels="many")], history=history)
    before = everything()
    with pytest.raises(CommandError, match="Nothing was applied"):
        run(paths, "--dry-run")
    paths = write_files(tmp_path, units=units, history=history)
    printed = run(paths, "--dry-run")
    assert "UNITS.csv: 3 would be added" in printed
    assert everything() == before
    for model in (Batch, StagedRow, StagedSite, StagedCustomer):
        assert not model._base_manager.exists()
    assert sorted(path.name for path in tmp_path.iterdir()) == ["HISTORY.csv", "UNITS.csv"]


def test_staging_and_files_are_cleared_when_all_is_in() -> None:
    batch = import_files(*some_fleet(4))
    assert not StagedRow.objects.exists()
    assert not StagedSite.objects.exists()
    assert not StagedCustomer.objects.exists()
    assert not (Path(settings.INCOMING_DIR) / batch.folder).exists()


def test_one_line_of_history_tells_of_an_import_and_of_its_undoing(owner: User) -> None:
    batch = import_files(*some_fleet(2), by=owner)
    operations.revert(batch, by=owner, at=AT)
    changes = Change.objects.about(batch).order_by("pk")
    # 2 units, 9 parts, 2 periods, a site, its owner, the ownership; 6 rows: 2 calls, 4 findings, 6 works.
    assert [(row.action.split(",")[0], row.by, row.source) for row in changes] == [
        ("files uploaded: UNITS.csv and HISTORY.csv", owner, "import"),
        ("units: 2 rows applied", owner, "import"),
        ("to be undone: 6 history rows", owner, "import"),
        ("undone: 34 records deleted", owner, "import"),
    ]
    assert not Change.objects.filter(subject="units.unit").exists()


def test_one_of_a_thing_is_told_as_one() -> None:
    batch = import_files([unit()], [event(what="care")])
    operations.revert(batch, by=None, at=AT)
    actions = [row.action for row in Change.objects.about(batch).order_by("pk")]
    assert actions[1] == "units: 1 row applied, 0 known, 0 bad; history: 1 row applied, 0 known, 0 bad"
    # Care of a unit is a work for each of its two parts that have a rule.
    assert actions[2] == "to be undone: 1 history row, 2 work records, 1 period, 5 parts, 1 unit, 1 site"
    assert actions[3] == "undone: 11 records deleted"


def test_undo_deletes_exactly_what_the_batch_made() -> None:
    units, history = some_fleet(5)
    import_files(units[:3], history[:9])
    before = everything()
    batch = import_files(units, history)
    assert everything() != before
    call_command("import_fleet", revert=batch.pk)
    batch.refresh_from_db()
    assert batch.stage == Batch.Stage.REVERTED
    assert everything() == before
    assert import_files(units, history).stage == Batch.Stage.APPLIED


def test_undo_moves_the_care_of_other_units_back() -> None:
    import_files([unit()], [event(what="care", on="2022-01-01", work="cleaned")])
    before = everything()
    batch = import_files([unit()], [event(what="care", on="2024-01-01")])
    assert NextDue.objects.get(installed_part__kind="film").last_done_on == date(2024, 1, 1)
    operations.revert(batch, by=None, at=AT)
    assert everything() == before


def test_undo_takes_tasks_along_that_nobody_touched() -> None:
    batch = import_files([unit()], care_by="us")
    raise_due(TODAY, at=AT)
    assert MaintenanceTask.objects.exists()
    operations.revert(batch, by=None, at=AT)
    assert not MaintenanceTask.objects.exists()
    assert not Unit.objects.exists()


def test_undo_is_refused_whole_while_later_records_hang_on_it(owner: User) -> None:
    batch = import_files([unit(), unit("U2")], [event()])
    FindingFactory(
        installed_part=InstalledPart.objects.filter(unit__code="U1", kind="track").get(),
        found_on=date(2026, 1, 1),
    )
    CallFactory(site=Site.objects.get())
    TaskFactory(unit=Unit.objects.get(code="U2"), site=Site.objects.get(), origin="call")
    changed = Unit.objects.get(code="U2")
    changed.note = "measured again"
    change_unit(changed, by=owner, at=AT)
    before = everything()
    with pytest.raises(RuleViolation) as caught:
        operations.revert(batch, by=owner, at=AT)
    reason = str(caught.value)
    assert "finding “" in reason
    assert "call “" in reason
    assert "of unit U2" in reason
    assert "unit “U2” (changed since)" in reason
    assert "Nothing was undone" in reason
    batch.refresh_from_db()
    assert batch.stage == Batch.Stage.APPLIED
    assert everything() == before


def test_undo_names_at_most_ten() -> None:
    batch = import_files([unit(f"U{n}") for n in range(15)])
    CallFactory.create_batch(15, site=Site.objects.get())
    with pytest.raises(RuleViolation, match="and more") as caught:
        operations.revert(batch, by=None, at=AT)
    assert str(caught.value).count("call “") == 10


def test_undo_needs_something_to_undo() -> None:
    batch = import_files([unit(panels="many")])
    with pytest.raises(RuleViolation, match="there is nothing to undo"):
        operations.revert(batch, by=None, at=AT)
    with pytest.raises(CommandError, match="There is no import 999"):
        call_command("import_fleet", revert=999)


def test_good_rows_of_a_refused_import_can_be_let_in_later() -> None:
    batch = import_files([unit(), unit("U2", panels="many")])
    assert batch.stage == Batch.Stage.REFUSED
    batch = operations.approve_good_rows(batch, by=None, at=AT)
    batch = operations.resume(batch)
    assert batch.stage == Batch.Stage.APPLIED
    assert Unit.objects.get().code == "U1"
    with pytest.raises(RuleViolation, match="is applied already"):
        operations.approve_good_rows(batch, by=None, at=AT)
    with pytest.raises(RuleViolation, match="undo it instead"):
        operations.discard_batch(batch)


def test_a_unit_added_meanwhile_is_known_or_told() -> None:
    first, second, third = (
        create_batch([unit()], [event()]),
        create_batch([unit()], [event()]),
        create_batch([unit(width="36")], [event()]),
    )
    for batch in (first, second, third):
        operations.stage(batch)
    for batch in (first, second, third):
        batch.refresh_from_db()
        operations.resume(batch)
    counts = [
        list(batch.files.order_by("file").values_list("applied", "known", "bad"))
        for batch in (first, second, third)
    ]
    assert counts == [[(1, 0, 0), (1, 0, 0)], [(0, 1, 0), (0, 1, 0)], [(0, 0, 1), (0, 0, 1)]]
    assert told(third) == [("units", 2, "width"), ("history", 2, "unit")]
    assert Unit.objects.count() == Finding.objects.count() == 1


def test_a_type_deleted_between_check_and_application_stops_it_with_a_reason() -> None:
    batch = create_batch([unit(construction="", track="rigid nylon liner")])
    operations.stage(batch)
    ConstructionPart.objects.filter(component_type__name="rigid nylon liner").delete()
    ComponentType.objects.get(name="rigid nylon liner").delete()
    batch.refresh_from_db()
    with pytest.raises(RuleViolation, match="was deleted since they were checked"):
        operations.resume(batch)
    batch.refresh_from_db()
    assert "was deleted" in batch.problem
    assert operations.resume_all() == 0


@pytest.mark.parametrize("words", [[], ["UNITS.csv", "--resume"], ["--resume", "--revert=1"]])
def test_the_command_wants_one_thing_at_a_time(words: list[str]) -> None:
    with pytest.raises(CommandError, match="Name a file of units, or give --resume, or --revert"):
        call_command("import_fleet", *words)


def test_a_file_that_is_not_there_is_told(tmp_path: Path) -> None:
    with pytest.raises(CommandError, match="can't be read: No such file"):
        run({"units": tmp_path / "UNITS.csv"})


def test_resuming_without_anything_to_do_says_so(capsys: pytest.CaptureFixture[str]) -> None:
    call_command("import_fleet", "--resume")
    assert "No import was cut off." in capsys.readouterr().out
