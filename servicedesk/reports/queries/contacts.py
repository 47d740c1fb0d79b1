"""Sites that were lost from sight: nobody calls from there any more, and nobody goes there."""

from __future__ import annotations

from collections.abc import Collection, Iterator
from dataclasses import dataclass
from datetime import date, timedelta
from functools import partial
from typing import Any

from django.db.models import Max, QuerySet
from django.db.models.functions import TruncDate

from schedules.maintenance.reference import MAINTENANCE_WORK
from servicedesk.calls.models import Call, Finding, Inspection, Work
from servicedesk.core.querysets import start_of
from servicedesk.reports.caching.figures import cached_figure
from units.models import ObservationPeriod, Site

SILENCE = timedelta(days=730)
"""A site that is cared for is heard of more often than that, or its owner has turned elsewhere."""


@dataclass(frozen=True)
class OutOfSight:
    """Sites of which nobody heard for two years, and the day each lost one was last heard of."""

    silent: frozenset[int]
    lost: dict[int, date]


def out_of_sight(as_of: date) -> OutOfSight:
    """Find silent and lost sites by a day, once for all that a page shows."""
    return cached_figure("out-of-sight", as_of, compute=partial(_out_of_sight, as_of))


def _out_of_sight(as_of: date) -> OutOfSight:
    silent = silent_sites(as_of)
    return OutOfSight(frozenset(silent), sites_out_of_touch(as_of, silent))


def silent_sites(as_of: date) -> set[int]:
    """Find the sites of which nobody heard for longer than `SILENCE` by a day.

    Every contact with a site counts as hearing of it, and so does the beginning of its watch.
    """
    sites = Site.objects.order_by().values_list("pk")
    heard = (rows.values_list(site) for rows, site, _ in _contacts(as_of, since=as_of - SILENCE))
    return {site for (site,) in sites.difference(*heard)}


def sites_out_of_touch(as_of: date, silent: Collection[int]) -> dict[int, date]:
    """Tell which silent sites were lost from sight by a day, and the day each was last heard of.

    Only sites where somebody looks can be told from those where all is well: who only calls when something
    fails is silent for years without being lost. Somebody looks where a look is on record (care, an
    inspection, or a noted last contact) and where the care is ours. A site of which nobody heard since the
    beginning of its watch brings no time.
    """
    if not silent:
        return {}
    ours = Site.objects.filter(pk__in=silent, care_by=Site.CareBy.US).order_by()
    looks = (
        Inspection.objects.filter(inspected_on__lte=as_of),
        Work.objects.filter(kind__in=MAINTENANCE_WORK, done_on__lte=as_of),
        ObservationPeriod.objects.filter(until_on__isnull=True, last_contact_on__lte=as_of),
    )
    at = "unit__site_id"
    of_silent = (rows.filter(unit__site__in=silent).order_by().values_list(at) for rows in looks)
    inspected = [site for (site,) in ours.values_list("pk").union(*of_silent)]
    if not inspected:
        return {}
    first, *others = (
        rows.filter(**{f"{site}__in": inspected}).values_list(site).annotate(last=Max(day))
        for rows, site, day in _contacts(as_of)
    )
    heard: dict[int, date] = {}
    for site, on in first.union(*others, all=True):
        heard[site] = max(on, heard.get(site, on))
    return heard


def _contacts(as_of: date, *, since: date = date.min) -> Iterator[tuple[QuerySet[Any], str, str]]:
    """Give the records that tell of a site between two days, the column of the site, and that of the day."""
    noted = ObservationPeriod.objects.filter(until_on__isnull=True)
    for rows, site, day in (
        (ObservationPeriod.objects.all(), "unit__site_id", "from_on"),
        (noted, "unit__site_id", "last_contact_on"),
        (Work.objects.all(), "unit__site_id", "done_on"),
        (Inspection.objects.all(), "unit__site_id", "inspected_on"),
        (Finding.objects.all(), "unit__site_id", "found_on"),
    ):
        yield rows.filter(**{f"{day}__lte": as_of, f"{day}__gte": since}).order_by(), site, day
    # Compared as moments: on SQLite the day of each call would be a call of Python.
    calls = Call.objects.filter(told_at__lt=start_of(as_of + timedelta(days=1)))
    if since > date.min:
        calls = calls.filter(told_at__gte=start_of(since))
    yield calls.annotate(told_on=TruncDate("told_at")).order_by(), "site_id", "told_on"
