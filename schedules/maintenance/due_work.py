"""Due work by site: one row a site, the most urgent first, a page at a time.

Unplanned tasks and, looking past today, next dues without a task are counted together. Pages are cut by key
(priority, first due day, site), so that no site is skipped or shown twice while others plan.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import astuple, dataclass
from datetime import date
from typing import Any

from django.core.exceptions import EmptyResultSet
from django.db import connection
from django.db.models import BooleanField, CharField, F, Q, Value
from django.http import QueryDict

from schedules.maintenance import sql
from schedules.models import MaintenanceTask, NextDue
from schedules.operations.tasks import MAINTENANCE_PRIORITY
from servicedesk.core.values.typed import read_day, read_key, read_token, write_token
from units.models import Site

PAGE = 40
ALL_OF_THEM = 2**31
"""Limit above any number of sites: with a limit the database evaluates the subquery once, not per task."""


@dataclass(frozen=True)
class SiteKey:
    """Sort key of a site in the list."""

    priority: int
    first_due: date
    site_id: int


@dataclass(frozen=True)
class SiteWork:
    """Due work at one site: how much, how urgent, since when."""

    key: SiteKey
    site: Site
    minutes: int
    tasks: int
    coming: int
    calls: int

    @property
    def first_due(self) -> date:
        """Earliest due day of the work."""
        return self.key.first_due

    @property
    def urgent(self) -> bool:
        """Whether a danger there must be made safe."""
        return self.key.priority == MaintenanceTask.MAKE_SAFE


@dataclass(frozen=True)
class SitePage:
    """One page of the list, and the tokens of the pages before and after it ("" where there is none)."""

    rows: list[SiteWork]
    earlier: str
    later: str


def sites_with_work(
    query: QueryDict, *, today: date, until: date, origin: str = "", text: str = "", size: int = PAGE
) -> SitePage:
    """Page of sites with due work, at the key in the query string (``after=`` or ``before=``)."""
    backward = "before" in query
    key = _key(query.get("before") or query.get("after") or "")
    records = _ask(today=today, until=until, origin=origin, text=text, key=key, backward=backward, size=size)
    more, records = len(records) > size, records[:size]
    if backward:
        records.reverse()
    sites = Site.objects.in_bulk([row[2] for row in records])
    rows = [
        SiteWork(SiteKey(row[0], _day(row[1]), row[2]), sites[row[2]], *map(int, row[3:])) for row in records
    ]
    return SitePage(
        rows=rows,
        earlier=_token(rows[0].key) if rows and (more if backward else key is not None) else "",
        later=_token(rows[-1].key) if rows and (backward or more) else "",
    )


def _ask(
    *, today: date, until: date, origin: str, text: str, key: SiteKey | None, backward: bool, size: int
) -> list[Sequence[Any]]:
    try:
        work, params = _work(today=today, until=until, origin=origin, text=text)
    except EmptyResultSet:  # no site matches the text
        return []
    beyond, way = "", "DESC" if backward else "ASC"
    if key is not None:
        beyond = f"WHERE (priority, first_due, site_id) {'<' if backward else '>'} (%s, %s, %s)"
        params = [*params, key.priority, connection.ops.adapt_datefield_value(key.first_due), key.site_id]
    with connection.cursor() as cursor:
        cursor.execute(sql.WORK_BY_SITE.format(work=work, beyond=beyond, way=way, limit=size + 1), params)
        return list(cursor.fetchall())


def _work(*, today: date, until: date, origin: str, text: str) -> tuple[str, list[Any]]:
    """SQL and parameters of all pieces of work: tasks and, looking past today, next dues without a task."""
    waits_on = Q(waiting_until__gt=today)
    tasks = MaintenanceTask.objects.unplanned().filter(~waits_on | Q(waiting_until=None), due_on__lte=until)
    if origin:
        tasks = tasks.filter(origin=origin)
    coming = NextDue.objects.ours().without_task().filter(next_due_on__lte=until)
    if text:
        sites = Site.objects.matching(text).values("pk")[:ALL_OF_THEM]
        tasks, coming = tasks.filter(site__in=sites), coming.filter(installed_part__unit__site__in=sites)
    work = tasks.annotate(coming=Value(False, BooleanField())).values_list(
        "site_id", "priority", "due_on", "minutes", "origin", "coming"
    )
    if origin in {"", MaintenanceTask.Origin.MAINTENANCE} and until > today:
        work = work.union(
            coming.annotate(
                at_site=F("installed_part__unit__site_id"),
                usual=Value(MAINTENANCE_PRIORITY),
                origin=Value("care", CharField()),
                is_coming=Value(True, BooleanField()),
            ).values_list("at_site", "usual", "next_due_on", "rule__minutes", "origin", "is_coming"),
            all=True,
        )
    statement, params = work.order_by().query.sql_with_params()
    return statement, list(params)


def _token(key: SiteKey) -> str:
    return write_token(astuple(key))


def _key(token: str) -> SiteKey | None:
    """Parse a page token; a mangled one means the first page rather than an error."""
    values = read_token(token)
    if values is None or len(values) != 3:
        return None
    priority, first_due, site = read_key(values[0]), read_day(values[1]), read_key(values[2])
    if priority is None or first_due is None or site is None:
        return None
    return SiteKey(priority, first_due, site)


def _day(value: date | str) -> date:
    """Read a day as SQLite (text) or PostgreSQL (date) returns it."""
    return value if isinstance(value, date) else date.fromisoformat(value)
