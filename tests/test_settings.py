"""Every variable of the settings is described in docs/operate.md, which describes no other."""

from __future__ import annotations

import os
import re
import subprocess
import sys
from pathlib import Path

from django.conf import settings


def test_the_document_lists_every_variable() -> None:
    code = (settings.BASE_DIR / "servicedesk" / "settings.py").read_text()
    document = (settings.BASE_DIR / "docs" / "operate.md").read_text()
    read = set(re.findall(r'env\.(?:\w+)\(\s*"([A-Z_]+)"', code))
    described = set(re.findall(r"^\| `([A-Z_]+)` \|", document, flags=re.MULTILINE))
    assert read == described


def test_notifications_as_files_go_where_the_address_says(tmp_path: Path) -> None:
    env = {"SECRET_KEY": "x", "DATA_DIR": str(tmp_path), "EMAIL_URL": f"filemail://{tmp_path}/letters"}
    script = "from servicedesk import settings; print(settings.EMAIL_BACKEND, settings.EMAIL_FILE_PATH)"
    done = subprocess.run(
        [sys.executable, "-c", script],
        env={**os.environ, **env},
        capture_output=True,
        text=True,
        check=True,
        cwd=Path(__file__).parents[1],
    )
    assert done.stdout.split() == ["django.core.mail.backends.filebased.EmailBackend", f"{tmp_path}/letters"]
