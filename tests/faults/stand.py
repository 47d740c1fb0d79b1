"""A desk under real processes that can be killed and started one by one."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
from contextlib import ExitStack, suppress
from dataclasses import dataclass, field
from pathlib import Path

import requests

from tests.schedules.installation import Installation, free_port, redis, until

WORKERS = 2


@dataclass
class Stand(Installation):
    """A desk with its web server, its clock, and, where there is Redis, a worker and a beat."""

    port: int = field(default_factory=free_port)
    running_now: dict[str, tuple[ExitStack, subprocess.Popen[bytes]]] = field(default_factory=dict)

    @property
    def address(self) -> str:
        """Where its pages are."""
        return f"http://127.0.0.1:{self.port}"

    def start(self, name: str, *command: str, ready: str) -> None:
        """Start a program and wait until it says that it is ready."""
        stack = ExitStack()
        process = stack.enter_context(self.running(*command, ready=ready))
        self.running_now[name] = stack, process

    def start_server(self, **settings: str) -> None:
        """Start the web server, with some settings of its own, and wait until it answers."""
        original, self.settings = self.settings, {**self.settings, **settings}
        words = ["--bind", f"127.0.0.1:{self.port}", "--workers", str(WORKERS), "--threads", "4"]
        words += ["--preload", "--no-control-socket"]
        try:
            self.start(
                "server",
                *(sys.executable, "-m", "gunicorn", "servicedesk.wsgi", *words, "--log-level", "info"),
                ready="Listening at",
            )
        finally:
            self.settings = original
        self.wait()

    def wait(self) -> None:
        """Wait until the web server answers."""
        until(self.answers, patience=self.patience)

    def answers(self) -> bool:
        """Tell whether the web server answers, with all of its processes."""
        with suppress(requests.RequestException):
            alive = requests.get(f"{self.address}/alive/", timeout=5).ok
            return alive and len(self.children("server")) >= WORKERS
        return False

    def start_clock(self) -> None:
        """Start the clock of a desk without Redis."""
        self.start("clock", sys.executable, "manage.py", "clock", ready="The clock is running.")

    def start_redis(self) -> None:
        """Start an empty Redis on the port that the settings name."""
        stack = ExitStack()
        port = int(self.settings["REDIS_URL"].split(":")[2].split("/")[0])
        self.running_now["redis"] = stack, stack.enter_context(redis(self.folder, port))

    def start_worker(self) -> None:
        """Start a celery worker."""
        words = ["worker", "--pool", "solo", "--loglevel", "INFO", "--without-mingle"]
        self.start("worker", sys.executable, "-m", "celery", "-A", "servicedesk", *words, ready="ready.")

    def start_beat(self) -> None:
        """Start celery's beat."""
        words = ["beat", "--loglevel", "INFO", "--schedule", str(self.folder / "beat"), "--pidfile="]
        self.start(
            "beat", sys.executable, "-m", "celery", "-A", "servicedesk", *words, ready="beat: Starting"
        )

    def children(self, name: str) -> list[int]:
        """List the processes that a program started."""
        parent = self.running_now[name][1].pid
        try:
            pids = Path(f"/proc/{parent}/task/{parent}/children").read_text()
        except OSError:
            return []
        return [int(pid) for pid in pids.split()]

    def kill(self, name: str) -> None:
        """Kill a program and all it started, with no chance to tidy up (SIGKILL)."""
        for pid in [self.running_now[name][1].pid, *self.children(name)]:
            kill(pid)
        self.stop(name)

    def stop(self, name: str) -> None:
        """Let a program end."""
        stack, _ = self.running_now.pop(name)
        stack.close()

    def is_running(self, name: str) -> bool:
        """Tell whether a program was started and not ended."""
        return name in self.running_now

    def close(self) -> None:
        """Stop all that runs."""
        for name in list(self.running_now):
            self.stop(name)


def kill(pid: int) -> None:
    """Kill one process of ours; one that is gone by now needs no killing."""
    with suppress(ProcessLookupError):
        os.kill(pid, signal.SIGKILL)
