"""An import that is cut off anywhere goes on, by whoever comes first, and ends as if nothing had happened."""

from __future__ import annotations

import io
import os
import signal
import subprocess
import sys
import threading
from collections.abc import Callable, Iterator
from contextlib import suppress
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest
from celery import current_app
from django.conf import settings
from django.core.management import CommandError, call_command
from django.db import connection, connections, transaction
from django.utils import timezone

from servicedesk.calls.models import Call
from servicedesk.core.database.on_commit import know_tasks
from servicedesk.core.models import Batch
from servicedesk.core.rules.refusals import RuleViolation
from servicedesk.imports import operations
from servicedesk.imports.applying import next_dues as maintenance
from servicedesk.imports.applying import steps as applying
from servicedesk.imports.applying import units as applying_units
from servicedesk.imports.leases import CHUNK_ROWS, LEASE_DURATION, Lease, leased
from servicedesk.imports.management.commands.import_fleet import ProgressBar
from tests.factories import CallFactory
from tests.servicedesk.imports.fleet_files import (
    AT,
    add_reference,
    create_batch,
    everything,
    import_files,
    period,
    run,
    some_fleet,
    unit,
    write_files,
)
from units.models import Site, Unit

ROWS = some_fleet(14)
PERIODS = [period("U001", "2011-04-02", "2015-01-01"), period("U001", "2016-01-01")]


class PowerCut(BaseException):
    """Stands for the end of the process: nothing of ours catches it."""


def cut_after(statements: int) -> Callable[..., Any]:
    """Let so many writing statements through, and none after them."""
    left = statements

    def wrapper(execute: Callable[..., Any], sql: str, params: Any, many: bool, context: Any) -> Any:
        nonlocal left
        if sql.startswith(("INSERT", "COPY", "UPDATE", "DELETE")):
            left -= 1
            if left < 0:
                raise PowerCut
        return execute(sql, params, many, context)

    return wrapper


@pytest.fixture
def small_chunks(monkeypatch: pytest.MonkeyPatch) -> None:
    """Make so small a fleet come in many chunks and pages."""
    monkeypatch.setattr(applying, "PAGE", 5)
    for module in (applying_units, maintenance):
        monkeypatch.setattr(module, "CHUNK_ROWS", 30)


@pytest.fixture
def whole(transactional_db: None) -> dict[str, list[tuple[Any, ...]]]:
    """What comes of the files when nothing happens on the way."""
    add_reference()
    batch = import_files(*ROWS, PERIODS)
    made = everything()
    operations.revert(batch, by=None, at=AT)
    return made


def cut_off(batch: Batch, statements: int, work: Callable[[Batch], object]) -> bool:
    """Do some work that is cut off after so many statements; the lease of the dead process then runs out."""
    was_cut = True
    with suppress(PowerCut), connection.execute_wrapper(cut_after(statements)):
        work(batch)
        was_cut = False
    let_the_lease_run_out(batch)
    return was_cut


def let_the_lease_run_out(batch: Batch) -> None:
    """Come back a minute later."""
    Batch.objects.filter(pk=batch.pk).update(leased_until=timezone.now() - timedelta(seconds=1))
    batch.refresh_from_db()


@pytest.mark.usefixtures("small_chunks")
def test_cut_off_again_and_again_it_ends_as_if_nothing_had_happened(
    whole: dict[str, list[tuple[Any, ...]]],
) -> None:
    batch = create_batch(*ROWS, PERIODS)
    cuts = 0
    while cut_off(batch, cuts, operations.resume):
        cuts += 1
    assert cuts > 20
    assert batch.stage == Batch.Stage.APPLIED
    assert everything() == whole


@pytest.mark.usefixtures("small_chunks")
@pytest.mark.parametrize("statements", range(14, 110, 8))
def test_cut_off_once_anywhere_it_ends_as_if_nothing_had_happened(
    whole: dict[str, list[tuple[Any, ...]]], statements: int
) -> None:
    batch = create_batch(*ROWS, PERIODS)
    assert cut_off(batch, statements, operations.resume)
    assert operations.resume(batch).stage == Batch.Stage.APPLIED
    assert everything() == whole


def test_an_undoing_that_was_cut_off_goes_on(whole: dict[str, list[tuple[Any, ...]]]) -> None:
    before = everything()
    batch = import_files(*ROWS, PERIODS)
    assert cut_off(batch, 6, lambda batch: operations.revert(batch, by=None, at=AT))
    assert batch.stage == Batch.Stage.REVERTING
    cuts = 3
    while cut_off(batch, cuts, operations.resume):
        cuts += 1
    assert cuts > 6
    assert batch.stage == Batch.Stage.REVERTED
    assert everything() == before


def test_a_record_added_while_an_import_is_undone_stops_it_until_it_is_gone(transactional_db: None) -> None:
    add_reference()
    batch = import_files(*ROWS)
    added: list[Call] = []

    def add(what: str, done: int, total: int) -> None:
        """Somebody logs a call in the middle of it."""
        if not added:
            added.append(CallFactory(site=Site.objects.earliest("pk")))

    with pytest.raises(RuleViolation, match="were added while the import was being undone: call “"):
        operations.revert(batch, by=None, at=AT, progress=add)
    batch.refresh_from_db()
    assert "Delete them, then undo again." in batch.problem
    assert operations.resume_all() == 0
    added[0].delete()
    operations.revert(batch, by=None, at=AT)
    batch.refresh_from_db()
    assert (batch.stage, batch.problem) == (Batch.Stage.REVERTED, "")
    assert not Unit.objects.exists()


KILLED_AT = """
import os, signal, sys
import django
django.setup()
from django.core.management import call_command
from django.db import connection
left = int(sys.argv[1])
def wrapper(execute, sql, params, many, context):
    global left
    if sql.startswith(("INSERT", "COPY", "UPDATE", "DELETE")):
        left -= 1
        if left < 0:
            os.kill(os.getpid(), signal.SIGKILL)
    return execute(sql, params, many, context)
with connection.execute_wrapper(wrapper):
    call_command("import_fleet", *sys.argv[2:])
"""


def in_a_process_killed_after(statements: int, *words: str) -> int:
    """Run the command in a process of its own that is killed (kill -9) after so many writing statements."""
    database = connection.settings_dict
    if connection.vendor == "sqlite":
        url = f"sqlite:///{database['NAME']}"
    else:
        url = f"postgres://{database['USER']}:{database['PASSWORD']}@{database['HOST']}/{database['NAME']}"
    env = os.environ | {
        "DJANGO_SETTINGS_MODULE": "servicedesk.settings",
        "DATABASE_URL": url,
        "DATA_DIR": str(Path(settings.INCOMING_DIR).parent),
    }
    ended = subprocess.run(
        [sys.executable, "-c", KILLED_AT, str(statements), *words],
        cwd=settings.BASE_DIR,
        env=env,
        capture_output=True,
        check=False,
    )
    return ended.returncode


def test_kill_9_and_resume(whole: dict[str, list[tuple[Any, ...]]], tmp_path: Path) -> None:
    """A real process is killed while it writes history; the same command with --resume ends the work."""
    paths = write_files(tmp_path, units=ROWS[0], history=ROWS[1], periods=PERIODS)
    words = (str(paths["units"]), "--history", str(paths["history"]), "--periods", str(paths["periods"]))
    assert in_a_process_killed_after(35, *words) == -signal.SIGKILL
    cut_off = Batch.objects.get(stage__in=["staging", "checked", "applying"])
    assert cut_off.worker != ""
    assert Unit.objects.exists()
    assert everything() != whole
    out = io.StringIO()
    call_command("import_fleet", "--resume", stdout=out, stderr=io.StringIO())
    assert f"Import {cut_off.pk}: applied." in out.getvalue()
    assert everything() == whole


def test_two_processes_at_one_batch_write_it_once(whole: dict[str, list[tuple[Any, ...]]]) -> None:
    batch = create_batch(*ROWS, PERIODS)
    refused: list[str] = []

    def work() -> None:
        try:
            operations.resume(Batch.objects.get(pk=batch.pk))
        except (RuleViolation, operations.LeaseLost) as error:
            refused.append(str(error))
        finally:
            connections.close_all()

    threads = [threading.Thread(target=work) for _ in range(3)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert operations.resume(Batch.objects.get(pk=batch.pk)).stage == Batch.Stage.APPLIED
    assert everything() == whole


def test_a_process_that_lost_its_hold_writes_nothing_more(whole: dict[str, list[tuple[Any, ...]]]) -> None:
    batch = create_batch(*ROWS, PERIODS)
    taken = False

    def take_over(what: str, done: int, total: int) -> None:
        """Somebody else takes the batch over once units are being written, and brings it to its end."""
        nonlocal taken
        if what == Batch.Step.UNITS.label and not taken:
            taken = True
            let_the_lease_run_out(batch)
            assert operations.resume(Batch.objects.get(pk=batch.pk)).stage == Batch.Stage.APPLIED

    with pytest.raises(operations.LeaseLost, match="taken over by another process"):
        operations.resume(batch, progress=take_over)
    assert taken
    assert everything() == whole


@pytest.mark.django_db
def test_a_batch_in_live_hands_is_left_alone() -> None:
    batch = create_batch([unit()])
    other = {"worker": f"elsewhere:{os.getpid()}:x", "leased_until": timezone.now() + LEASE_DURATION}
    Batch.objects.filter(pk=batch.pk).update(**other)
    with pytest.raises(RuleViolation, match="is being worked on right now"):
        operations.resume(batch)
    assert operations.resume_all() == 0
    Batch.objects.filter(pk=batch.pk).update(leased_until=timezone.now() - timedelta(seconds=1))
    add_reference()
    assert operations.resume_all() == 1
    batch.refresh_from_db()
    assert (batch.stage, batch.worker) == (Batch.Stage.APPLIED, "")


@pytest.mark.parametrize(
    ("worker", "free"),
    [
        ("", True),
        ("{host}:{pid}:x", False),
        ("{host}:4194304:x", True),
        ("elsewhere:4194304:x", False),
        ("{host}:1:x", False),
    ],
    ids=["nobody", "this process", "a dead process here", "somewhere else", "a process of somebody else"],
)
def test_who_holds_a_batch(worker: str, free: bool) -> None:
    """4,194,304 is one above the highest process number Linux gives (proc(5), pid_max)."""
    worker_name = worker.format(host=os.uname().nodename, pid=os.getpid())
    batch = Batch(worker=worker_name, leased_until=timezone.now() + LEASE_DURATION)
    assert operations.is_free(batch) is free


@pytest.mark.django_db
def test_the_clock_goes_on_with_what_was_cut_off() -> None:
    know_tasks()
    add_reference()
    batch = create_batch([unit()])
    assert current_app.tasks["imports.resume_imports"].apply().get() == "1 import went on"
    batch.refresh_from_db()
    assert batch.stage == Batch.Stage.APPLIED
    assert (
        current_app.tasks["imports.apply_batch"].apply(args=[batch.pk]).get()
        == f"import {batch.pk} is applied"
    )


@pytest.mark.django_db
def test_a_task_that_comes_second_says_so() -> None:
    know_tasks()
    batch = create_batch([unit()])
    with leased(batch):
        result = current_app.tasks["imports.apply_batch"].apply(args=[batch.pk]).get()
    assert "is being worked on right now" in result


@pytest.mark.django_db
def test_folders_without_a_batch_are_swept_after_a_day(tmp_path: Path, settings: Any) -> None:
    settings.INCOMING_DIR = tmp_path / "incoming"
    operations.sweep_folders()
    batch = create_batch([unit()])
    for name, age in (("old", 100_000), ("new", 10)):
        folder = settings.INCOMING_DIR / name
        folder.mkdir()
        os.utime(folder, (timezone.now().timestamp() - age,) * 2)
    os.utime(settings.INCOMING_DIR / batch.folder, (0, 0))
    operations.sweep_folders()
    assert {path.name for path in settings.INCOMING_DIR.iterdir()} == {"new", batch.folder}


@pytest.fixture
def chunk_sizes(monkeypatch: pytest.MonkeyPatch) -> Iterator[list[int]]:
    """Count the rows that each transaction of an import writes."""
    sizes: list[int] = []

    def count(execute: Callable[..., Any], sql: str, params: Any, many: bool, context: Any) -> Any:
        answer = execute(sql, params, many, context)
        if sql.startswith(("INSERT", "COPY", "UPDATE", "DELETE")):
            rows = context["cursor"].rowcount
            if transaction.get_connection().in_atomic_block and sizes:
                sizes[-1] += max(rows, 0)
        return answer

    atomic_enter = Lease.chunk

    def chunk(self: Lease, **progress: Any) -> Any:
        sizes.append(0)
        return atomic_enter(self, **progress)

    monkeypatch.setattr(Lease, "chunk", chunk)
    with connection.execute_wrapper(count):
        yield sizes


@pytest.mark.django_db
def test_no_transaction_writes_more_than_a_chunk(chunk_sizes: list[int]) -> None:
    add_reference()
    batch = import_files(*some_fleet(max(150, CHUNK_ROWS // 6)))
    operations.revert(batch, by=None, at=AT)
    assert max(chunk_sizes) <= CHUNK_ROWS
    assert max(chunk_sizes) > CHUNK_ROWS / 2


@pytest.mark.django_db
def test_ctrl_c_says_how_to_go_on_and_forgets_a_dry_run(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def interrupt(self: ProgressBar, what: str, done: int, total: int) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr(ProgressBar, "__call__", interrupt)
    paths = write_files(tmp_path, units=[unit()])
    with pytest.raises(CommandError, match="--resume") as caught:
        run(paths)
    assert caught.value.returncode == 130
    assert Batch.objects.get().stage == Batch.Stage.STAGING
    with pytest.raises(CommandError):
        run(paths, "--dry-run")
    assert Batch.objects.count() == 1


class Terminal(io.StringIO):
    """A place that says it is a terminal."""

    def isatty(self) -> bool:
        return True


@pytest.mark.django_db
def test_a_terminal_gets_a_bar_and_anything_else_a_line_every_tenth(tmp_path: Path) -> None:
    add_reference()
    paths = write_files(tmp_path, units=[unit()])
    terminal, pipe = Terminal(), io.StringIO()
    call_command("import_fleet", str(paths["units"]), "--dry-run", stdout=io.StringIO(), stderr=terminal)
    assert "\rchecking UNITS.csv" in terminal.getvalue()
    assert f"[{'#' * ProgressBar.WIDTH}] 100%" in terminal.getvalue()
    call_command("import_fleet", str(paths["units"]), stdout=io.StringIO(), stderr=pipe)
    assert "checking UNITS.csv: 100 %\n" in pipe.getvalue()
    assert "\r" not in pipe.getvalue()
