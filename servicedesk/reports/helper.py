"""A process that works figures out for a web worker, so that nobody whom the worker serves waits for them.

Python runs one thread of a process at a time. A worker that spent a minute on a report of 100,000 units would
hand every other page and every record of a phone its turns in between. So each web worker that is asked for
such a figure starts one process like this, of lower priority, and sends it one question after the other
through a pair of sockets. The process ends as soon as its worker does, however that ended. Of all such
processes of a desk one works at a time.

    python -m servicedesk.reports.helper 7    (7: the socket, as the worker starts it)
"""

from __future__ import annotations

import fcntl
import logging
import os
import queue
import subprocess
import sys
import threading
from collections.abc import Callable, Iterator
from concurrent.futures import Future
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from multiprocessing import Pipe
from multiprocessing.connection import Connection
from typing import Any

from django.conf import settings
from django.db import connections

from servicedesk.logs import trace

NICENESS = 10
"""By how much a figure gives way to pages, imports and the clock where all want a processor."""
UNCOLLECTED = 20
"""So many answers are held for whoever asks again; the figures are kept besides."""

log = logging.getLogger(__name__)


class NotYetError(Exception):
    """The figure takes longer than one waits for a page; ask again."""


class HelperError(RuntimeError):
    """The figure could not be worked out; the text gives the way through the code to where it went wrong."""


@dataclass(frozen=True)
class Question:
    """What is to be worked out.

    ``key`` names the figure, and ``make`` works it out: what can be pickled.
    """

    key: str
    make: Callable[[], Any]


@dataclass(frozen=True)
class Answered:
    """The figure, or the way through the code to what went wrong."""

    found: Any = None
    wrong: str = ""


class Helper:
    """One web worker's process, started when it is first asked and again where it ended."""

    def __init__(self) -> None:
        self._guard = threading.Lock()
        self._futures: dict[str, Future[Any]] = {}
        self._questions: queue.SimpleQueue[tuple[Question, Future[Any]]] = queue.SimpleQueue()
        self._line: Connection[Any, Any] | None = None
        self._over = False
        self.process: subprocess.Popen[bytes] | None = None
        threading.Thread(target=self._serve, daemon=True, name="figures").start()

    def ask(self, question: Question, *, seconds: float | None) -> Any:
        """Ask and wait so many seconds at most (None: as long as it takes); the same question is put once."""
        with self._guard:
            future = self._futures.get(question.key)
            if future is None:
                future = self._futures[question.key] = Future()
                self._questions.put((question, future))
        try:
            found = future.result(timeout=seconds)
        except TimeoutError:
            raise NotYetError from None
        finally:
            if future.done():
                with self._guard:
                    self._futures.pop(question.key, None)
        return found

    def _serve(self) -> None:
        """Put one question after the other to the process."""
        while True:
            question, future = self._questions.get()
            try:
                answered = self._put(question)
            except Exception as error:  # whatever it was, somebody waits to hear of it
                future.set_exception(error)
            else:
                if answered.wrong:
                    future.set_exception(HelperError(answered.wrong))
                else:
                    future.set_result(answered.found)
            self._forget()

    def _put(self, question: Question) -> Answered:
        for again in (False, True):
            line = self._running()
            try:
                line.send(question)
                answered: Answered = line.recv()
            except (EOFError, OSError) as error:
                self._end()
                if again or self._over:
                    raise HelperError("The process that works figures out was ended.") from error
                log.warning("the process that works figures out was ended; it is started again")
            else:
                return answered
        raise AssertionError

    def _running(self) -> Connection[Any, Any]:
        """Give the line to the process, which is started where it does not run."""
        if self._over:
            raise HelperError("The process that works figures out was ended.")
        if self._line is None or self.process is None or self.process.poll() is not None:
            self._end()
            mine, its = Pipe()
            words = [sys.executable, "-m", __spec__.name, str(its.fileno())]
            self.process = subprocess.Popen(  # noqa: S603  # nosec B603
                words, pass_fds=[its.fileno()], cwd=settings.BASE_DIR, stdin=subprocess.DEVNULL
            )
            its.close()
            self._line = mine
        return self._line

    def end(self) -> None:
        """End the process; it is not started again for a question that waits."""
        self._over = True
        if self.process is not None:
            self.process.kill()

    def _end(self) -> None:
        if self._line is not None:
            self._line.close()
        if self.process is not None:
            self.process.kill()
            self.process.wait()
        self._line = self.process = None

    def _forget(self) -> None:
        """Drop answers that nobody came for."""
        with self._guard:
            done = [key for key, future in self._futures.items() if future.done()]
            for key in done[:-UNCOLLECTED]:
                del self._futures[key]


_helpers: dict[int, Helper] = {}
_guard = threading.Lock()
_is_one = False


def ask(question: Question, *, seconds: float | None) -> Any:
    """Let the process of this worker work something out, and wait so long at most.

    Raises
    ------
    NotYetError
        If it takes longer.
    HelperError
        If it could not be worked out.
    """
    with _guard:  # a worker that was forked off has a process of its own
        mine = _helpers.get(os.getpid())
        if mine is None:
            mine = _helpers[os.getpid()] = Helper()
    return mine.ask(question, seconds=seconds)


def is_one() -> bool:
    """Whether this process is one that works figures out for another."""
    return _is_one


def main(socket: int) -> None:
    """Answer questions until the worker is gone."""
    global _is_one
    _is_one = True
    os.nice(NICENESS)
    line: Connection[Any, Any] = Connection(socket)
    questions: queue.SimpleQueue[Question] = queue.SimpleQueue()
    threading.Thread(target=_listen, args=(line, questions), daemon=True).start()
    while True:
        line.send(_answer(questions.get()))


def _listen(line: Connection[Any, Any], questions: queue.SimpleQueue[Question]) -> None:
    """Take questions in; end the process in the midst of its work where nobody is there to hear of it."""
    while True:
        try:
            questions.put(line.recv())
        except (EOFError, OSError):
            os._exit(0)


def _answer(question: Question) -> Answered:
    try:
        with _one_at_a_time():
            return Answered(found=question.make())
    except Exception as error:  # the worker tells who asked
        log.exception("a figure could not be worked out")
        return Answered(wrong=trace(error))
    finally:
        connections.close_all()


@contextmanager
def _one_at_a_time() -> Iterator[None]:
    """Wait until no other process of this desk works a figure out; where a file can't be had, don't wait."""
    with ExitStack() as stack:
        try:
            settings.FIGURES_DIR.mkdir(parents=True, exist_ok=True)
            held = stack.enter_context((settings.FIGURES_DIR / "one-at-a-time").open("a"))
            fcntl.flock(held, fcntl.LOCK_EX)
        except OSError as error:  # a full disk, say
            log.warning("figures may be worked out several at a time: %s", error.strerror)
        yield


if __name__ == "__main__":
    import django

    os.environ.setdefault("DJANGO_SETTINGS_MODULE", "servicedesk.settings")
    django.setup()
    from servicedesk.reports import helper

    helper.main(int(sys.argv[1]))
