"""The nginx example made to run in a test: ports, files and certificate of its own, the rest as it stands."""

from __future__ import annotations

import os
import shutil
import subprocess
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

import pytest

from tests.schedules.installation import ROOT, free_port, until

EXAMPLE = ROOT / "servicedesk" / "deploy" / "nginx.conf"
HOST = "desk.example"
NGINX = shutil.which("nginx", path=f"{os.environ['PATH']}:/usr/sbin")
OPENSSL = shutil.which("openssl")

MAIN = """
{user}daemon off;
worker_processes 1;
pid {folder}/nginx.pid;
error_log stderr;
events {{ worker_connections 64; }}
http {{
    client_body_temp_path {folder}/body;
    proxy_temp_path {folder}/proxy;
    fastcgi_temp_path {folder}/fastcgi;
    uwsgi_temp_path {folder}/uwsgi;
    scgi_temp_path {folder}/scgi;
    include {folder}/site.conf;
}}
"""


@dataclass(frozen=True)
class Site:
    """The example in a folder, with the ports it listens on and the certificate it shows."""

    folder: Path
    http: int
    https: int

    @property
    def certificate(self) -> Path:
        """The file browsers are told to trust."""
        return self.folder / "fullchain.pem"

    def command(self, *options: str) -> list[str]:
        """Give a command line of nginx."""
        assert NGINX
        return [NGINX, "-p", str(self.folder), "-e", "stderr", "-c", str(self.folder / "main.conf"), *options]


def replace_once(text: str, old: str, new: str) -> str:
    """Replace words that must be there, else the test would run something else than the example."""
    assert old in text, f"the example no longer says {old!r}"
    return text.replace(old, new)


def site_in(folder: Path, *, upstream: int, text: str | None = None) -> Site:
    """Put the example into a folder, in front of a port."""
    if NGINX is None or OPENSSL is None:
        pytest.skip("nginx or openssl is not installed: apt-get install nginx-light openssl")
    site = Site(folder, http=free_port(), https=free_port())
    config = EXAMPLE.read_text() if text is None else text
    for old, new in (
        ("listen 80;", f"listen 127.0.0.1:{site.http};"),
        ("listen [::]:80;", ""),
        ("listen 443 ssl;", f"listen 127.0.0.1:{site.https} ssl;"),
        ("listen [::]:443 ssl;", ""),
        ("127.0.0.1:8000", f"127.0.0.1:{upstream}"),
        ("/etc/ssl/sashkeep", str(folder)),
        ("/var/log/nginx", str(folder)),
    ):
        config = replace_once(config, old, new)
    (folder / "site.conf").write_text(config)
    user = "user root;\n" if os.geteuid() == 0 else ""
    (folder / "main.conf").write_text(MAIN.format(folder=folder, user=user))
    names = f"subjectAltName=DNS:{HOST},IP:127.0.0.1"
    args = ["-x509", "-newkey", "rsa:2048", "-nodes", "-days", "2", "-subj", f"/CN={HOST}", "-addext", names]
    files = ["-keyout", str(folder / "key.pem"), "-out", str(site.certificate)]
    subprocess.run([OPENSSL, "req", *args, *files], check=True, capture_output=True)
    return site


@contextmanager
def serving(site: Site) -> Iterator[Site]:
    """Keep nginx running for the length of a with block."""
    log = site.folder / "nginx.log"
    with log.open("wb") as out:
        process = subprocess.Popen(site.command(), stdout=out, stderr=subprocess.STDOUT)
    try:
        until(
            lambda: (site.folder / "nginx.pid").exists() or process.poll() is not None, explain=log.read_text
        )
        assert process.poll() is None, log.read_text()
        yield site
    finally:
        process.terminate()
        process.wait(timeout=20)
