"""People who do one operation after the other, by seeded chance, and keep a ledger outside the database."""

from __future__ import annotations

import random
import threading
import time
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from dataclasses import dataclass, field
from typing import TypeVar

from django.db import DatabaseError, close_old_connections, connections

from schedules.models import VisitTask
from servicedesk.calls.models import Call
from tests.faults import deeds
from tests.faults.deeds import Deed, Plot
from tests.faults.person import Person
from units.models import InstalledPart

Answer = TypeVar("Answer")

SOME = {
    "call": 4,
    "finding": 3,
    "phone finding": 3,
    "phone work": 2,
    "work": 2,
    "part": 3,
    "customer": 1,
    "unit": 1,
    "change customer": 2,
    "change site": 2,
    "photo": 2,
    "visit": 2,
    "visit over": 3,
    "move": 2,
    "confirm": 1,
    "finish": 3,
}
AT_ONCE, IN_A_ROW = 0.15, 0.1
"""Shares of the deeds that are delivered twice: from two connections together, or one after the other."""


def asked(ask: Callable[[], Answer], *, patience: float = 60) -> Answer:
    """Ask the database; where it is away for a moment, again."""
    end = time.monotonic() + patience
    while True:
        try:
            return ask()
        except DatabaseError:
            if time.monotonic() > end:
                raise
            connections.close_all()
            time.sleep(0.2)
        finally:
            close_old_connections()


@dataclass
class Doer:
    """One person with what is theirs to work on, and all they ever did."""

    person: Person
    plot: Plot
    dice: random.Random
    marks: Iterator[str]
    ledger: list[Deed] = field(default_factory=list)
    hours: dict[bool, int] = field(default_factory=lambda: {True: 0, False: 0})
    number: int = 0
    twice: float = AT_ONCE

    def step(self) -> None:
        """Do something, and write it down."""
        deed = self._next()
        self.ledger.append(deed)  # before it is sent: what is never answered was sent all the same
        chance = self.dice.random()
        if chance < self.twice:
            with ThreadPoolExecutor(2) as pool:
                list(pool.map(deed.send, [self.person] * 2))
            return
        deed.send(self.person)
        if chance < self.twice + IN_A_ROW:
            deed.send(self.person)

    def _next(self) -> Deed:
        kinds = list(SOME)
        for kind in self.dice.choices(kinds, list(SOME.values()), k=8):
            deed = self._deed(kind)
            if deed is not None:
                return deed
        return deeds.log_call(next(self.marks), self.plot, self._turn())

    def _turn(self) -> int:
        self.number += 1
        return self.number

    def _deed(self, kind: str) -> Deed | None:
        """Make a deed of a kind; None where there is nothing to do it to yet."""
        mark = next(self.marks)
        if kind == "part":
            return self._part(mark)
        if kind in deeds.MAKE:
            return deeds.MAKE[kind](mark, self.plot, self._turn())
        if kind == "photo":
            record = self._one("phone finding")
            return deeds.photo_of(mark, record.key) if record else None
        if kind == "visit":
            site = self.plot.sites[self._turn() % len(self.plot.sites)]
            return deeds.plan_visit(mark, self.plot, site, hour=self._hour(over=False))
        if kind == "visit over":
            return self._visit_over(mark)
        if kind == "finish":
            return self._finish(mark)
        visit = self._one("visit", wanted=0)
        if visit is None:
            return None
        pk = _number(visit)
        if kind == "confirm":
            return deeds.confirm_visit(mark, pk)
        return deeds.move_visit(mark, self.plot, pk, hour=self._hour(over=False))

    def _one(self, kind: str, *, wanted: int | None = None) -> Deed | None:
        """Choose one of what was acknowledged lately."""
        done = [
            deed
            for deed in self.ledger[-400:]
            if deed.kind == kind and deed.acknowledged and wanted in (None, deed.wanted)
        ]
        return self.dice.choice(done[-12:]) if done else None

    def _hour(self, *, over: bool) -> int:
        self.hours[over] += 1
        return self.hours[over]

    def _part(self, mark: str) -> Deed:
        """Replace what is in the slot now."""
        number = self._turn()
        place = number % len(self.plot.units)
        old = self.plot.installed_parts[place]
        part = asked(
            lambda: (
                InstalledPart.objects.in_place()
                .filter(unit=self.plot.units[place], panel=0, kind=InstalledPart.objects.get(pk=old).kind)
                .first()
            )
        )
        if part is not None:
            self.plot.installed_parts[place] = part.pk
        return deeds.replace_part(mark, self.plot, number)

    def _visit_over(self, mark: str) -> Deed | None:
        """Record a visit for the task of a call of one's own."""
        call = self._one("call")
        if call is None:
            return None
        stored_call = asked(lambda: Call.objects.select_related("task").filter(words=call.mark).first())
        if stored_call is None or stored_call.task is None or stored_call.task.state != "needs-action":
            return None
        hour = self._hour(over=True)
        return deeds.plan_visit(
            mark, self.plot, stored_call.site_id, hour=hour, task=stored_call.task.pk, over=True
        )

    def _finish(self, mark: str) -> Deed | None:
        visit = self._one("visit", wanted=1)
        if visit is None:
            return None
        pk = _number(visit)
        taken = asked(lambda: VisitTask.objects.filter(visit=pk, visit__finished_at=None).first())
        return deeds.finish_visit(mark, pk, taken.task_id) if taken else None


def _number(deed: Deed) -> int:
    """Read the key of a record from where its acknowledgement leads."""
    where = next(heard.location for heard in deed.heard if heard.acknowledged)
    return int(where.rstrip("/").rsplit("/", 1)[-1])


@contextmanager
def busy(doers: list[Doer]) -> Iterator[None]:
    """Let everybody work for the length of a with block."""
    over = threading.Event()
    broken: list[BaseException] = []

    def work(doer: Doer) -> None:
        try:
            while not over.is_set():
                doer.step()
                if doer.ledger[-1].heard and doer.ledger[-1].heard[-1].status == 0:
                    time.sleep(0.1)  # nobody answers: nobody types faster than that either
        except BaseException as error:
            broken.append(error)
            raise
        finally:
            connections.close_all()

    threads = [threading.Thread(target=work, args=(doer,)) for doer in doers]
    for thread in threads:
        thread.start()
    try:
        yield
    finally:
        over.set()
        for thread in threads:
            thread.join()
    if broken:
        raise broken[0]
