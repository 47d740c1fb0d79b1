"""The kinds of fault: each does one round of it while people work."""

from __future__ import annotations

import os
import random
import time
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field, replace
from datetime import timedelta
from pathlib import Path

from django.db import connection

from schedules.models import MaintenanceRule, NextDue, WeekPlan
from servicedesk.accounts.models import User
from servicedesk.core.models import Batch
from tests.faults import deeds
from tests.faults.audit import Losses
from tests.faults.databases import Cluster, Database
from tests.faults.deeds import Deed
from tests.faults.doers import Doer, asked, busy
from tests.faults.imports import compare, files, import_and_kill
from tests.faults.person import Heard
from tests.faults.stand import Stand, kill
from tests.schedules.installation import until
from units.models import InstalledPart


@dataclass
class Ground:
    """All that a round works with."""

    stand: Stand
    database: Database
    doers: list[Doer]
    dice: random.Random
    marks: Iterator[str]
    small: Path | None
    """A file system of a few megabytes, where this machine lets us have one."""
    wanted: dict[str, list[list[str]]] = field(default_factory=dict)
    imported: int = 0
    planned: int = 0
    others: list[Deed] = field(default_factory=list)
    """What was done beside the doers."""


def pause(ground: Ground, least: float = 0.2, most: float = 1.2) -> None:
    """Let people work for a while of chance."""
    time.sleep(ground.dice.uniform(least, most))


def web_worker_killed(ground: Ground) -> Losses:
    """Kill one of the web server's workers; the server starts another by itself."""
    with busy(ground.doers):
        pause(ground)
        kill(ground.dice.choice(ground.stand.children("server")))
        pause(ground, 0.2, 0.6)
    ground.stand.wait()
    return Losses()


def web_server_killed(ground: Ground) -> Losses:
    """Kill the whole web server."""
    with busy(ground.doers):
        pause(ground)
        ground.stand.kill("server")
        pause(ground, 0.1, 0.2)
    ground.stand.start_server()
    return Losses()


def clock_killed(ground: Ground) -> Losses:
    """Kill the clock while it applies a file that was handed in."""
    return _background_killed(ground, "clock", ground.stand.start_clock)


def worker_killed(ground: Ground) -> Losses:
    """Kill the celery worker while it applies a file that was handed in."""
    return _background_killed(ground, "worker", ground.stand.start_worker)


def _background_killed(ground: Ground, name: str, start: Callable[[], None]) -> Losses:
    deed = deeds.hand_in(next(ground.marks), _rows(ground))
    with busy(ground.doers):
        deed.send(ground.doers[0].person)
        pause(ground, 0.0, 3.0)
        ground.stand.kill(name)
    start()
    ground.others.append(deed)
    return _settle()


def _rows(ground: Ground) -> list[dict[str, object]]:
    """Give the units of a small file."""
    mark = next(ground.marks)
    return [
        {"unit": f"{mark}U{number}", "site": f"{mark}S{number // 3}", "construction": "2", "panels": 3}
        | {"installed_on": "2021-05-04"}
        for number in range(9)
    ]


def _settle(patience: float = 300) -> Losses:
    """Wait until the background has done what was asked for meanwhile."""
    losses = Losses()
    try:
        until(lambda: asked(lambda: not _undone()), patience=patience)
    except AssertionError:
        losses.lost += [f"not done after {patience} s: {line}" for line in _undone()]
    return losses


def _undone() -> list[str]:
    """List what the background still has to do."""
    lines = [f"import {batch.pk} is {batch.stage}" for batch in Batch.objects.unfinished()]
    for rule in MaintenanceRule.objects.active():
        parts = InstalledPart.objects.in_place().filter(component_type=rule.component_type_id)
        without = parts.exclude(pk__in=NextDue.objects.filter(rule=rule).values("installed_part"))
        if count := without.count():
            lines.append(f"{count} parts are not under “{rule.name}”")
    return lines


def import_killed(ground: Ground) -> Losses:
    """Kill the command that brings a fleet in, again and again, and go on with it."""
    number, ground.imported = ground.imported, ground.imported + 1
    with busy(ground.doers[:1]):
        words = files(ground.stand.logs or ground.stand.folder, number)
        import_and_kill(ground.stand, words, ground.dice)
    return compare(ground.wanted, number)


def delivered_twice(ground: Ground) -> Losses:
    """Deliver everything twice, from two connections at once."""
    chances = [doer.twice for doer in ground.doers]
    for doer in ground.doers:
        doer.twice = 1.0
    with busy(ground.doers):
        pause(ground, 0.8, 1.6)
    for doer, twice in zip(ground.doers, chances, strict=True):
        doer.twice = twice
    return Losses()


def two_planners(ground: Ground) -> Losses:
    """Let two schedulers plan one technician's same hours at two sites, and ask for the same week at once."""
    losses = Losses()
    shared = User.objects.get(username="shared").pk
    first, second = ground.doers[:2]
    for _ in range(4):
        ground.planned += 1
        pair = [
            deeds.plan_visit(
                next(ground.marks),
                replace(doer.plot, technician=shared),
                doer.plot.sites[0],
                hour=ground.planned,
            )
            for doer in (first, second)
        ]
        with ThreadPoolExecutor(2) as pool:
            list(pool.map(lambda deed, doer: deed.send(doer.person), pair, (first, second)))
        ground.others += pair
        if sum(deed.acknowledged for deed in pair) != 1:
            losses.broken.append(f"two planners of one hour heard {[deed.heard[0].status for deed in pair]}")
    return _two_ask_for_a_week(ground, losses)


def _two_ask_for_a_week(ground: Ground, losses: Losses) -> Losses:
    # Each round another week: a plan of an earlier round may still wait for the clock that was killed.
    week = deeds.today() + timedelta(days=7 * (4 + ground.planned // 4))
    week -= timedelta(days=week.weekday())
    before = WeekPlan.objects.filter(monday=week).count()

    def ask(doer: Doer) -> Heard:
        return doer.person.post("/week/plan/", {"week": str(week), "horizon": 7})

    with ThreadPoolExecutor(2) as pool:
        list(pool.map(ask, ground.doers[:2]))
    if (made := WeekPlan.objects.filter(monday=week).count() - before) != 1:
        losses.broken.append(f"two who asked for the week of {week} got {made} plans")
    return losses


def redis_gone(ground: Ground) -> Losses:
    """Kill Redis while people work, and start it anew, empty."""
    with busy(ground.doers):
        pause(ground)
        ground.stand.kill("redis")
        pause(ground, 0.5, 1.5)
    ground.stand.start_redis()
    with busy(ground.doers[:1]):
        pause(ground)
    return _settle()


def postgres_restarted(ground: Ground) -> Losses:
    """Restart PostgreSQL as after a power cut, under load."""
    assert isinstance(ground.database, Cluster)
    with busy(ground.doers):
        pause(ground)
        ground.database.restart_at_once()
        pause(ground, 0.3, 0.8)
    ground.stand.wait()
    asked(User.objects.count)
    return Losses()


def pages_used_up(ground: Ground) -> Losses:
    """Let the SQLite file grow no further than it is, or by a few pages."""
    with connection.cursor() as cursor:
        cursor.execute("PRAGMA page_count")
        (pages,) = cursor.fetchone()
    ground.stand.stop("server")
    ground.stand.start_server(MOST_PAGES=str(pages + ground.dice.randrange(0, 12)))
    with busy(ground.doers):
        _until_full(ground)
    ground.stand.stop("server")
    ground.stand.start_server()
    return Losses()


def disk_full(ground: Ground) -> Losses:
    """Fill the file system that holds the records and the photos, and make room again."""
    assert ground.small is not None
    ballast = ground.small / "ballast"
    with busy(ground.doers):
        pause(ground)
        with filled(ballast, leave=ground.dice.randrange(0, 256) * 1024):
            _until_full(ground)
    ground.stand.wait()
    return Losses()


def _until_full(ground: Ground) -> None:
    """Let people work until one of them heard of the full disk, and a little longer."""
    before = _full_heard(ground)
    end = time.monotonic() + 6
    while _full_heard(ground) == before and time.monotonic() < end:
        time.sleep(0.1)
    pause(ground, 0.3, 0.8)


def _full_heard(ground: Ground) -> int:
    return sum(heard.status == 507 for doer in ground.doers for deed in doer.ledger for heard in deed.heard)


@contextmanager
def filled(ballast: Path, *, leave: int) -> Iterator[None]:
    """Fill a file system up to some bytes for the length of a with block."""
    state = os.statvfs(ballast.parent)
    size = state.f_bavail * state.f_frsize - leave
    try:
        with ballast.open("wb") as out, suppress(OSError):
            os.posix_fallocate(out.fileno(), 0, max(size, 1))
        yield
    finally:
        ballast.unlink()


def clock_moved(ground: Ground) -> Losses:
    """Move the machine's clock by hours, for the web server and for the clock differently."""
    ground.stand.stop("server")
    ground.stand.start_server(HOURS_OFF=str(ground.dice.randrange(-30, 31)))
    with busy(ground.doers):
        pause(ground)
        original = ground.stand.settings
        ground.stand.settings = {**original, "HOURS_OFF": str(ground.dice.randrange(-30, 31))}
        ground.stand.manage("clock", "--once")
        ground.stand.settings = original
    ground.stand.stop("server")
    ground.stand.start_server()
    ground.stand.manage("clock", "--once")
    return _settle(patience=1)


KINDS: dict[str, Callable[[Ground], Losses]] = {
    "web worker killed": web_worker_killed,
    "web server killed": web_server_killed,
    "clock killed": clock_killed,
    "celery worker killed": worker_killed,
    "import killed": import_killed,
    "delivered twice": delivered_twice,
    "two planners": two_planners,
    "Redis gone, back, empty": redis_gone,
    "PostgreSQL restarted": postgres_restarted,
    "SQLite page limit": pages_used_up,
    "disk full": disk_full,
    "clock moved": clock_moved,
}
WITH_REDIS = ("celery worker killed", "Redis gone, back, empty")
ONLY_ON = {"PostgreSQL restarted": "postgres", "SQLite page limit": "sqlite"}
SHARES = {
    "web worker killed": 70,
    "web server killed": 26,
    "clock killed": 10,
    "celery worker killed": 10,
    "import killed": 16,
    "delivered twice": 20,
    "two planners": 14,
    "Redis gone, back, empty": 10,
    "PostgreSQL restarted": 16,
    "SQLite page limit": 8,
    "disk full": 12,
    "clock moved": 2,
}
