"""Every variable of the settings is described in README, and README describes no other."""

from __future__ import annotations

import re

from django.conf import settings


def test_readme_lists_every_variable() -> None:
    code = (settings.BASE_DIR / "servicedesk" / "settings.py").read_text()
    readme = (settings.BASE_DIR / "README.md").read_text()
    read = set(re.findall(r'env\.(?:\w+)\(\s*"([A-Z_]+)"', code))
    described = set(re.findall(r"^\| `([A-Z_]+)` \|", readme, flags=re.MULTILINE))
    assert read == described
