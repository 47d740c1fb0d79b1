"""The lots and types that stand out, as the nightly look left them, and the sites to warn."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from django.db.models import Exists, OuterRef, QuerySet

from servicedesk.reports.models import LotFlag, WatchMark
from servicedesk.reports.words import amount, counted
from units.models import Fitment, Site, Unit

MOST_TOLD = 200
"""Flags of the past shown on the page; the file has all."""


@dataclass(frozen=True, kw_only=True)
class WatchFigure:
    """What stands out now and what did before."""

    mark: WatchMark | None
    open: Sequence[LotFlag]
    cleared: QuerySet[LotFlag]

    @property
    def standing_out(self) -> list[list[LotFlag]]:
        """Those that stand out, each with all its flags: one may stand out in two ways."""
        found: dict[tuple[int, str], list[LotFlag]] = {}
        for flag in self.open:
            found.setdefault((flag.component_type_id, flag.lot), []).append(flag)
        return list(found.values())

    @property
    def before(self) -> QuerySet[LotFlag]:
        """The latest of those that do not stand out any more."""
        return self.cleared[:MOST_TOLD]


def watch_figure() -> WatchFigure:
    """Read what the nightly look left."""
    flags = LotFlag.objects.select_related("component_type")
    return WatchFigure(
        mark=WatchMark.objects.first(),
        open=list(LotFlag.objects.open().for_list()),
        cleared=flags.filter(cleared_on__isnull=False).order_by("-cleared_on", "-pk"),
    )


def watch_sentence(figure: WatchFigure) -> str:
    """Say what stands out."""
    if figure.mark is None:
        return "Nobody has looked yet: lots and types are looked at every night."
    lots = sorted(
        (flag for flag in figure.open if flag.lot),
        key=lambda flag: (flag.way != LotFlag.Way.OVER_ALL, 1.0 if flag.q_value is None else flag.q_value),
    )
    if lots:
        first = lots[0]
        more = len({(flag.component_type_id, flag.lot) for flag in lots}) - 1
        rest = (
            f" {counted(more, 'other lot').capitalize()} stand{'s' if more == 1 else ''} out too."
            if more
            else ""
        )
        return f"{first.words[:1].upper()}{first.words[1:]} fails too often: {flag_words(first)}.{rest}"
    if figure.open:
        return (
            "No lot stands out from the others of its type; some types fail more often than others of their "
            "kind."
        )
    looked = f"{counted(figure.mark.lots, 'lot')} and {counted(figure.mark.types, 'type')}"
    return f"Nothing stands out among {looked}."


def flag_words(flag: LotFlag) -> str:
    """Say why something was flagged."""
    counts = f"{counted(flag.events, 'failure')} at {counted(flag.failed_sites, 'site')}"
    if flag.way == LotFlag.Way.OF_LATE and flag.running is not None and flag.limit is not None:
        return (
            f"{counts}; of late {amount(flag.running)} more than were to be expected, where chance makes "
            f"{amount(flag.limit)} at most"
        )
    return f"{counts}, where {amount(flag.expected)} were to be expected"


def flag_ways(flags: Sequence[LotFlag]) -> str:
    """Say in which ways something stands out."""
    return "; ".join(flag.get_way_display() for flag in flags)


def units_with(flag: LotFlag) -> QuerySet[Unit]:
    """List the units that have a lot or type in place."""
    return (
        Unit.objects.in_place()
        .filter(Exists(_parts(flag).filter(unit=OuterRef("pk"))))
        .select_related("site")
        .order_by("site__code", "code")
    )


def _parts(flag: LotFlag) -> QuerySet[Fitment]:
    parts = Fitment.objects.in_place().filter(component_type=flag.component_type_id)
    return parts.filter(lot=flag.lot) if flag.lot else parts


def sites_to_warn(flag: LotFlag) -> list[dict[str, Any]]:
    """List the sites that have a lot or type in place, with their owners and units."""
    units: dict[int, list[Unit]] = {}
    for unit in units_with(flag):
        units.setdefault(unit.site_id, []).append(unit)
    sites = Site.objects.filter(pk__in=units).with_owner().order_by("code")
    return [{"site": site, "units": units[site.pk]} for site in sites]
