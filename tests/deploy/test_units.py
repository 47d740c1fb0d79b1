"""The units of systemd, held to systemd's own verifiers, and the nginx example, held to nginx's."""

from __future__ import annotations

import re
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from tests.deploy.site import EXAMPLE, site_in
from tests.schedules.installation import ROOT

DEPLOY = ROOT / "servicedesk" / "deploy"
SERVICES = sorted(DEPLOY.glob("*.service"))
OPERATE = (ROOT / "docs" / "operate.md").read_text()
SECTION = OPERATE.partition("\n## Deploy\n")[2].partition("\n## ")[0]
MOST_EXPOSED = 20
"""Of 100, as systemd-analyze counts what a service might do; a service without any hardening has 96."""


@pytest.fixture
def units(tmp_path: Path) -> Path:
    """The units in a folder, with a program where theirs would be."""
    if shutil.which("systemd-analyze") is None:
        pytest.skip("systemd-analyze is not installed: apt-get install systemd")
    python = tmp_path / ".venv" / "bin" / "python"
    python.parent.mkdir(parents=True)
    python.symlink_to(sys.executable)
    for unit in [*SERVICES, DEPLOY / "sashkeep.target"]:
        (tmp_path / unit.name).write_text(unit.read_text().replace("/opt/sashkeep", str(tmp_path)))
    return tmp_path


def verify(folder: Path) -> subprocess.CompletedProcess[str]:
    """Ask systemd what it thinks of the units in a folder."""
    names = [str(path) for path in sorted(folder.glob("sashkeep*"))]
    return subprocess.run(
        ["systemd-analyze", "verify", "--man=no", *names], capture_output=True, text=True, timeout=60
    )


def test_systemd_finds_no_fault_with_the_units(units: Path) -> None:
    assert len(SERVICES) == 4
    done = verify(units)
    ours = [line for line in done.stderr.splitlines() if "sashkeep" in line]
    assert (done.returncode, ours) == (0, []), done.stderr


def test_the_verifier_sees_a_fault(units: Path) -> None:
    web = units / "sashkeep-web.service"
    web.write_text(web.read_text().replace("KillMode=mixed", "KillMode=sometimes"))
    assert "kill mode" in verify(units).stderr
    web.write_text(web.read_text().replace("/.venv/bin/python", "/.venv/bin/nothing"))
    assert verify(units).returncode != 0


@pytest.mark.parametrize("service", SERVICES, ids=lambda path: path.stem)
def test_each_service_may_do_little(service: Path, units: Path) -> None:
    command = ["systemd-analyze", "security", "--offline=true", f"--threshold={MOST_EXPOSED}", "--no-pager"]
    done = subprocess.run([*command, str(units / service.name)], capture_output=True, text=True, timeout=60)
    assert done.returncode == 0, done.stdout


@pytest.mark.parametrize("service", SERVICES, ids=lambda path: path.stem)
def test_each_service_runs_what_the_document_says_and_ends_in_order(service: Path) -> None:
    text = service.read_text()
    (run,) = re.findall(r"^ExecStart=/opt/sashkeep/(.*)$", text, flags=re.MULTILINE)
    if service.stem == "sashkeep-clock":
        assert "`manage.py clock`" in SECTION
        assert run == ".venv/bin/python manage.py clock"
    else:
        by_hand = run.replace("${DATA_DIR}/beat-schedule", '"$DATA_DIR/beat-schedule"')
        assert f"\n{by_hand} &\n" in SECTION
    assert "EnvironmentFile=/etc/sashkeep/environment\n" in text
    assert "ReadWritePaths=/var/lib/sashkeep" in text
    seconds = int(re.findall(r"^TimeoutStopSec=(\d+)$", text, flags=re.MULTILINE)[0])
    assert seconds >= {"sashkeep-web": 31, "sashkeep-beat": 10}.get(service.stem, 120)


def test_the_document_starts_the_units_there_are() -> None:
    named = set(re.findall(r"sashkeep-(?:web|worker|beat|clock)(?:\.service)?", SECTION))
    assert {name.removesuffix(".service") for name in named} == {path.stem for path in SERVICES}


def test_nginx_finds_no_fault_with_the_example(tmp_path: Path) -> None:
    done = subprocess.run(site_in(tmp_path, upstream=1).command("-t"), capture_output=True, text=True)
    assert done.returncode == 0, done.stderr
    assert "[warn]" not in done.stderr


def test_nginx_sees_a_fault_in_the_example(tmp_path: Path) -> None:
    bad = EXAMPLE.read_text().replace("client_max_body_size 30m", "client_max_body_sise 30m")
    done = subprocess.run(
        site_in(tmp_path, upstream=1, text=bad).command("-t"), capture_output=True, text=True
    )
    assert done.returncode != 0
    assert "client_max_body_sise" in done.stderr


def test_the_example_lets_through_what_the_desk_takes() -> None:
    from servicedesk.calls.photo_files import MOST_BYTES

    text = EXAMPLE.read_text()
    usual, files = (int(size) * 1024**2 for size in re.findall(r"client_max_body_size (\d+)m", text))
    assert usual > MOST_BYTES
    usual_import = int(re.findall(r"\| `IMPORT_MAX_MB` .*\| `(\d+)` \|", OPERATE)[0]) * 1024**2
    assert files > 3 * usual_import  # units, history and periods
