"""Backups: a consistent online copy of database and photos, and its restore.

A backup is a folder: the database (a SQLite file, or a dump by pg_dump), the photos, and a manifest with the
size and SHA-256 of every file and the rows of every table. Nothing is restored before all of it was
checked.
"""

from __future__ import annotations

import filecmp
import hashlib
import json
import os
import shutil
import sqlite3
import subprocess
import tempfile
import time
from collections.abc import Iterator
from contextlib import closing, suppress
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from django.apps import apps
from django.conf import settings
from django.db import connection
from django.db.migrations.recorder import MigrationRecorder

from servicedesk.calls.photo_files import HALF, UNSURE
from servicedesk.core.rules.refusals import RuleViolation
from servicedesk.core.values.words import count

MANIFEST, PHOTOS = "manifest.json", "photos"
DATABASE = {"sqlite": "database.sqlite3", "postgresql": "database.dump"}
FORMAT = 1
BLOCK = 1024 * 1024
LEFT_BEHIND = 24 * 3600
"""Age in seconds after which a partial backup counts as interrupted, by a power cut for instance."""


@dataclass(frozen=True)
class Backup:
    """Backup that was made or checked."""

    folder: Path
    files: int
    size: int
    rows: int


def make_backup(parent: Path, *, at: datetime) -> Backup:
    """Copy database and photos into a new folder, which is renamed into place once complete."""
    name = f"sashkeep-{at.astimezone(UTC):%Y%m%d-%H%M%S}"
    whole, half = parent / name, parent / f".{name}.part"
    if whole.exists() or half.exists():
        raise RuleViolation(f"{whole} is there already: give another folder, or wait a second.")
    half.mkdir(parents=True)
    try:
        rows = _copy_database(half)
        _copy_photos(half / PHOTOS)
        files = {str(path.relative_to(half)): _described(path) for path in _files_in(half)}
        manifest = {
            "format": FORMAT,
            "made_at": at.isoformat(),
            "vendor": connection.vendor,
            "migrations": _migrations(),
            "rows": rows,
            "files": files,
        }
        (half / MANIFEST).write_bytes(json.dumps(manifest, indent=1, sort_keys=True).encode())
        _settle(half)
        half.rename(whole)
        _sync(parent)
    except BaseException as error:
        shutil.rmtree(half, ignore_errors=True)
        if isinstance(error, sqlite3.Error):
            raise RuleViolation(
                f"The database could not be copied ({error}): is there room in {parent}?"
            ) from error
        raise
    return Backup(whole, len(files), sum(each["size"] for each in files.values()), sum(rows.values()))


def check_backup(folder: Path) -> dict[str, Any]:
    """Verify every file of a backup against its manifest.

    Raises
    ------
    RuleViolation
        Naming the first file that is missing, broken or not in the manifest.
    """
    try:
        manifest: dict[str, Any] = json.loads((folder / MANIFEST).read_bytes())
        files, vendor = manifest["files"], manifest["vendor"]
    except (OSError, ValueError, KeyError, TypeError) as error:
        raise RuleViolation(f"{folder} holds no backup: its {MANIFEST} is missing or broken.") from error
    if manifest.get("format") != FORMAT or DATABASE.get(vendor) not in files:
        raise RuleViolation(f"{folder} was made by another version, or without its database.")
    if links := sorted(path for path in folder.rglob("*") if path.is_symlink()):
        raise RuleViolation(f"{links[0]} is a link to somewhere else, so nothing was brought back.")
    there = {str(path.relative_to(folder)) for path in _files_in(folder)} - {MANIFEST}
    if missing := sorted(set(files) - there):
        raise RuleViolation(f"{folder / missing[0]} is missing, so nothing was brought back.")
    if strange := sorted(there - set(files)):
        raise RuleViolation(f"{folder / strange[0]} is not in the manifest, so nothing was brought back.")
    for name, expected in files.items():
        if _described(folder / name) != expected:
            raise RuleViolation(
                f"{folder / name} is broken: it differs from the manifest. Nothing was brought back."
            )
    return manifest


def restore_backup(folder: Path, *, replace: bool) -> Backup:
    """Restore a backup into the database of the settings, after all of it was verified.

    Raises
    ------
    RuleViolation
        When it is broken, is of another kind of database, was made by a newer version, or records exist
        already and ``replace`` is not set. Nothing is changed then.
    """
    manifest = check_backup(folder)
    if manifest["vendor"] != connection.vendor:
        raise RuleViolation(
            f"This backup is of {manifest['vendor']}, this installation runs on {connection.vendor}: "
            "set DATABASE_URL "
            "to a database of that kind."
        )
    known = {f"{app}.{name}" for app, name in _known_migrations()}
    if newer := sorted(set(manifest["migrations"]) - known):
        raise RuleViolation(f"This backup was made by a newer version (it has {newer[0]}): upgrade first.")
    if not replace and _holds_records():
        raise RuleViolation(
            "This installation already has records. Say --replace to put the backup in their place."
        )
    database = folder / DATABASE[connection.vendor]
    # Photos first: extra ones do no harm, and on a full disk or a power cut, the old database is still there.
    _bring_photos_back(folder / PHOTOS)
    if connection.vendor == "sqlite":
        _restore_sqlite(database)
    else:
        _restore_postgres(database)
    expected = manifest["rows"]
    rows = _rows_now(sorted(expected))
    if wrong := sorted(table for table in expected if rows.get(table) != expected[table]):
        raise RuleViolation(
            f"Brought back, but {wrong[0]} has {count(rows.get(wrong[0], 0), 'row')} instead of "
            f"{expected[wrong[0]]}: do not use this installation, and keep the backup."
        )
    return Backup(folder, len(manifest["files"]), 0, sum(expected.values()))


def prune_backups(parent: Path, *, keep: int) -> list[Path]:
    """Delete the oldest backups beyond a number, and interrupted ones; return which."""
    backups = sorted(path for path in parent.glob("sashkeep-*") if (path / MANIFEST).is_file())
    gone = backups[: max(0, len(backups) - keep)]
    gone += [
        path for path in parent.glob(".sashkeep-*.part") if time.time() - path.stat().st_mtime > LEFT_BEHIND
    ]
    for path in gone:
        shutil.rmtree(path)
    return gone


def last_backup(parent: Path) -> datetime | None:
    """Time of the newest complete backup of a folder; None where there is none, or no such folder."""
    moments = []
    for path in parent.glob("sashkeep-*"):
        with suppress(ValueError):  # somebody else's folder
            moment = datetime.strptime(path.name, "sashkeep-%Y%m%d-%H%M%S").replace(tzinfo=UTC)
            if (path / MANIFEST).is_file():
                moments.append(moment)
    return max(moments, default=None)


def _copy_database(folder: Path) -> dict[str, int]:
    target = folder / DATABASE[connection.vendor]
    if connection.vendor == "sqlite":
        # A connection of its own and one step, which reads one snapshot and blocks no writer: in
        # several steps SQLite would start over whenever somebody wrote between two of them.
        live = sqlite3.connect(settings.DATABASES["default"]["NAME"], timeout=60)
        with closing(live), closing(sqlite3.connect(target)) as copy:
            live.backup(copy, pages=-1)
            return {
                table: int(copy.execute(f'SELECT COUNT(*) FROM "{table}"').fetchone()[0])  # noqa: S608
                for table in _tables()
            }
    # One snapshot for the dump and for the counts, so that they agree.
    with connection.cursor() as cursor:
        cursor.execute("BEGIN ISOLATION LEVEL REPEATABLE READ READ ONLY")
        try:
            cursor.execute("SELECT pg_export_snapshot()")
            snapshot = cursor.fetchone()[0]
            _run(["pg_dump", "--format=custom", f"--snapshot={snapshot}", f"--file={target}", *_pg_target()])
            rows = {}
            for table in _tables():
                cursor.execute(f'SELECT COUNT(*) FROM "{table}"')  # noqa: S608 - names of our own tables
                rows[table] = int(cursor.fetchone()[0])
        finally:
            cursor.execute("ROLLBACK")
    return rows


def _restore_sqlite(database: Path) -> None:
    """Replace the database with a file, through SQLite, so that readers see either the old or the new one."""
    live = settings.DATABASES["default"]["NAME"]
    try:
        # Immutable: otherwise SQLite creates files of its own beside it, which stay behind after a power cut.
        with closing(sqlite3.connect(f"{database.absolute().as_uri()}?immutable=1", uri=True)) as copy:
            if copy.execute("PRAGMA integrity_check").fetchone()[0] != "ok":
                raise RuleViolation(f"{database} is no sound database. Nothing was brought back.")
            connection.close()
            with closing(sqlite3.connect(live, timeout=60)) as there:
                copy.backup(there)
    except sqlite3.Error as error:
        raise RuleViolation(
            f"The backup could not be put in the place of {live} ({error}), which is as it was. See that the "
            "disk has room and that Sashkeep is stopped, then restore again."
        ) from error


def _restore_postgres(database: Path) -> None:
    """Replace the database with a dump, in one transaction: readers see either the old or the new one.

    All tables are dropped first, also those that a later version made: they may point at tables of the dump.
    """
    with connection.cursor() as cursor:
        cursor.execute("SELECT quote_ident(tablename) FROM pg_tables WHERE schemaname = current_schema()")
        tables = ", ".join(name for (name,) in cursor.fetchall())
    connection.close()
    with tempfile.TemporaryDirectory() as folder:
        script = Path(folder) / "restore.sql"
        _run(["pg_restore", "--clean", "--if-exists", "--no-owner", f"--file={script}", str(database)])
        first = ["--command", f"DROP TABLE IF EXISTS {tables} CASCADE"] if tables else []
        _run(
            [
                *("psql", "--quiet", "--no-psqlrc", "--single-transaction", "--set=ON_ERROR_STOP=1"),
                *_pg_target(),
                *first,
                f"--file={script}",
            ]
        )


def _copy_photos(folder: Path) -> None:
    """Copy the photos; they never change once written, so a hard link is as good as a copy."""
    source = Path(settings.PHOTO_DIR)
    folder.mkdir()
    for path in _files_in(source) if source.is_dir() else ():
        if path.suffix in (HALF, UNSURE):
            continue
        target = folder / path.relative_to(source)
        target.parent.mkdir(parents=True, exist_ok=True)
        try:
            os.link(path, target)
        except OSError:
            shutil.copy2(path, target)


def _bring_photos_back(folder: Path) -> None:
    """Copy what is missing, and what differs: a photo never changes, so one that differs is corrupted."""
    for path in _files_in(folder):
        target = Path(settings.PHOTO_DIR) / path.relative_to(folder)
        if not target.exists() or not filecmp.cmp(path, target, shallow=False):
            target.parent.mkdir(parents=True, exist_ok=True)
            half = target.with_suffix(HALF)
            shutil.copy2(path, half)
            half.rename(target)


def _pg_target() -> list[str]:
    """Connection arguments of PostgreSQL's tools; the password goes through the environment."""
    database_settings = connection.settings_dict
    named = (("--host", "HOST"), ("--port", "PORT"), ("--username", "USER"), ("--dbname", "NAME"))
    return [f"{option}={database_settings[name]}" for option, name in named if database_settings[name]]


def _run(command: list[str]) -> None:
    password = connection.settings_dict["PASSWORD"]
    environment = {**os.environ, **({"PGPASSWORD": str(password)} if password else {})}
    try:
        # A fixed list of arguments, and no shell to parse them.
        done = subprocess.run(command, env=environment, capture_output=True, text=True, check=False)  # noqa: S603  # nosec B603
    except FileNotFoundError as error:
        raise RuleViolation(f"{command[0]} is not installed: it comes with the PostgreSQL client.") from error
    if done.returncode:
        raise RuleViolation(f"{command[0]} failed: {done.stderr.strip()[:300]}")


def _tables() -> list[str]:
    models = apps.get_models(include_auto_created=True)
    return sorted({model._meta.db_table for model in models if model._meta.managed})


def _rows_now(tables: list[str]) -> dict[str, int]:
    """Row counts of tables; of one that does not exist, nothing."""
    rows = {}
    with connection.cursor() as cursor:
        there = set(connection.introspection.table_names(cursor))
        for table in sorted(there.intersection(tables)):
            cursor.execute(f'SELECT COUNT(*) FROM "{table}"')  # noqa: S608 - names of our own tables
            rows[table] = int(cursor.fetchone()[0])
    return rows


def _holds_records() -> bool:
    if "accounts_user" not in connection.introspection.table_names():
        return False
    with connection.cursor() as cursor:
        cursor.execute("SELECT COUNT(*) FROM accounts_user")
        return bool(cursor.fetchone()[0])


def _migrations() -> list[str]:
    return sorted(f"{app}.{name}" for app, name in MigrationRecorder(connection).applied_migrations())


def _known_migrations() -> set[tuple[str, str]]:
    from django.db.migrations.loader import MigrationLoader

    return set(MigrationLoader(None).disk_migrations or {})


def _files_in(folder: Path) -> Iterator[Path]:
    return (path for path in sorted(folder.rglob("*")) if path.is_file())


def _described(path: Path) -> dict[str, Any]:
    digest = hashlib.sha256()
    with path.open("rb") as file:
        while block := file.read(BLOCK):
            digest.update(block)
    return {"size": path.stat().st_size, "sha256": digest.hexdigest()}


def _settle(folder: Path) -> None:
    """Sync all files of a folder to the disk: a power cut leaves no incomplete backup."""
    for path in (*folder.rglob("*"), folder):
        _sync(path)


def _sync(path: Path) -> None:
    opened = os.open(path, os.O_RDONLY)
    try:
        os.fsync(opened)
    finally:
        os.close(opened)
