"""The rounds: people work, something fails, and the ledger is held against the records."""

from __future__ import annotations

import random
import time
from collections.abc import Iterable, Sequence
from datetime import timedelta
from pathlib import Path
from typing import Any

from django.db import close_old_connections
from django.utils import timezone

from servicedesk.calls.stray_files import sweep_photo_files
from tests.faults.audit import CHAINS, PIECES, Losses, check, check_chains
from tests.faults.databases import Database
from tests.faults.deeds import Deed, marks
from tests.faults.doers import Doer
from tests.faults.imports import undisturbed
from tests.faults.kinds import KINDS, ONLY_ON, SHARES, WITH_REDIS, Ground
from tests.faults.person import Person
from tests.faults.rules import check_rules, stray_photo_files
from tests.faults.stand import Stand
from tests.faults.world import DOERS, plots

COUNTS = (
    *("rounds", "operations", "deliveries", "acknowledged", "refused", "disk full", "repeated"),
    *("lost", "doubled", "half", "broken"),
)


BEFORE_REDIS = 0.85
"""The share of the minutes, where they are limited, for the rounds without Redis."""


def run_rounds(
    places: tuple[Database, Stand, Stand],
    *,
    small: Path | None,
    dice: random.Random,
    rounds: int,
    each: int | None,
    only: Sequence[str],
    redis_port: int | None,
    minutes: float | None = None,
) -> dict[str, dict[str, Any]]:
    """Run rounds of every kind, and answer by kind what was done and what was lost."""
    began = time.monotonic()
    database, stand, twin = places
    results: dict[str, dict[str, Any]] = {
        kind: dict.fromkeys(COUNTS, 0) | {"told": [], "left out": ""} for kind in KINDS
    }
    plan = _plan(results, database.name, rounds, each, only, small=small, redis=redis_port is not None)
    new = marks()
    ground = Ground(stand, database, [], dice, new, small)
    ground.wanted = undisturbed(twin, stand.logs or stand.folder, plan["import killed"])
    stand.start_server()
    ground.doers = [
        Doer(Person(stand.address, f"doer{number}"), plot, random.Random(dice.random()), new)
        for number, plot in zip(range(DOERS), plots(), strict=True)
    ]
    for doer in ground.doers:
        doer.person.sign_in()
    stand.start_clock()
    end = began + 60 * minutes if minutes else None
    first_end = began + 60 * minutes * BEFORE_REDIS if minutes else None
    _run(ground, results, [kind for kind in plan if kind not in WITH_REDIS], plan, until=first_end)
    if any(plan[kind] for kind in WITH_REDIS):
        _begin_redis(stand, redis_port)
        _run(ground, results, list(WITH_REDIS), plan, until=end)
    _last_look(ground, results)
    return results


def _plan(
    results: dict[str, dict[str, Any]],
    database: str,
    rounds: int,
    each: int | None,
    only: Sequence[str],
    *,
    small: Path | None,
    redis: bool,
) -> dict[str, int]:
    """Share the rounds out among the kinds that this machine and this database can have."""
    for kind, row in results.items():
        if ONLY_ON.get(kind, database) != database:
            row["left out"] = f"means nothing on {database}"
        elif kind == "disk full" and small is None:
            row["left out"] = "this machine lets us mount no file system (it takes root)"
        elif kind in WITH_REDIS and not redis:
            row["left out"] = "redis-server is not installed: apt-get install redis-server"
        elif only and kind not in only:
            row["left out"] = "not asked for"
    shares = {kind: SHARES[kind] for kind, row in results.items() if not row["left out"]}
    whole = sum(shares.values())
    plan = {kind: each or rounds * share // whole for kind, share in shares.items()}
    if each is None and shares:
        first = next(iter(shares))
        plan[first] += rounds - sum(plan.values())
    return dict.fromkeys(KINDS, 0) | plan


def _begin_redis(stand: Stand, port: int | None) -> None:
    """Turn the desk without Redis into one with it."""
    stand.stop("clock")
    stand.stop("server")
    stand.settings["REDIS_URL"] = f"redis://127.0.0.1:{port}/0"
    stand.start_redis()
    stand.start_worker()
    stand.start_beat()
    stand.start_server()


def _run(
    ground: Ground,
    results: dict[str, dict[str, Any]],
    kinds: Iterable[str],
    plan: dict[str, int],
    *,
    until: float | None,
) -> None:
    """Run the rounds of some kinds, in an order of chance."""
    order = [kind for kind in kinds for _ in range(plan[kind])]
    ground.dice.shuffle(order)
    for number, kind in enumerate(order, start=1):
        if until is not None and time.monotonic() > until:
            print(f"the minutes are over: {number - 1} of {len(order)} rounds done", flush=True)
            return
        row = results[kind]
        seen = {id(deed) for deed in _ledger(ground)}
        began = time.monotonic()
        losses = KINDS[kind](ground)
        close_old_connections()
        fresh = [deed for deed in _ledger(ground) if id(deed) not in seen]
        losses.add(_look(ground, fresh))
        row["repeated"] += _repeat(ground, fresh, losses)
        for name in ("clock", "worker", "beat", "redis"):
            if ground.stand.is_running(name) and ground.stand.running_now[name][1].poll() is not None:
                losses.broken.append(f"{name} has ended")
        _count(row, fresh, losses)
        summary = f"{len(fresh)} operations, {time.monotonic() - began:.0f} s {losses.all() or ''}"
        print(f"{number}/{len(order)} {kind}: {summary}", flush=True)


def _ledger(ground: Ground) -> list[Deed]:
    return [*(deed for doer in ground.doers for deed in doer.ledger), *ground.others]


def _look(ground: Ground, fresh: list[Deed]) -> Losses:
    """Hold the ledger of a round against the records, and every rule against every row."""
    losses = check(fresh)
    for doer in ground.doers:
        losses.add(check_chains(doer.ledger))
    losses.add(check_rules())
    return losses


def _repeat(ground: Ground, fresh: list[Deed], losses: Losses) -> int:
    """Send again what was not answered, as a person or a phone does, and look that there is one of each."""
    again = []
    for doer in ground.doers:
        last = {(deed.kind, deed.about): deed for deed in doer.ledger if deed.kind in CHAINS}
        for deed in fresh:
            if deed in doer.ledger and not deed.acknowledged and not deed.refused:
                if deed.kind in CHAINS and last[deed.kind, deed.about] is not deed:
                    continue  # somebody wrote over it since, and so it is not sent again
                deed.send(doer.person)
                again.append(deed)
    for deed in again:
        answer = deed.heard[-1]
        if not answer.acknowledged and not answer.refused:
            losses.broken.append(f"{deed.kind} {deed.mark} sent again was answered {answer.status}")
        elif deed.kind in PIECES and answer.refused and check([deed]).all():
            losses.half.append(f"{deed.kind} {deed.mark} sent again was refused: {answer.text[:200]}")
    losses.add(check(again))
    for doer in ground.doers:
        losses.add(check_chains(doer.ledger) if again else Losses())
    return len(again)


def _count(row: dict[str, Any], fresh: list[Deed], losses: Losses) -> None:
    row["rounds"] += 1
    row["operations"] += len(fresh)
    row["deliveries"] += sum(len(deed.heard) for deed in fresh)
    row["acknowledged"] += sum(deed.acknowledged for deed in fresh)
    row["refused"] += sum(deed.refused for deed in fresh)
    row["disk full"] += sum(any(heard.status == 507 for heard in deed.heard) for deed in fresh)
    for name in ("lost", "doubled", "half", "broken"):
        row[name] += len(getattr(losses, name))
    row["told"] += losses.all()


def _last_look(ground: Ground, results: dict[str, dict[str, Any]]) -> None:
    """Hold the whole ledger of all rounds against the records once more, and clear up as the clock does."""
    gone = sweep_photo_files(at=timezone.now() + timedelta(days=2))
    losses = _look(ground, [deed for deed in _ledger(ground) if deed.kind not in ("finish", "confirm")])
    losses.broken += [f"{path.name} lies there and no record knows it" for path in stray_photo_files()]
    print(f"files left half-way by photos that were cut short: {gone} cleared up")
    row = dict.fromkeys(COUNTS, 0) | {"told": [], "left out": ""}
    _count(row, [], losses)
    results["the whole ledger at the end"] = row
