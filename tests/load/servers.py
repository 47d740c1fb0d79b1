"""The desk as it is run in earnest: databases to set up once and copy, and the processes of one desk."""

from __future__ import annotations

import os
import shutil
import socket
import subprocess
import sys
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import ExitStack, contextmanager
from pathlib import Path
from urllib.request import urlopen

import psycopg
from psycopg import sql

from tests.schedules.installation import stop

ROOT = Path(__file__).resolve().parents[2]
PATIENCE = 300.0
SIGNS = (" ERROR ", "Traceback", "[CRITICAL]", "[ERROR]")


class Failed(Exception):  # noqa: N818 - said to a person
    """A step that did not succeed, in a sentence for whoever started the run."""


def run(env: Mapping[str, str], log: Path, *words: str) -> str:
    """Run a program of the desk to its end and answer what it printed."""
    answer = subprocess.run(
        [sys.executable, *words],
        cwd=ROOT,
        env=dict(env),
        capture_output=True,
        text=True,
    )
    with log.open("a") as out:
        out.write(f"$ {' '.join(words)}\n{answer.stderr}")
    if answer.returncode:
        raise Failed(f"{' '.join(words)} failed; {log} says why:\n{answer.stderr[-2000:]}")
    return answer.stdout


def listens(port: int) -> bool:
    """Tell whether somebody listens on a port."""
    with socket.socket() as probe:
        return probe.connect_ex(("127.0.0.1", port)) == 0


def answers(address: str) -> bool:
    """Tell whether an address is answered."""
    try:
        with urlopen(address, timeout=5) as answer:  # noqa: S310 - our own address
            return int(answer.status) == 200
    except OSError:
        return False


@contextmanager
def running(
    words: Sequence[str], env: Mapping[str, str], log: Path, *, ready: Callable[[], bool]
) -> Iterator[subprocess.Popen[bytes]]:
    """Keep a program running for the length of a with block, from when it is ready."""
    with log.open("ab") as out:
        process = subprocess.Popen(list(words), cwd=ROOT, env=dict(env), stdout=out, stderr=subprocess.STDOUT)
    try:
        end = time.monotonic() + PATIENCE
        while not ready():
            if process.poll() is not None or time.monotonic() > end:
                raise Failed(f"{' '.join(words)} did not start; {log} says why.")
            time.sleep(0.2)
        yield process
        if process.poll() is not None:
            raise Failed(f"{' '.join(words)} ended before the day did; {log} says why.")
    finally:
        stop(process)


@contextmanager
def installation(
    env: Mapping[str, str], folder: Path, *, port: int, workers: int, threads: int
) -> Iterator[None]:
    """Serve a desk: web workers and the clock, or with a broker a celery worker and beat."""
    python, broker = [sys.executable, "-m"], env.get("REDIS_URL", "")
    with ExitStack() as stack:
        if broker:
            at = int(broker.rsplit(":", 1)[1].split("/")[0])
            program = shutil.which("redis-server")
            if program is None:
                raise Failed("redis-server is missing: install Redis.")
            options = ["--port", str(at), "--bind", "127.0.0.1", "--save", "", "--dir", str(folder)]
            stack.enter_context(
                running([program, *options], env, folder / "redis.log", ready=lambda: listens(at))
            )
            celery = [*python, "celery", "-A", "servicedesk"]
            beat = ["beat", "--schedule", str(folder / "beat")]
            for name, words in (("worker", ["worker", "--concurrency", "1"]), ("beat", beat)):
                log = folder / f"{name}.log"
                stack.enter_context(running([*celery, *words], env, log, ready=log.exists))
        else:
            clock = [sys.executable, "manage.py", "clock"]
            log = folder / "clock.log"
            stack.enter_context(running(clock, env, log, ready=log.exists))
        served = ["--bind", f"127.0.0.1:{port}", "--workers", str(workers), "--threads", str(threads)]
        served += ["--keep-alive", "75"]  # as long as nginx keeps the connections of people
        stack.enter_context(
            running(
                [*python, "gunicorn", "servicedesk.wsgi", *served, "--log-level", "warning"],
                env,
                folder / "web.log",
                ready=lambda: answers(f"http://127.0.0.1:{port}/alive/"),
            )
        )
        yield


def faults_in(folder: Path) -> list[str]:
    """List the lines of the logs that tell of an error nobody saw on a page."""
    errors = []
    for log in sorted(folder.glob("*.log")):
        lines = log.read_text(errors="replace").splitlines()
        errors += [f"{log.name}: {line[:200]}" for line in lines if any(sign in line for sign in SIGNS)]
    return errors


def has_database(server: str, name: str) -> bool:
    """Tell whether a PostgreSQL server holds a database."""
    with psycopg.connect(f"{server}/postgres", autocommit=True) as connection:
        row = connection.execute("SELECT 1 FROM pg_database WHERE datname = %s", [name]).fetchone()
    return row is not None


def make_database(server: str, name: str, *, like: str = "template0") -> None:
    """Make a database, as a copy of another one; one of that name left by a run before goes first."""
    drop_database(server, name)
    words = sql.SQL("CREATE DATABASE {} TEMPLATE {}")
    with psycopg.connect(f"{server}/postgres", autocommit=True) as connection:
        connection.execute(words.format(sql.Identifier(name), sql.Identifier(like)))


def rename_database(server: str, name: str, to: str) -> None:
    """Give a database another name."""
    words = sql.SQL("ALTER DATABASE {} RENAME TO {}")
    with psycopg.connect(f"{server}/postgres", autocommit=True) as connection:
        connection.execute(words.format(sql.Identifier(name), sql.Identifier(to)))


def measure_tables(address: str) -> None:
    """Measure the tables, as PostgreSQL does by itself a minute after so much was written."""
    with psycopg.connect(address, autocommit=True) as connection:
        connection.execute("ANALYZE")


def drop_database(server: str, name: str) -> None:
    """Drop a database of ours."""
    words = sql.SQL("DROP DATABASE IF EXISTS {} WITH (FORCE)")
    with psycopg.connect(f"{server}/postgres", autocommit=True) as connection:
        connection.execute(words.format(sql.Identifier(name)))


def clean_environment(**own: str) -> dict[str, str]:
    """Give the environment of this process without another desk's settings, and with our own."""
    inherited = {
        name: value for name, value in os.environ.items() if name not in {"DATABASE_URL", "REDIS_URL"}
    }
    return {
        **inherited,
        "SECRET_KEY": "only-for-a-run-of-the-load",
        "DEBUG": "False",
        "LOG_LEVEL": "WARNING",
        "PYTHONPATH": str(ROOT),
        "PYTHONUNBUFFERED": "1",
        "DJANGO_SETTINGS_MODULE": "servicedesk.settings",
        **own,
    }
