"""Secret key of this machine, generated where none is configured."""

from __future__ import annotations

import os
import secrets
from pathlib import Path


def stored_secret(path: Path) -> str:
    """Secret from a file, generated with owner-only access if missing.

    Several processes may start at once: the file is linked into place whole, and the first one wins.
    """
    if not path.exists():
        part = path.with_name(f".{path.name}.{os.getpid()}")
        part.touch(mode=0o600)
        part.write_text(secrets.token_urlsafe(60))
        try:
            os.link(part, path)
        except FileExistsError:
            pass
        finally:
            part.unlink()
    return path.read_text()
