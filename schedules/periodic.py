"""Runner of the beat schedule without a broker: finds the due entries and runs them in this process.

The same schedule drives celery beat. When each entry last ran is stored, so a clock that stood still catches
up with one run of each, and two clocks by accident only do the same idempotent work twice.
"""

from __future__ import annotations

import logging
from collections.abc import Callable, Iterator, Mapping
from datetime import datetime
from threading import Thread
from typing import Any, cast

from celery import current_app
from celery.schedules import BaseSchedule, maybe_schedule
from django.conf import settings
from django.db import DatabaseError, connections
from django.utils import timezone

from schedules.models import ClockMark
from schedules.models.clock import FAILED
from schedules.operations import note_run
from servicedesk.core.database.on_commit import know_tasks
from servicedesk.core.logs.formatting import describe

log = logging.getLogger(__name__)

TAKE_LONG = {
    "backup.back_up",
    "imports.resume_imports",
    "reports.compute_figures",
    "reports.keep_failure_log",
    "reports.run_surveillance",
}
"""Tasks that may take minutes or hours; messages and due work do not wait for them."""
NOTHING = "nothing to do"
"""Result of a task that had no work to do; the clock does not print it."""


def due_tasks() -> Iterator[str]:
    """Names of the tasks of the beat schedule whose time has come since they last ran.

    A task that last ran in the future ran before somebody put the machine's clock back: nobody knows how long
    ago that was, so it runs now rather than not until that moment comes again.
    """
    now = timezone.now()
    marks = dict(ClockMark.objects.values_list("task", "ran_at"))
    for entry in _entries():
        last = marks.get(entry["task"])
        schedule = cast(BaseSchedule, maybe_schedule(entry["schedule"], app=current_app))
        if last is None or last > now or schedule.is_due(last).is_due:
            yield entry["task"]


def run_due(at: datetime) -> dict[str, str]:
    """Run the due tasks one after the other; return the result of each in words."""
    know_tasks()
    return {task: _run(task, at=at) for task in list(due_tasks())}


class RunsBeside:
    """Runner that starts each long task in a thread of its own, while the clock goes on."""

    def __init__(self, say: Callable[[datetime, str, str], object]) -> None:
        self._say = say
        self._threads: dict[str, Thread] = {}

    def run_due(self, at: datetime) -> None:
        """Run the due tasks and report the result of each; a long run under way is not started again."""
        know_tasks()
        for task in list(due_tasks()):
            if task not in TAKE_LONG:
                self._say(at, task, _run(task, at=at))
            elif not (task in self._threads and self._threads[task].is_alive()):
                self._threads[task] = Thread(target=self._run_long, args=(task, at), name=task)
                self._threads[task].start()

    def wait(self) -> None:
        """Join the threads of the runs under way."""
        for thread in self._threads.values():
            thread.join()

    def _run_long(self, task: str, at: datetime) -> None:
        try:
            self._say(at, task, _run(task, at=at))
        except DatabaseError:
            log.exception("the database did not answer; the clock runs %s again", task)
        finally:
            connections.close_all()


def task_names() -> set[str]:
    """Names of the tasks of the beat schedule."""
    return {entry["task"] for entry in _entries()}


def _entries() -> list[Mapping[str, Any]]:
    """List the entries of the beat schedule, each task once."""
    return list({entry["task"]: entry for entry in settings.CELERY_BEAT_SCHEDULE.values()}.values())


def note_by_worker(task: str, result: object) -> None:
    """Record that a worker ran a task of the schedule, so that pages show when the clock stands still."""
    if task in task_names():
        note_run(task, said=_words(result), at=timezone.now())


def _words(result: object) -> str:
    return f"{FAILED}{describe(result)}" if isinstance(result, BaseException) else str(result or "done")


def _run(task: str, *, at: datetime) -> str:
    """Run one task in this process; a failure is recorded, and the task runs again when next due."""
    known = current_app.tasks.get(task)
    if known is None:
        said = f"{FAILED}no task of this name is known"
        log.error("the schedule asks for %s, which no app has", task)
    else:
        answer = known.apply()
        said = _words(answer.result)
        if answer.failed():
            log.error("%s failed", task, exc_info=answer.result)
    note_run(task, said=said, at=at)
    return said
