"""Writing by turns on SQLite: who waits to write goes before the next chunk of long work."""

from __future__ import annotations

import os
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
from django.db import OperationalError, connections, transaction

from servicedesk.sqlite import base
from servicedesk.sqlite.base import MOST_LEFT, PAGES_WORTH_IT, copy_log_back
from servicedesk.sqlite.turns import Turns
from tests.beside import somebody_who
from tests.factories import CustomerFactory, SiteFactory
from units.models import Customer, Site

CHUNK = 0.03
"""Seconds that a chunk of the long work holds the lock for writing."""

PAGE_OF_WORDS = "The key hangs inside the shed. " * 140


def test_long_work_waits_while_somebody_waits_to_write(tmp_path: Path) -> None:
    mine, theirs = (Turns(tmp_path / "desk.sqlite3") for _ in range(2))
    began = time.monotonic()
    mine.let_others_first(patience=60)
    assert time.monotonic() - began < 30, "nobody waits"
    with theirs.waiting():
        began = time.monotonic()
        mine.let_others_first(patience=0.2)
        assert time.monotonic() - began >= 0.2, "it went on before them"
    mine.let_others_first(patience=60)
    with mine.waiting(), theirs.waiting():
        pass  # any number may wait at once
    for each in (mine, theirs):
        each.close()


def test_a_file_that_cannot_be_had_keeps_nobody_from_writing(tmp_path: Path) -> None:
    (tmp_path / "desk.sqlite3-waiting").mkdir()
    turns = Turns(tmp_path / "desk.sqlite3")
    with turns.waiting():
        turns.let_others_first(patience=60)
    turns.close()


def test_the_file_belongs_to_whom_the_database_belongs_to(tmp_path: Path) -> None:
    database = tmp_path / "desk.sqlite3"
    database.touch(mode=0o640)
    if os.geteuid() == 0:
        os.chown(database, 4321, 4321)
    Turns(database).close()
    beside = (tmp_path / "desk.sqlite3-waiting").stat()
    assert (beside.st_uid, beside.st_gid) == (database.stat().st_uid, database.stat().st_gid)


@pytest.mark.sqlite
@pytest.mark.django_db(transaction=True)
def test_who_saves_waits_for_the_chunk_in_hand_and_no_further_one() -> None:
    customer = CustomerFactory()
    chunks, over = [0], threading.Event()

    def work() -> None:
        try:
            while not over.is_set():
                connections["default"].let_others_first()
                with transaction.atomic():
                    Customer.objects.filter(pk=customer.pk).update(name=f"Probeson {chunks[0]}")
                    time.sleep(CHUNK)
                chunks[0] += 1
        finally:
            connections.close_all()

    thread = threading.Thread(target=work)
    thread.start()
    waited = []
    try:
        for _ in range(20):
            time.sleep(CHUNK / 3)
            before = chunks[0]
            with transaction.atomic():
                waited.append(chunks[0] - before)
    finally:
        over.set()
        thread.join(timeout=20)
    # The chunk in hand, and one that may have begun between looking and being seen.
    assert max(waited) <= 2
    assert chunks[0] > 10


def sqlite_waits() -> int:
    """Ask for how many milliseconds SQLite itself waits on the connection of this thread."""
    with connections["default"].cursor() as cursor:
        return int(cursor.execute("PRAGMA busy_timeout").fetchone()[0])


@pytest.mark.sqlite
@pytest.mark.django_db(transaction=True)
def test_who_waits_for_too_long_is_told_so_and_waits_as_before(monkeypatch: pytest.MonkeyPatch) -> None:
    with somebody_who(lambda: None):  # SQLite's one right to write is taken as a transaction begins
        before = sqlite_waits()
        assert before == 1000 * connections["default"].settings_dict["OPTIONS"]["timeout"]
        with monkeypatch.context() as patch:
            patch.setitem(connections["default"].settings_dict["OPTIONS"], "timeout", 0.3)
            began = time.monotonic()
            with pytest.raises(OperationalError, match="database is locked"), transaction.atomic():
                pass
            assert time.monotonic() - began >= 0.3
            assert sqlite_waits() == 300
    with transaction.atomic():
        CustomerFactory()
    assert sqlite_waits() == before


@contextmanager
def somebody_reading(*, until: threading.Event) -> Iterator[None]:
    """Let another connection be in the middle of a statement until an event."""
    begun = threading.Event()

    def read() -> None:
        try:
            with connections["default"].cursor() as cursor:
                cursor.execute("SELECT a.id FROM units_site a, units_site b")
                cursor.fetchone()
                begun.set()
                until.wait(60)
                cursor.fetchall()
        finally:
            connections.close_all()

    thread = threading.Thread(target=read)
    thread.start()
    try:
        assert begun.wait(60)
        yield
    finally:
        until.set()
        thread.join(timeout=20)


def write_pages(sites: list[Site], number: int) -> None:
    """Write some pages of words, a step for each twenty."""
    for step in range(number // 20):
        with transaction.atomic():
            for site in sites[:20]:
                Site.objects.filter(pk=site.pk).update(access_notes=PAGE_OF_WORDS + "x" * step)


@pytest.fixture
def long_log(transactional_db: None) -> Iterator[tuple[list[Site], Callable[[], int]]]:
    """Give sites to write about and the length of SQLite's log in bytes, which nobody else copies back."""
    sites = SiteFactory.create_batch(20)
    log = Path(str(connections["default"].settings_dict["NAME"]) + "-wal")
    with connections["default"].cursor() as cursor:
        cursor.execute("PRAGMA wal_autocheckpoint = 0")
        cursor.execute("PRAGMA wal_checkpoint(TRUNCATE)")  # of what tests before this one wrote
    write_pages(sites, 4 * PAGES_WORTH_IT)
    assert log.stat().st_size > 4096 * PAGES_WORTH_IT
    yield sites, lambda: log.stat().st_size
    connections["default"].close()


@pytest.mark.sqlite
def test_a_log_begins_anew_though_somebody_reads_from_its_end(
    long_log: tuple[list[Site], Callable[[], int]], monkeypatch: pytest.MonkeyPatch
) -> None:
    sites, length = long_log
    monkeypatch.setattr(base, "WAIT_FOR_READERS", 20.0)
    done = threading.Event()
    with somebody_reading(until=done):
        write_pages(sites, 40)
        threading.Timer(0.3, done.set).start()
        copy_log_back()
    before = length()
    write_pages(sites, PAGES_WORTH_IT)
    assert length() == before
    assert sqlite_waits() == 1000 * connections["default"].settings_dict["OPTIONS"]["timeout"]


@pytest.mark.sqlite
def test_who_reads_for_long_is_not_waited_for(long_log: tuple[list[Site], Callable[[], int]]) -> None:
    sites, length = long_log
    patience = connections["default"].settings_dict["OPTIONS"]["timeout"]
    before = length()
    with somebody_reading(until=threading.Event()):
        for more in (40, 4 * MOST_LEFT):
            write_pages(sites, more)
            began = time.monotonic()
            copy_log_back()
            assert time.monotonic() - began < patience / 4
            assert sqlite_waits() == 1000 * patience
    assert length() > before  # nothing of what was read was written over


@pytest.mark.sqlite
def test_a_log_is_copied_at_most_so_often(long_log: tuple[list[Site], Callable[[], int]]) -> None:
    sites, length = long_log
    copy_log_back()
    write_pages(sites, 6 * PAGES_WORTH_IT)
    grown = length()
    copy_log_back(every=3600)
    write_pages(sites, PAGES_WORTH_IT)
    assert length() > grown
    copy_log_back(every=0)
    grown = length()
    write_pages(sites, PAGES_WORTH_IT)
    assert length() == grown


@pytest.mark.sqlite
@pytest.mark.django_db(transaction=True)
def test_a_log_is_not_copied_in_the_middle_of_a_step() -> None:
    with transaction.atomic():
        CustomerFactory()
        copy_log_back()  # SQLite would call the table locked
    copy_log_back()
