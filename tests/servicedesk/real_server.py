"""A real web server process on the database of the tests, with a look at what it takes meanwhile."""

from __future__ import annotations

import os
import selectors
import shutil
import socket
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from urllib.request import urlopen

from django.conf import settings
from django.db import connection

BLOCK = b"a" * (256 * 1024)
MB = 1024 * 1024
LETS_GO_WITHIN = 20.0


@dataclass(frozen=True)
class Result:
    """What a server answered to a body, and what that took."""

    status: int
    words: str
    sent: int
    """Bytes of the body that were sent before it answered."""
    grown: int
    """Bytes by which the worker's greatest resident memory lay above what it held before."""
    on_disk: int
    """Most bytes that lay in its folder of temporary files."""


@dataclass(frozen=True)
class Server:
    """A running server: where it listens, its one worker, and its folder of temporary files."""

    port: int
    worker: int
    temporary: Path

    def memory(self, name: str) -> int:
        """Read one of the worker's figures of memory, in bytes."""
        lines = Path(f"/proc/{self.worker}/status").read_text().splitlines()
        return next(int(line.split()[1]) * 1024 for line in lines if line.startswith(f"{name}:"))

    def send(self, head: str, body: Iterator[bytes], *, stop_writing: bool = False) -> Result:
        """Send a request whose body may be endless; stop when the answer comes."""
        self.bytes_left()  # of the request before
        Path(f"/proc/{self.worker}/clear_refs").write_text("5")  # the greatest memory counts from here
        before, sent, on_disk = self.memory("VmRSS"), 0, 0
        with socket.create_connection(("127.0.0.1", self.port), timeout=120) as line:
            line.sendall(head.encode())
            with selectors.DefaultSelector() as ready:
                ready.register(line, selectors.EVENT_READ)
                for block in body:
                    if ready.select(timeout=0):
                        break
                    try:
                        line.sendall(block)
                    except OSError:
                        break
                    sent += len(block)
                    if sent % (16 * len(BLOCK)) < len(block):
                        on_disk = max(on_disk, self.bytes_on_disk())
            if stop_writing:
                line.shutdown(socket.SHUT_WR)
            answer = _read(line)
        status, _, words = answer.partition(b"\r\n\r\n")
        return Result(
            int(status.split()[1]) if status else 0,
            words.decode(errors="replace"),
            sent,
            self.memory("VmHWM") - before,
            on_disk,
        )

    def bytes_on_disk(self) -> int:
        """Add up what lies in the folder of temporary files, also of files that have no name any more."""
        descriptors = Path(f"/proc/{self.worker}/fd")
        named = {path.resolve() for path in self.temporary.rglob("*") if path.is_file()}
        size = 0
        for number in descriptors.iterdir():
            try:
                if str(self.temporary) in os.readlink(number):
                    size += number.stat().st_size
                    named.discard(number.resolve())
            except OSError:
                continue
        return size + sum(path.stat().st_size for path in named if path.exists())

    def bytes_left(self) -> int:
        """Tell how many bytes stay there: it lets go of a file only after its answer was sent."""
        end = time.monotonic() + LETS_GO_WITHIN
        while (size := self.bytes_on_disk()) and time.monotonic() < end:
            time.sleep(0.1)
        return size


def _read(line: socket.socket) -> bytes:
    """Read an answer to the end that its length names."""
    answer = b""
    try:
        while block := line.recv(65536):
            answer += block
            head, end, body = answer.partition(b"\r\n\r\n")
            lengths = [row for row in head.lower().split(b"\r\n") if row.startswith(b"content-length:")]
            if end and lengths and len(body) >= int(lengths[0].split(b":")[1]):
                break
    except OSError:  # cut off while more of the body was on its way
        pass
    return answer


def endless(size: int) -> Iterator[bytes]:
    """Give so many bytes, block by block."""
    while size > 0:
        yield BLOCK[:size]
        size -= len(BLOCK)


def free_port() -> int:
    """Find a port that nobody listens on."""
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        return int(free.getsockname()[1])


def database_address() -> str:
    """Give the tests' database as other processes find it."""
    db_settings = connection.settings_dict
    if connection.vendor == "sqlite":
        return f"sqlite:///{db_settings['NAME']}"
    return "postgres://{USER}:{PASSWORD}@{HOST}:{PORT}/{NAME}".format_map(
        {**db_settings, "PORT": db_settings["PORT"] or 5432}
    )


@contextmanager
def serving(
    folder: Path, *, port: int = 0, collect: bool = True, clock: bool = False, **settings_of_it: str
) -> Iterator[Server]:
    """Run gunicorn with one worker on the tests' database until the end of the block.

    ``port`` is any free one unless it is given; without ``collect`` the static files are those in the folder.
    With ``clock`` the periodic work is done beside it.
    """
    temporary = folder / "temporary"
    temporary.mkdir()
    surroundings = {
        **os.environ,
        "DATABASE_URL": database_address(),
        "DATA_DIR": str(folder),
        "SECRET_KEY": settings.SECRET_KEY,
        "TMPDIR": str(temporary),
        "REDIS_URL": "",
        **settings_of_it,
    }
    port = port or free_port()
    manage = [sys.executable, str(settings.BASE_DIR / "manage.py"), "collectstatic", "--noinput", "-v", "0"]
    if collect:
        subprocess.run(manage, env=surroundings, check=True, cwd=settings.BASE_DIR)
    command = [sys.executable, "-m", "gunicorn", "servicedesk.wsgi", "--bind", f"127.0.0.1:{port}"]
    command += ["--workers", "1", "--threads", "4", "--worker-tmp-dir", str(folder), "--timeout", "120"]
    with (folder / "server.log").open("wb") as log:
        started = [[sys.executable, "manage.py", "clock"]] if clock else []
        process, *others = [
            subprocess.Popen(program, env=surroundings, cwd=settings.BASE_DIR, stderr=log, stdout=log)
            for program in (command, *started)
        ]
        try:
            yield Server(port, _worker(process, port, folder / "server.log"), temporary)
        finally:
            for each in (process, *others):
                each.terminate()
            for each in (process, *others):
                try:
                    each.wait(timeout=60)
                except subprocess.TimeoutExpired:  # it still reads what nobody sends any more
                    each.kill()
                    each.wait()
            shutil.rmtree(temporary)


def _worker(process: subprocess.Popen[bytes], port: int, log: Path) -> int:
    """Wait until the server answers, and find its worker."""
    for _ in range(600):
        try:
            with urlopen(f"http://127.0.0.1:{port}/alive/", timeout=60):
                children = Path(f"/proc/{process.pid}/task/{process.pid}/children").read_text().split()
                return int(children[0])
        except OSError:
            assert process.poll() is None, log.read_text()
            time.sleep(0.1)
    raise AssertionError(log.read_text())
