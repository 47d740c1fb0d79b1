"""Figure of the lots and types flagged by the nightly surveillance, and the sites to warn."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from django.db.models import Exists, OuterRef, QuerySet

from servicedesk.core.values.words import counted
from servicedesk.reports.models import LotFlag, SurveyMark, ThinLot
from servicedesk.reports.numerics.counts.exact import poisson_limits
from servicedesk.reports.numerics.surveillance.flags import FEWEST_EVENTS, FEWEST_SITES
from servicedesk.reports.questions.judgements import PER
from servicedesk.reports.surveillance.lots import CONFIDENCE
from servicedesk.reports.words import amount
from units.models import InstalledPart, Site, Unit

MOST_TOLD = 200
"""Most cleared flags shown on the page; the file has all."""

MOST_THIN = 12
"""Most lots with too few failures to judge shown on the page, most failures first; the file has all."""


@dataclass(frozen=True, kw_only=True)
class SurveillanceFigure:
    """Open and cleared flags, and lots with too few failures to judge."""

    mark: SurveyMark | None
    open: Sequence[LotFlag]
    cleared: QuerySet[LotFlag]
    thin: Sequence[ThinLot]

    @property
    def standing_out(self) -> list[list[LotFlag]]:
        """Open flags, grouped by lot or type: each may have one for each test."""
        grouped: dict[tuple[int, str], list[LotFlag]] = {}
        for flag in self.open:
            grouped.setdefault((flag.component_type_id, flag.lot), []).append(flag)
        return list(grouped.values())

    @property
    def before(self) -> QuerySet[LotFlag]:
        """Latest cleared flags."""
        return self.cleared[:MOST_TOLD]


def surveillance_figure() -> SurveillanceFigure:
    """Figure of the flags, and of the lots with too few failures, that the last surveillance stored."""
    flags = LotFlag.objects.select_related("component_type")
    return SurveillanceFigure(
        mark=SurveyMark.objects.first(),
        open=list(LotFlag.objects.open().for_list()),
        cleared=flags.filter(cleared_on__isnull=False).order_by("-cleared_on", "-pk"),
        thin=list(
            ThinLot.objects.select_related("component_type").order_by(
                "-events", "-failed_sites", "expected", "component_type__name", "lot"
            )
        ),
    )


def surveillance_sentence(figure: SurveillanceFigure) -> str:
    """Sentence on what stands out."""
    if figure.mark is None:
        return "Not checked yet: lots and types are checked every night."
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
    inspected = f"{counted(figure.mark.lots, 'lot')} and {counted(figure.mark.types, 'type')}"
    return f"Nothing stands out among {inspected}."


def false_words(a_year: float) -> str:
    """Words for the expected false flags a year."""
    return f"about {amount(a_year)} false {'one' if a_year <= 1 else 'ones'} a year to be expected"


def false_sentence(figure: SurveillanceFigure) -> str:
    """Sentence on the expected false flags; empty before the first surveillance that computed them."""
    mark = figure.mark
    if mark is None or mark.false_a_year is None or mark.tested is None:
        return ""
    groups = f"{counted(mark.lots, 'lot')} and {counted(mark.types, 'type')}"
    return (
        f"Of {groups} {mark.tested:,} could be compared with others. Where nothing is wrong such checks "
        "still "
        f"raise flags by chance: {false_words(mark.false_a_year)}."
    )


def flag_words(flag: LotFlag) -> str:
    """Words for the reason of a flag."""
    counts = f"{counted(flag.events, 'failure')} at {counted(flag.failed_sites, 'site')}"
    if flag.way == LotFlag.Way.OF_LATE and flag.running is not None and flag.limit is not None:
        return (
            f"{counts}; of late {amount(flag.running)} more than were to be expected, where chance makes "
            f"{amount(flag.limit)} at most"
        )
    return f"{counts}, where {amount(flag.expected)} were to be expected"


def thin_words(lot: ThinLot) -> str:
    """Words for the reason why a lot cannot be judged, and for what would change that."""
    if lot.events >= FEWEST_EVENTS and lot.failed_sites >= FEWEST_SITES:
        return "cannot tell yet: no other lot failed at its ages, so there is no rate to compare it with"
    return (
        f"cannot tell yet: it takes {counted(FEWEST_EVENTS, 'failure')} at {counted(FEWEST_SITES, 'site')}; "
        f"this lot has {lot.events:,} at {lot.failed_sites:,}"
    )


def own_rate_words(lot: ThinLot) -> str:
    """Words for the limits of a lot's own rate."""
    low, high = own_rate(lot)
    return f"{amount(low)} to {amount(high)}"


def own_rate(lot: ThinLot) -> tuple[float, float]:
    """Exact Poisson limits of a lot's own rate, without allowance for its sites."""
    low, high = poisson_limits(lot.events, lot.years, confidence=CONFIDENCE)
    return PER * low, PER * high


def thin_sentence(figure: SurveillanceFigure) -> str:
    """Sentence on the number of lots with too few failures to judge."""
    if not figure.thin:
        return ""
    number = len(figure.thin)
    they = "it stands" if number == 1 else "they stand"
    return (
        f"Of {counted(number, 'lot')} that failed more than expected nobody can tell yet whether {they} out."
    )


def flag_ways(flags: Sequence[LotFlag]) -> str:
    """Words for the tests that flagged a lot or type."""
    return "; ".join(flag.get_way_display() for flag in flags)


def units_with(flag: LotFlag) -> QuerySet[Unit]:
    """Units that have a lot or type in place."""
    return (
        Unit.objects.in_place()
        .filter(Exists(_parts(flag).filter(unit=OuterRef("pk"))))
        .select_related("site")
        .order_by("site__code", "code")
    )


def _parts(flag: LotFlag) -> QuerySet[InstalledPart]:
    parts = InstalledPart.objects.in_place().filter(component_type=flag.component_type_id)
    return parts.filter(lot=flag.lot) if flag.lot else parts


def sites_to_warn(flag: LotFlag) -> list[dict[str, Any]]:
    """Sites that have a lot or type in place, with their owners and units."""
    units: dict[int, list[Unit]] = {}
    for unit in units_with(flag):
        units.setdefault(unit.site_id, []).append(unit)
    sites = Site.objects.filter(pk__in=units).with_owner().order_by("code")
    return [{"site": site, "units": units[site.pk]} for site in sites]
