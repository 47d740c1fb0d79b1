"""Folders of the files of an import while it is under way."""

from __future__ import annotations

import secrets
import shutil
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import timedelta
from pathlib import Path
from typing import BinaryIO

from django.conf import settings
from django.utils import timezone

from servicedesk.core.models import Batch
from servicedesk.core.rules.refusals import RuleViolation
from servicedesk.imports.models import InputFile

AT_ONCE = 1024 * 1024
UNASSIGNED = timedelta(days=1)


@dataclass(frozen=True)
class Incoming:
    """Uploaded file: its original name, and its content."""

    name: str
    content: BinaryIO


def path_of(batch: Batch, file: InputFile) -> Path:
    """Path of a file of a batch."""
    return Path(settings.INCOMING_DIR) / batch.folder / f"{file}.csv"


def keep_files(files: Mapping[InputFile, Incoming]) -> tuple[str, dict[InputFile, int]]:
    """Copy files into a folder of their own; return its name and the size of each file."""
    name = secrets.token_hex(16)
    folder = Path(settings.INCOMING_DIR) / name
    try:
        folder.mkdir(mode=0o700, parents=True)
        return name, {file: _copy(incoming, folder / f"{file}.csv") for file, incoming in files.items()}
    except OSError as error:
        shutil.rmtree(folder, ignore_errors=True)
        raise RuleViolation(
            f"The files can't be saved: {error.strerror}. Make room, or ask whoever runs the server, "
            "and try again."
        ) from error
    except RuleViolation:
        shutil.rmtree(folder, ignore_errors=True)
        raise


def _copy(incoming: Incoming, to: Path) -> int:
    most, size = settings.IMPORT_MAX_BYTES, 0
    with to.open("xb") as out:
        while block := incoming.content.read(AT_ONCE):
            size += len(block)
            if size > most:
                raise RuleViolation(
                    f"{incoming.name} is larger than {most // 1024**2:,} MB, the most that is taken at once. "
                    "Cut it into files of fewer rows, each with the header."
                )
            out.write(block)
    return size


def drop_files(batch: Batch) -> None:
    """Delete the files of a batch; they hold people's names and addresses."""
    shutil.rmtree(Path(settings.INCOMING_DIR) / batch.folder, ignore_errors=True)


def sweep_folders() -> None:
    """Delete folders that a crash left without a batch."""
    incoming = Path(settings.INCOMING_DIR)
    if not incoming.is_dir():
        return
    old = timezone.now().timestamp() - UNASSIGNED.total_seconds()
    left = {folder.name for folder in incoming.iterdir() if folder.stat().st_mtime < old}
    for name in left - set(Batch.objects.filter(folder__in=left).values_list("folder", flat=True)):
        shutil.rmtree(incoming / name, ignore_errors=True)
