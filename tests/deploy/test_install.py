"""The section "Deploy" of docs/operate.md, its shell commands run word for word in a fresh folder.

A PostgreSQL role and database, and a Redis, of their own; what differs from a real machine is set before in
the variables the section names. The libraries are those the tests run with, which pip holds against the pins;
SASHKEEP_FRESH=1 has it fetch them all anew. What root does with systemd is checked in test_units.py.
"""

from __future__ import annotations

import json
import os
import re
import shutil
import signal
import subprocess
import sys
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any
from uuid import uuid4

import psycopg
import pytest

from servicedesk.calls.models import SafetyAnswer
from tests.deploy.visitor import Visitor
from tests.schedules.installation import ROOT, free_port, redis, until

pytestmark = pytest.mark.long

HOST = "desk.example"
PASSWORD = "a porch with four panels"
SECTION = (ROOT / "docs" / "operate.md").read_text().partition("\n## Deploy\n")[2].partition("\n## ")[0]
BLOCKS = re.findall(r"^```sh\n(.*?)^```$", SECTION, flags=re.MULTILINE | re.DOTALL)
PATIENCE = 600.0  # on a machine with much else to do; alone it needs a fraction
UNITS = "unit,site,address,installed_on\nU-1,S-1,1 Probe Lane,2020-05-04\n"
NEXT_VERSION = """
from django.db import migrations

class Migration(migrations.Migration):
    dependencies = [("accounts", "{leaf}")]
    operations = [migrations.RunSQL("ALTER TABLE accounts_user ADD COLUMN of_the_next integer NULL", "")]
"""


@dataclass
class Machine:
    """A shell that goes through the section, waits where it is told to, and what it wrote."""

    folder: Path
    environment: dict[str, str]
    process: subprocess.Popen[bytes]

    def said(self) -> str:
        """Give all that was written so far."""
        return (self.folder / "said").read_text(errors="replace")

    def wait_at(self, name: str) -> None:
        """Wait until the shell has come to a place."""
        there = self.folder / name
        until(lambda: there.exists() or self.process.poll() is not None, explain=self.said, patience=PATIENCE)
        assert there.exists(), self.said()

    def go_on(self, name: str) -> None:
        """Let the shell go on from a place."""
        (self.folder / name).rename(self.folder / f"{name} left")

    def manage(self, *arguments: str) -> str:
        """Run a management command with the settings of the section's own file."""
        command = (
            f'cd "$SASHKEEP"; set -a; . "$ENVIRONMENT"; .venv/bin/python manage.py {" ".join(arguments)}'
        )
        done = subprocess.run(
            ["bash", "-ec", command], env=self.environment, capture_output=True, text=True, timeout=PATIENCE
        )
        assert done.returncode == 0, done.stdout + done.stderr
        return done.stdout

    def ask(self, sql: str) -> list[tuple[Any, ...]]:
        """Ask the database of this desk."""
        with psycopg.connect(self.environment["DATABASE_URL"]) as connection:
            return connection.execute(sql).fetchall()


def place_of(words: str) -> int:
    """Find the one block that holds some words."""
    (number,) = [number for number, block in enumerate(BLOCKS) if words in block]
    return number


def script_of(folder: Path) -> str:
    """Write what the shell does: each block from a file of its own, and a wait where the test looks around.

    The upgrade is done while the desk runs, so the commands of the first look are given again before it.
    """
    start, stop, upgrade = place_of("celery"), place_of("kill"), place_of("git pull")
    assert [start, stop, upgrade] == [len(BLOCKS) - 3, len(BLOCKS) - 2, len(BLOCKS) - 1]
    for number, block in enumerate(BLOCKS):
        (folder / f"block{number}.sh").write_text(block)
    wait = "touch '{0}/{1}'; while [ -e '{0}/{1}' ]; do sleep 0.2; done"
    run = ". '{0}/block{1}.sh'"
    lines = ["set -eu", *(run.format(folder, number) for number in range(start + 1))]
    lines += [wait.format(folder, "running"), run.format(folder, stop), wait.format(folder, "stopped")]
    lines += [run.format(folder, start), run.format(folder, upgrade), wait.format(folder, "upgraded")]
    lines += [run.format(folder, stop)]
    return "\n".join(lines) + "\n"


def origin_in(folder: Path) -> Path:
    """Make a repository of the tree as it stands, as the one that SOURCE names."""
    origin = folder / "origin"
    listed = subprocess.run(
        ["git", "ls-files", "-co", "--exclude-standard"], cwd=ROOT, capture_output=True, text=True, check=True
    )
    for name in listed.stdout.splitlines():
        if (ROOT / name).is_file() and not (ROOT / name).is_symlink():
            (origin / name).parent.mkdir(parents=True, exist_ok=True)
            shutil.copy2(ROOT / name, origin / name)
    commit_all(origin, "The version that is installed")
    return origin


def commit_all(origin: Path, words: str) -> None:
    """Keep all files of a folder as a version."""
    who = ["-c", "user.name=Test", "-c", "user.email=test@desk.example", "-c", "commit.gpgsign=false"]
    for command in (["init", "-q"], ["add", "-A"], [*who, "commit", "-q", "-m", words]):
        subprocess.run(["git", *command], cwd=origin, check=True, capture_output=True)


def publish_a_new_version(origin: Path) -> None:
    """Add a version with a migration, for the upgrade to fetch."""
    migrations = origin / "servicedesk" / "accounts" / "migrations"
    leaf = (migrations / "max_migration.txt").read_text().strip()
    (migrations / "9999_next_version.py").write_text(NEXT_VERSION.format(leaf=leaf))
    (migrations / "max_migration.txt").write_text("9999_next_version\n")
    commit_all(origin, "The version after")


@pytest.fixture
def admin() -> dict[str, str]:
    """How to reach PostgreSQL as one who may make databases."""
    env = {"PGHOST": os.environ.get("PGHOST", "127.0.0.1"), "PGUSER": os.environ.get("PGUSER", "postgres")}
    if not (shutil.which("createuser") and shutil.which("git") and shutil.which("curl")):
        pytest.skip("createuser, git or curl is not installed: apt-get install postgresql git curl")
    try:
        psycopg.connect(host=env["PGHOST"], user=env["PGUSER"], dbname="postgres").close()
    except psycopg.OperationalError as error:
        pytest.skip(f"no PostgreSQL server answers: {error}")
    return env


@pytest.fixture
def machine(tmp_path: Path, admin: dict[str, str]) -> Iterator[Machine]:
    """A fresh folder, in which a shell begins with the first block."""
    name, broker = f"sashkeep_install_{uuid4().hex[:8]}", free_port()
    own = {"DATABASE_URL", "REDIS_URL", "DJANGO_SETTINGS_MODULE", "SECRET_KEY", "PYTHONPATH", "VIRTUAL_ENV"}
    # Tests with a browser leave a mark for Django in the environment, which no desk may have.
    own = {*own, "DJANGO_ALLOW_ASYNC_UNSAFE"}
    environment = {key: value for key, value in os.environ.items() if key not in own}
    environment |= admin | {
        "SOURCE": str(origin_in(tmp_path)),
        "DESK": HOST,
        "DATABASE": name,
        "SASHKEEP": str(tmp_path / "opt"),
        "DATA_DIR": str(tmp_path / "data"),
        "BACKUP_DIR": str(tmp_path / "backups"),
        "ENVIRONMENT": str(tmp_path / "environment"),
        "DATABASE_URL": f"postgres://{name}@{admin['PGHOST']}/{name}",
        "REDIS_URL": f"redis://127.0.0.1:{broker}/0",
        "LISTEN": f"127.0.0.1:{free_port()}",
        "PATH": f"{Path(sys.base_prefix) / 'bin'}:{os.environ['PATH']}",
        "WEB_CONCURRENCY": "1",
        "GIT_CONFIG_COUNT": "1",
        "GIT_CONFIG_KEY_0": "safe.directory",
        "GIT_CONFIG_VALUE_0": "*",
    }
    if not os.environ.get("SASHKEEP_FRESH"):
        environment["PYTHONPATH"] = next(path for path in sys.path if path.endswith("site-packages"))
    (tmp_path / "script").write_text(script_of(tmp_path))
    with redis(tmp_path, broker), (tmp_path / "said").open("wb") as said:
        process = subprocess.Popen(
            ["bash", str(tmp_path / "script")],
            cwd=tmp_path,
            env=environment,
            stdin=subprocess.PIPE,
            stdout=said,
            stderr=subprocess.STDOUT,
            start_new_session=True,
        )
        assert process.stdin
        process.stdin.write(f"{PASSWORD}\n".encode())  # add_person asks for it
        process.stdin.close()
        try:
            yield Machine(tmp_path, environment, process)
        finally:
            if process.poll() is None:
                os.killpg(process.pid, signal.SIGTERM)
                process.wait(timeout=60)
            drop(admin, name)


def drop(admin: dict[str, str], name: str) -> None:
    """Drop the database and the role again."""
    reached = psycopg.connect(host=admin["PGHOST"], user=admin["PGUSER"], dbname="postgres", autocommit=True)
    with reached as connection:
        connection.execute(f'DROP DATABASE IF EXISTS "{name}" WITH (FORCE)')
        connection.execute(f'DROP ROLE IF EXISTS "{name}"')


def test_the_section_followed_word_for_word_brings_the_desk_up(machine: Machine) -> None:
    machine.wait_at("running")
    assert '"migrations": "applied"' in machine.said()
    assert '"broker": "reached"' in machine.said()
    owner = Visitor(f"http://{machine.environment['LISTEN']}", host=HOST)
    assert owner.see("/alive/").json() == {"alive": True}
    owner.headers["X-Forwarded-Proto"] = "https"  # as nginx says
    answer = owner.sign_in("owner", PASSWORD)
    assert (answer.status_code, answer.headers.get("Location")) == (302, "/"), answer.text

    log_a_call(machine, owner)
    until_the_worker_has_done_what_beat_asked(machine, owner)
    machine.go_on("running")

    machine.wait_at("stopped")
    publish_a_new_version(machine.folder / "origin")
    machine.go_on("stopped")
    machine.wait_at("upgraded")
    assert list((machine.folder / "backups").glob("sashkeep-*/manifest.json"))
    assert machine.ask("SELECT name FROM django_migrations WHERE name = '9999_next_version'")
    assert owner.see("/").status_code == 200  # the old version goes on answering with the newer tables
    assert owner.see("/ready/").status_code == 200
    machine.go_on("upgraded")
    assert machine.process.wait(timeout=60) == 0, machine.said()
    assert_the_log_is_json_without_data(machine)


def log_a_call(machine: Machine, owner: Visitor) -> None:
    """Bring a unit in and log a call about it, as somebody at a browser."""
    (machine.folder / "units.csv").write_text(UNITS)
    machine.manage("import_fleet", f"'{machine.folder}/units.csv'")
    ((site, unit),) = machine.ask("SELECT site_id, id FROM units_unit WHERE code = 'U-1'")
    fields = {"reported_by": "Ada Probeson", "phone": "555-0142", "words": "It binds.", "symptom": "stiff"}
    fields |= {"urgency": "this_week", "unit": str(unit)} | dict.fromkeys(SafetyAnswer.Question.values, "no")
    answer = owner.fill_in(f"/calls/log/{site}/", fields)
    assert answer.status_code == 302, answer.text
    assert "It binds." in owner.see(answer.headers["Location"]).text


def until_the_worker_has_done_what_beat_asked(machine: Machine, owner: Visitor) -> None:
    """Wait for the first minute of beat: its letters are a worker's first work."""
    until(
        lambda: machine.ask(
            "SELECT said FROM schedules_clockmark WHERE task = 'schedules.send_notifications'"
        ),
        explain=machine.said,
        patience=PATIENCE,
    )
    answer = owner.see("/ready/")
    said = {name: answer.json()[name] for name in ("database", "migrations", "clock", "broker")}
    assert answer.status_code == 200
    assert said == {"database": True, "migrations": "applied", "clock": "on time", "broker": "reached"}


def assert_the_log_is_json_without_data(machine: Machine) -> None:
    """Read the log of all three programs."""
    objects = [json.loads(line) for line in machine.said().splitlines() if line.startswith('{"time"')]
    loggers = {line["logger"] for line in objects}
    assert {"gunicorn.error", "servicedesk.requests", "celery.app.trace", "celery.beat"} <= loggers
    routes = {line.get("route") for line in objects}
    assert {"accounts:sign_in", "calls:log_call_at", "office:ready"} <= routes
    for secret in ("Probeson", "555-0142", "Probe Lane", "It binds", PASSWORD):
        assert secret not in machine.said()


def test_every_block_of_the_section_is_a_shell_s_or_root_s() -> None:
    kinds: Callable[[str], list[str]] = lambda text: re.findall(r"^```(\w+)$", text, flags=re.MULTILINE)  # noqa: E731
    assert set(kinds(SECTION)) == {"sh", "console"}
    for block in re.findall(r"^```console\n(.*?)^```$", SECTION, flags=re.MULTILINE | re.DOTALL):
        assert all(line.startswith("# ") for line in block.splitlines())
