"""Sites lost to follow-up: no call from there and no visit there for two years."""

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
"""Longest time without contact: a maintained site is heard of more often, or is lost to follow-up."""


@dataclass(frozen=True)
class OutOfSight:
    """Sites without contact for two years, and the day of the last contact of each lost one."""

    silent: frozenset[int]
    lost: dict[int, date]


def out_of_sight(as_of: date) -> OutOfSight:
    """Silent and lost sites by a day, cached."""
    return cached_figure("out-of-sight", as_of, compute=partial(_out_of_sight, as_of))


def _out_of_sight(as_of: date) -> OutOfSight:
    silent = silent_sites(as_of)
    return OutOfSight(frozenset(silent), sites_out_of_touch(as_of, silent))


def silent_sites(as_of: date) -> set[int]:
    """Sites without contact for longer than `SILENCE` by a day.

    Every record of a site counts as contact, and so does the beginning of its observation period.
    """
    sites = Site.objects.order_by().values_list("pk")
    heard = (rows.values_list(site) for rows, site, _ in _contacts(as_of, since=as_of - SILENCE))
    return {site for (site,) in sites.difference(*heard)}


def sites_out_of_touch(as_of: date, silent: Collection[int]) -> dict[int, date]:
    """Silent sites that were lost to follow-up by a day, with the day of the last contact of each.

    Only sites with inspections can be told from those where all is well: an owner who only calls when
    something fails is silent for years without being lost. A site has inspections where maintenance, an
    inspection or a last contact is on record, and where we do the maintenance. A site without contact since
    the beginning of its observation period has no time at risk.
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
    """Records of contact with a site between two days, the column of the site, and that of the day."""
    noted = ObservationPeriod.objects.filter(until_on__isnull=True)
    for rows, site, day in (
        (ObservationPeriod.objects.all(), "unit__site_id", "from_on"),
        (noted, "unit__site_id", "last_contact_on"),
        (Work.objects.all(), "unit__site_id", "done_on"),
        (Inspection.objects.all(), "unit__site_id", "inspected_on"),
        (Finding.objects.all(), "unit__site_id", "found_on"),
    ):
        yield rows.filter(**{f"{day}__lte": as_of, f"{day}__gte": since}).order_by(), site, day
    # Compared as datetimes: on SQLite the date of each call would need a call of Python.
    calls = Call.objects.filter(reported_at__lt=start_of(as_of + timedelta(days=1)))
    if since > date.min:
        calls = calls.filter(reported_at__gte=start_of(since))
    yield calls.annotate(told_on=TruncDate("reported_at")).order_by(), "site_id", "told_on"
