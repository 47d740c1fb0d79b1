"""A desk of its own for tests that start real processes: a folder, a database file, and programs."""

from __future__ import annotations

import atexit
import os
import shutil
import signal
import socket
import sqlite3
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from functools import cache
from pathlib import Path
from typing import Any

import pytest

from tests.log_names import names_in

ROOT = Path(__file__).parents[2]
PATIENCE = 60.0
FILE = "sashkeep.sqlite3"
MAKE_TABLES = "from tests.tables import make_tables\nmake_tables()"


@dataclass
class Installation:
    """A desk in a folder of its own, on a SQLite file unless its settings name another database."""

    folder: Path
    settings: dict[str, str] = field(default_factory=dict)
    logs: Path | None = None
    """Where its programs write what they say; None: into the folder."""
    patience: float = 120
    """How many seconds a program may take to its end, or to its ready line."""

    @property
    def environment(self) -> dict[str, str]:
        """Give what a program of this desk finds in its environment."""
        inherited = {
            name: value for name, value in os.environ.items() if name not in {"DATABASE_URL", "REDIS_URL"}
        }
        own = {
            "SECRET_KEY": "tests-only",
            "DATA_DIR": str(self.folder),
            "DJANGO_SETTINGS_MODULE": "tests.schedules.fast_clock",
            "PYTHONPATH": str(ROOT),
            "PYTHONUNBUFFERED": "1",
            "LOG_LEVEL": "INFO",
        }
        return {**inherited, **own, **self.settings}

    def run(self, *command: str) -> str:
        """Run a program to its end and give what it printed."""
        answer = subprocess.run(
            command, cwd=ROOT, env=self.environment, capture_output=True, text=True, timeout=self.patience
        )
        assert answer.returncode == 0, answer.stdout + answer.stderr
        return answer.stdout + answer.stderr

    def manage(self, *arguments: str) -> str:
        """Run a management command."""
        return self.run(sys.executable, "manage.py", *arguments)

    def refused(self, *arguments: str) -> str:
        """Run a management command that must refuse, and give what it says."""
        command = [sys.executable, "manage.py", *arguments]
        done = subprocess.run(
            command, cwd=ROOT, env=self.environment, capture_output=True, text=True, timeout=900
        )
        assert done.returncode == 1, done.stdout
        return done.stderr

    def make_tables(self) -> None:
        """Make its database: a SQLite file as a copy of one that was made before."""
        if "DATABASE_URL" in self.settings:
            self.script(MAKE_TABLES)
        else:
            self.folder.mkdir(parents=True, exist_ok=True)
            shutil.copy2(_file_with_tables(), self.folder / FILE)

    def script(self, text: str) -> str:
        """Run a few lines of Python inside the desk."""
        return self.run(sys.executable, "-c", f"import django; django.setup()\n{text}")

    def ask(self, sql: str) -> list[tuple[Any, ...]]:
        """Ask the database file itself."""
        with sqlite3.connect(self.folder / FILE, timeout=20) as connection:
            return connection.execute(sql).fetchall()

    @contextmanager
    def running(self, *command: str, ready: str) -> Iterator[subprocess.Popen[bytes]]:
        """Keep a program running for the length of a with block, from its ready line on."""
        log = (self.logs or self.folder) / f"{time.monotonic_ns()}.log"
        with log.open("wb") as out:
            process = subprocess.Popen(
                command, cwd=ROOT, env=self.environment, stdout=out, stderr=subprocess.STDOUT
            )
        try:
            until(
                lambda: ready in log.read_text() or process.poll() is not None,
                explain=lambda: log.read_text(),
                patience=self.patience,
            )
            assert process.poll() is None, log.read_text()
            yield process
        finally:
            stop(process)
            assert not names_in(log.read_text()), "a program of the desk logged a name"

    def log(self) -> str:
        """Give all that the programs wrote so far."""
        return "".join(path.read_text() for path in sorted((self.logs or self.folder).glob("*.log")))


@cache
def _file_with_tables() -> Path:
    """Make a SQLite file with the desk's tables and no records, once for this process."""
    folder = tempfile.TemporaryDirectory(prefix="sashkeep-tables-")
    atexit.register(folder.cleanup)
    installation = Installation(Path(folder.name))
    installation.script(MAKE_TABLES)
    return installation.folder / FILE


def stop(process: subprocess.Popen[Any]) -> None:
    """Tell a program to end after the work in hand, and end it where it does not."""
    if process.poll() is not None:
        return
    process.send_signal(signal.SIGTERM)
    try:
        process.wait(timeout=30)
    except subprocess.TimeoutExpired:
        process.kill()
        process.wait()


def until(
    true: Callable[[], object], *, explain: Callable[[], str] = lambda: "", patience: float = PATIENCE
) -> None:
    """Wait until something is true, and fail with an explanation when patience ends."""
    end = time.monotonic() + patience
    while not true():
        assert time.monotonic() < end, f"waited {patience} s in vain; {explain()}"
        time.sleep(0.1)


def free_port() -> int:
    """Find a port on the loopback address that nobody listens on."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


@contextmanager
def redis(folder: Path, port: int) -> Iterator[subprocess.Popen[bytes]]:
    """Keep a Redis server of our own running for the length of a with block."""
    program = shutil.which("redis-server")
    if program is None:
        pytest.skip("redis-server is not installed: apt-get install redis-server")
    options = ["--port", str(port), "--bind", "127.0.0.1", "--save", "", "--appendonly", "no"]
    process = subprocess.Popen(
        [program, *options, "--dir", str(folder)], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
    )
    try:
        until(lambda: _listens(port))
        yield process
    finally:
        process.terminate()
        process.wait(timeout=20)


def _listens(port: int) -> bool:
    with socket.socket() as probe:
        return probe.connect_ex(("127.0.0.1", port)) == 0
