"""Where the browser is and how it is started without talking to anybody."""

from __future__ import annotations

CHROMIUM = "/usr/bin/chromium"
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
