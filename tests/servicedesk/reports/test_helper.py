"""The process that works figures out for a web worker: what it is asked, and what becomes of it."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from functools import partial
from pathlib import Path

import pytest
from django.conf import settings

from servicedesk.reports import helper
from servicedesk.reports.helper import Helper, HelperError, NotYetError, Question


@pytest.fixture
def worker_of_figures() -> Iterator[Helper]:
    """A process, ended after the test."""
    made = Helper()
    yield made
    made.end()


def ask(it: Helper, key: str, make: object, *, seconds: float | None = 60) -> object:
    """Ask for something."""
    return it.ask(Question(key, make), seconds=seconds)  # type: ignore[arg-type]


def at_work(folder: str, seconds: float) -> tuple[float, float]:
    """Work for a while; answer when that began and ended."""
    begun = time.time()
    Path(folder, f"{os.getpid()}").touch()
    time.sleep(seconds)
    return begun, time.time()


def test_another_process_of_lower_priority_answers(worker_of_figures: Helper) -> None:
    mine = os.nice(0)
    process = ask(worker_of_figures, "a", os.getpid)
    assert process != os.getpid()
    assert ask(worker_of_figures, "a", os.getpid) == process
    assert ask(worker_of_figures, "b", partial(os.nice, 0)) == mine + helper.NICENESS
    assert ask(worker_of_figures, "c", helper.is_one) is True
    assert not helper.is_one()


def test_who_does_not_wait_any_longer_comes_back_for_the_answer(
    worker_of_figures: Helper, tmp_path: Path
) -> None:
    make = partial(at_work, str(tmp_path), 1.0)
    with pytest.raises(NotYetError):
        ask(worker_of_figures, "slow", make, seconds=0.05)
    asked_again = time.time()
    with pytest.raises(NotYetError):
        ask(worker_of_figures, "slow", make, seconds=0.05)
    begun, _ = ask(worker_of_figures, "slow", make)  # type: ignore[misc]
    assert begun < asked_again + 60  # it was put once: the folder holds one file, of one process
    assert len(list(tmp_path.iterdir())) == 1
    assert not worker_of_figures._futures


def test_answers_nobody_comes_for_are_dropped(
    worker_of_figures: Helper, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(helper, "UNCOLLECTED", 2)
    for number in range(6):
        with pytest.raises(NotYetError):
            ask(worker_of_figures, f"{number}", partial(time.sleep, 0.01), seconds=0)
    ask(worker_of_figures, "last", os.getpid)
    assert len(worker_of_figures._futures) <= 3


def test_what_goes_wrong_is_told_and_the_next_question_is_answered(worker_of_figures: Helper) -> None:
    with pytest.raises(HelperError, match="ValueError"):
        ask(worker_of_figures, "a", partial(int, "no number"))
    with pytest.raises(HelperError, match=r"_raise[\s\S]*RuntimeError$"):
        ask(worker_of_figures, "b", partial(_raise, "not known there"))
    with pytest.raises(Exception, match="pickle"):
        ask(worker_of_figures, "c", lambda: 1)
    assert ask(worker_of_figures, "a", partial(int, "7")) == 7


def _raise(words: str) -> None:
    raise RuntimeError(words)  # the words may hold what somebody typed: they are not told on


def test_a_process_that_is_killed_is_started_again_under_way(
    worker_of_figures: Helper, tmp_path: Path
) -> None:
    first = ask(worker_of_figures, "a", os.getpid)
    assert isinstance(first, int)
    os.kill(first, signal.SIGKILL)
    second = ask(worker_of_figures, "a", os.getpid)
    assert second != first
    make = partial(at_work, str(tmp_path), 0.5)
    with pytest.raises(NotYetError):
        ask(worker_of_figures, "b", make, seconds=0)
    while not list(tmp_path.iterdir()):
        time.sleep(0.01)
    os.kill(int(next(tmp_path.iterdir()).name), signal.SIGKILL)
    begun, ended = ask(worker_of_figures, "b", make)  # type: ignore[misc]
    assert ended - begun >= 0.5
    assert len(list(tmp_path.iterdir())) == 2


def test_one_that_is_ended_whenever_it_works_is_given_up(worker_of_figures: Helper) -> None:
    with pytest.raises(HelperError, match="was ended"):
        ask(worker_of_figures, "a", partial(os._exit, 1))
    assert ask(worker_of_figures, "b", partial(int, "7")) == 7


ASKER = """
import time
from functools import partial

import django

django.setup()
from servicedesk.reports.helper import Helper, NotYetError, Question

it = Helper()
try:
    it.ask(Question("a", partial(time.sleep, 600)), seconds=3)
except NotYetError:
    print(it.process.pid, flush=True)
time.sleep(600)
"""


def test_it_ends_with_its_worker_in_the_midst_of_its_work() -> None:
    words = [sys.executable, "-c", ASKER]
    with subprocess.Popen(words, cwd=settings.BASE_DIR, stdout=subprocess.PIPE, text=True) as asker:
        assert asker.stdout is not None
        process = int(asker.stdout.readline())
        assert is_running(process)
        asker.kill()
    end = time.monotonic() + 30
    while is_running(process):
        assert time.monotonic() < end
        time.sleep(0.05)


def is_running(process: int) -> bool:
    """Tell whether a process runs, and is not only left to be buried."""
    try:
        return Path(f"/proc/{process}/stat").read_text().rsplit(")", 1)[1].split()[0] != "Z"
    except FileNotFoundError:
        return False


def test_of_all_processes_of_a_desk_one_works_at_a_time(worker_of_figures: Helper, tmp_path: Path) -> None:
    other, spans = Helper(), []
    try:
        threads = [
            threading.Thread(
                target=lambda it=it: spans.append(ask(it, "a", partial(at_work, str(tmp_path), 0.5)))
            )
            for it in (worker_of_figures, other)
        ]
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join()
    finally:
        other.end()
    (_, ended), (begun, _) = sorted(spans)  # type: ignore[misc]
    assert ended <= begun
    assert len(list(tmp_path.iterdir())) == 2
