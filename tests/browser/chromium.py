"""Where the browser is and how it is started without talking to anybody."""

from __future__ import annotations

import shutil

CHROMIUM = shutil.which("chromium-headless-shell") or "/usr/bin/chromium"
"""The same browser; built without windows it opens a page in two thirds of the time."""

FLAGS = [
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
]

PHONE = {"width": 360, "height": 740}
