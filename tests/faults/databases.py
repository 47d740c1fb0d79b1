"""Databases that may be treated badly: a SQLite file in a folder, or a PostgreSQL cluster of our own."""

from __future__ import annotations

import os
import shutil
import subprocess
from abc import ABC, abstractmethod
from pathlib import Path

from tests.schedules.installation import free_port, until


class Missing(Exception):  # noqa: N818 - what is so, not a fault
    """A program that this machine does not have; the message says which, and how to get it."""


class Database(ABC):
    """Where a desk keeps its records."""

    name: str

    @abstractmethod
    def settings(self, folder: Path) -> dict[str, str]:
        """Say in environment variables where the database of a desk in this folder is."""

    @abstractmethod
    def copy(self, old: Path, new: Path) -> None:
        """Make the database of one desk anew as that of another; nobody may be at work on it."""

    def close(self) -> None:  # noqa: B027 - a file needs no stopping
        """Stop what was started."""


class SqliteFile(Database):
    """The file in the folder of the desk."""

    name = "sqlite"

    def settings(self, folder: Path) -> dict[str, str]:
        return {}

    def copy(self, old: Path, new: Path) -> None:
        new.mkdir(exist_ok=True)
        for path in old.glob("sashkeep.sqlite3*"):
            shutil.copy2(path, new / path.name)


class Cluster(Database):
    """A PostgreSQL cluster of its own, with a database for each folder; never the machine's."""

    name = "postgres"

    def __init__(self, folder: Path, *, tables: Path | None = None) -> None:
        """Make a cluster in a folder; ``tables`` is where the tables go, if not beside the rest."""
        self.folder, self.port = folder / "cluster", free_port()
        self.bin = self._programs()
        self.folder.mkdir()
        self._own(folder, self.folder)
        self._run("initdb", "-D", str(self.folder), "-U", "postgres", "-A", "trust", "-E", "UTF8")
        self.start()
        self.tables = ""
        if tables is not None:
            tables.mkdir()
            self._own(tables)
            self.sql(f"CREATE TABLESPACE small LOCATION '{tables}'")
            self.tables = " TABLESPACE small"

    @staticmethod
    def _programs() -> Path:
        """Find PostgreSQL's own programs."""
        installed = sorted(Path("/usr/lib/postgresql").glob("*/bin/pg_ctl"), key=lambda path: path.parts[-3])
        on_path = shutil.which("pg_ctl")
        if installed:
            return installed[-1].parent
        if on_path is None:
            raise Missing("PostgreSQL's initdb and pg_ctl are not installed: apt-get install postgresql")
        return Path(on_path).resolve().parent

    @staticmethod
    def _own(*folders: Path) -> None:
        """Give folders to the user that PostgreSQL runs as; it refuses to run as root."""
        if os.geteuid() == 0:
            for folder in folders:
                shutil.chown(folder, "postgres", "postgres")

    def _run(self, program: str, *words: str) -> None:
        command = [str(self.bin / program), *words]
        if os.geteuid() == 0:
            command = ["runuser", "-u", "postgres", "--", *command]
        answer = subprocess.run(
            command, cwd="/", stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True, timeout=120
        )
        if answer.returncode:
            raise RuntimeError(f"{program} failed: {answer.stdout}")

    def _ctl(self, *words: str) -> None:
        log = str(self.folder / "server.log")
        options = (
            f"-p {self.port} -c listen_addresses=127.0.0.1 -c unix_socket_directories= -c max_connections=60"
        )
        self._run("pg_ctl", "-D", str(self.folder), "-l", log, "-w", "-t", "60", "-o", options, *words)

    def start(self) -> None:
        """Start the server and wait for it."""
        self._ctl("start")

    def restart_at_once(self) -> None:
        """Stop the server without a word to anybody, as a power cut does, and start it again."""
        self._ctl("restart", "-m", "immediate")

    def close(self) -> None:
        self._ctl("stop", "-m", "immediate")

    def sql(self, statement: str) -> None:
        """Run one statement."""
        address = f"postgres://postgres@127.0.0.1:{self.port}/postgres"
        command = [str(self.bin / "psql"), "-q", "-v", "ON_ERROR_STOP=1", "-d", address, "-c", statement]
        subprocess.run(command, check=True, capture_output=True, timeout=60)

    def settings(self, folder: Path) -> dict[str, str]:
        return {
            "DATABASE_URL": f"postgres://postgres@127.0.0.1:{self.port}/{folder.name}",
            "CONN_MAX_AGE": "60",
        }

    def create(self, folder: Path) -> None:
        """Make an empty database for a desk."""
        self.sql(f"CREATE DATABASE {folder.name}{self.tables}")

    def copy(self, old: Path, new: Path) -> None:
        new.mkdir(exist_ok=True)
        statement = f"CREATE DATABASE {new.name} TEMPLATE {old.name}"
        until(lambda: self._went(statement))  # refused while somebody is still connected

    def _went(self, statement: str) -> bool:
        try:
            self.sql(statement)
        except subprocess.CalledProcessError:
            return False
        return True
