"""Work at one site on one visit: all that is due there, cut short enough, a danger first."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from schedules.models import MaintenanceRule, MaintenanceTask, NextDue, Visit
from schedules.routing.problem import MINUTE
from units.models import Site

STEP = 5 * MINUTE
LONGEST_STOP = 210
SHORTEST_STOP = 15


@dataclass(frozen=True)
class SiteWork:
    """Work that would be done at one site on one visit."""

    site: Site
    tasks: tuple[MaintenanceTask, ...]
    coming: tuple[NextDue, ...] = ()
    visit: Visit | None = None
    minutes: int = 0

    @property
    def priority(self) -> int:
        """The priority of the most urgent task (1 is the most urgent); 9 without tasks."""
        return min((task.priority for task in self.tasks), default=9)

    @property
    def makes_safe(self) -> bool:
        """Whether it takes a danger away."""
        return any(task.makes_safe for task in self.tasks)


def cut_into_goes(
    site: Site,
    tasks: Sequence[MaintenanceTask],
    coming: Sequence[NextDue],
    factors: Mapping[str, float],
    *,
    alone: bool,
) -> Iterable[SiteWork]:
    """Split the work at a site into visits, the one that makes it safe first.

    That one takes along only what asks for no more than the danger itself: no place stays unsafe because a
    second person, more skill, a warm day or a part is waited for. ``alone`` has it take nothing along.
    """
    dangers = [task for task in tasks if task.makes_safe]
    if not dangers:
        yield from _parts(site, tasks, coming, factors)
        return
    persons, level = max(task.persons for task in dangers), max(task.level for task in dangers)

    def goes_along(rule: MaintenanceRule | None, needs: MaintenanceTask | MaintenanceRule) -> bool:
        cold = rule is not None and rule.not_below_c is not None
        return not (alone or cold or needs.persons > persons or needs.level > level)

    along = [
        task
        for task in tasks
        if not task.makes_safe
        and not task.waiting_until
        and goes_along(task.next_due.rule if task.next_due else None, task)
    ]
    later = [task for task in tasks if task not in dangers and task not in along]
    soon = [due for due in coming if goes_along(due.rule, due.rule)]
    first, *more = _parts(site, [*dangers, *along], soon, factors)
    yield first
    yield from more
    if later:
        yield from _parts(site, later, [due for due in coming if due not in soon], factors)


def _parts(
    site: Site, tasks: Sequence[MaintenanceTask], coming: Sequence[NextDue], factors: Mapping[str, float]
) -> Iterable[SiteWork]:
    """Split the work at a site into visits short enough for two on a day, the urgent first."""
    part: list[MaintenanceTask] = []
    minutes = 0.0
    for task in tasks:
        takes = task.minutes * factors.get(task.work, 1.0)
        if part and minutes + takes > LONGEST_STOP:
            yield SiteWork(site, tuple(part), minutes=_rounded(minutes))
            part, minutes = [], 0.0
        part.append(task)
        minutes += takes
    along = []
    for due in coming:
        takes = due.rule.minutes * factors.get(due.rule.work, 1.0)
        if minutes + takes <= LONGEST_STOP:
            along.append(due)
            minutes += takes
    yield SiteWork(site, tuple(part), tuple(along), minutes=_rounded(minutes))


def _rounded(minutes: float) -> int:
    step = STEP // MINUTE
    return min(max(-(-round(minutes) // step) * step, SHORTEST_STOP), 12 * 60)
